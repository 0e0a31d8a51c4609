"""Volumes that the kernel's own drivers filled (NTFS in three cluster sizes, exFAT, FAT, ext4): the program, which reads
them without mounting, lists the same names and copies the same bytes as the kernel shows when it mounts them."""

import disks

# Volume: how it is made, and what the kernel mounts it as.
VOLUMES = {
    "ntfs512": ("ntfs3", ["mkntfs", "-q", "-Q", "-F", "-c", "512", "-s", "512", "-p", "2048", "-H", "16", "-S", "63"]),
    "ntfs4k": ("ntfs3", ["mkntfs", "-q", "-Q", "-F", "-c", "4096", "-s", "512", "-p", "2048", "-H", "16", "-S", "63"]),
    "ntfs64k": ("ntfs3", ["mkntfs", "-q", "-Q", "-F", "-c", "65536", "-s", "512", "-p", "2048", "-H", "16", "-S", "63"]),
    "exfat": ("exfat", ["mkfs.exfat"]),
    "fat32": ("vfat", ["mkfs.vfat", "-F", "32", "-s", "1"]),
    "ext4": ("ext4", ["mke2fs", "-q", "-F", "-t", "ext4"]),
}

SCRIPT = """
destination
volumes='VOLUMES'
mkdir /mnt

# Sizes around what a table record, a cluster and one request hold; names of many kinds; a folder that needs an index of
# its own; pieces that lie apart; holes; second names.
fill() {
  local n size
  for size in 0 1 500 511 512 513 700 900 4095 4096 4097 65536 70001 1100000; do
    head -c $size /dev/urandom >"size $size.bin"
  done
  mkdir many "Größe" "写真" a
  n=0
  while [ $n -lt 150 ]; do
    echo "file $n of many" >"many/a rather long name, number $n.txt"
    n=$((n + 1))
  done
  echo one >"Größe/ÄÖÜ ß é.txt"
  echo two >"写真/花見 😀.jpg"
  echo three >"a/.hidden"
  echo four >"a/two  blanks; semicolon, comma + plus = equals [brackets].txt"
  mkdir -p a/b/c/d/e/f/g/h/i/j
  echo deep >a/b/c/d/e/f/g/h/i/j/deep.txt
  n=0
  while [ $n -lt 24 ]; do
    head -c 9000 /dev/urandom >>one.bin
    head -c 9000 /dev/urandom >>other.bin
    sync
    n=$((n + 1))
  done
  n=0
  while [ $n -lt 60 ]; do
    echo gone >"many/gone $n"
    n=$((n + 1))
  done
  rm many/gone*
  echo start | dd of=holes.bin bs=1 2>/dev/null
  echo middle | dd of=holes.bin bs=1 seek=600000 conv=notrunc 2>/dev/null
  dd if=/dev/null of=holes.bin bs=1 seek=1500000 2>/dev/null
  # FAT and exFAT have no second names; everywhere else one must come about.
  case $type in
  vfat | exfat) ;;
  *) ln one.bin a/second-name.bin ;;
  esac
}

number=0
for volume in $volumes; do
  number=$((number + 1))
  type=${volume#*:}
  name=${volume%:*}
  options=ro
  [ $type = vfat ] && options=ro,utf8=1
  await /dev/nvme0n1p$number
  mount -t $type -o rw${options#ro} /dev/nvme0n1p$number /mnt
  (cd /mnt && fill)
  umount /mnt
  mount -t $type -o $options /dev/nvme0n1p$number /mnt
  (cd /mnt && find . -type f | sort | tr '\\n' '\\0' | xargs -0 sha256sum) >/share/kernel-$name.sums
  (cd /mnt && find . -type d) >/share/kernel-$name.folders
  umount /mnt
done
sync
mark filled
tell open open --drive /dev/nvme0n1 --to /dest --job /dest/job --owner "A. Tester" --technician "B. Tester" \\
  --symptom none --memory known-good --machine bench --must-have none
tell plan plan /dest/job
tell copy copy /dest/job
tell verify verify /dest/job
tell listed plan /dest/job --list
cd /dest/job/bag
tried sums sha256sum -c -s manifest-sha256.txt
cp manifest-sha256.txt /share/
cd /
"""


def run(machine, folder, checks):
    guest, parts, volumes = machine(), [], {}
    for name, (driver, make) in VOLUMES.items():
        if not guest.stock.has(driver):
            checks.skip(name, f"the kernel {guest.stock.modules.name} has no driver {driver}")
            continue
        volumes[name] = driver
        part = disks.empty(folder / name, (40 if name == "fat32" else 16) * disks.MIB)
        disks.ran([*make, part])
        parts.append((part, disks.LINUX_DATA if name == "ext4" else disks.BASIC_DATA))
    image = disks.table(folder / "drive", parts)
    guest.destination(disks.ext4(folder / "dest", 192 * disks.MIB)).image("drive", image)
    guest.load("nvme", "nls_cp437", "nls_iso8859_1", "nls_ascii", "nls_utf8", *sorted(set(volumes.values())))
    guest.add("-device", "nvme,id=nv,serial=RIG-KERNEL-0001,drive=drive")
    filled = {}

    def look(_):
        filled["digest"] = disks.digest(image)

    script = SCRIPT.replace("VOLUMES", " ".join(f"{name}:{driver}" for name, driver in volumes.items()))
    out = guest.run(script, {"filled": look}, limit=400)

    checks.same("the drive is as the kernel left it", disks.digest(image), filled.get("digest"))
    states = [volume["state"] for volume in out.result("plan")["volumes"]]
    checks.same("every volume was surveyed", states, ["surveyed"] * len(volumes))
    checks.same("every byte has its owner", out.result("plan")["unaccounted_bytes"], 0)
    copied = out.result("copy")
    checks.same("nothing damaged", (copied["damaged"], copied["unreadable"], copied["remaining"]), (0, 0, 0))
    checks.same("verified clean", out.result("verify")["mismatched"], [])
    checks.same("the bag's own sums hold", out.tried("sums")[0], 0)
    manifest = {line.split()[0] for line in (out.share / "manifest-sha256.txt").read_text().splitlines()}
    listing = out.result("listed")["listing"]
    for number, name in enumerate(volumes, 1):
        lines = (out.share / f"kernel-{name}.sums").read_text().splitlines()
        # sha256sum: 64 digits, two characters, the name.
        kernel = {line[66:].removeprefix("./"): line[:64] for line in lines}
        checks.that(f"{name}: the kernel shows what was filled in", len(kernel) >= 170, len(kernel))
        ours = [item for item in listing if item["volume"].endswith(f"volume{number}") and not item.get("stream")]
        files = {item["path"]: item.get("sha256") for item in ours if item["kind"] == "file"}
        differs = {path: (kernel.get(path), files.get(path)) for path in {*kernel, *files} if kernel.get(path) != files.get(path)}
        checks.same(f"{name}: the same files with the same content", differs, {})
        folders = {line.removeprefix("./") for line in (out.share / f"kernel-{name}.folders").read_text().splitlines()} - {"."}
        checks.same(f"{name}: the same folders", {item["path"] for item in ours if item["kind"] == "folder"} ^ folders, set())
        checks.same(f"{name}: all of it is in the bag", set(kernel.values()) - manifest, set())
    return out
