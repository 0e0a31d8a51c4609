"""A stick with less room than it claims: what is written beyond its true end falls on what lies behind its file tables.
Copies that were hit are found by reading back; a stick that is full to its true end by then is not hit by the release."""

import shutil

import disks

CLAIMED = 64 * disks.MIB
TRUE = 16 * disks.MIB
# Beyond the file tables, where the copies lie.
LANDS = 2 * disks.MIB

SCRIPT = """
await /dev/vdc
destination
mkdir /source /small /stick
mount -t ext4 -o ro /dev/vdc /source
# table END: what is written from sector END on lands where the copies begin.
table() {
  echo "0 $1 linear /dev/vdb 0"
  local at=$1 count=$(($1 - LANDS_SECTORS))
  while [ "$at" -lt CLAIMED_SECTORS ]; do
    if [ $((at + count)) -gt CLAIMED_SECTORS ]; then count=$((CLAIMED_SECTORS - at)); fi
    echo "$at $count linear /dev/vdb LANDS_SECTORS"
    at=$((at + count))
  done
}
stick() { mount -t vfat -o flush,utf8=1 /dev/mapper/stick /stick; }
table TRUE_SECTORS >/table
dmsetup create --noudevrules --noudevsync stick </table
if [ ! -e /dev/mapper/stick ]; then mkdir -p /dev/mapper; ln -s /dev/dm-0 /dev/mapper/stick; fi
stick
# job NAME FOLDER HOME: as far as the reading back.
job() {
  tell "$1-open" open --folder "$2" --to /dest --to /stick --job "$3/$1" --owner "A. Tester" \\
    --technician "B. Tester" --symptom none --memory known-good --machine bench --must-have none
  for step in assess plan copy verify; do tell "$1-$step" $step "$3/$1"; done
}

job small /source/small /stick
tell small-inspect inspect /stick/small
for point in health-unread scope-folder; do
  tell "small-$point" waive /stick/small --point $point --reason trial --decided-by owner --name A.Tester --how signed
done
sync
mark full
table "$(cat /share/true-end)" >/table
dmsetup suspend --nolockfs --noudevsync stick
dmsetup reload stick </table
dmsetup resume --noudevrules --noudevsync stick
tell small-release release /stick/small --second-look "Carla Drittmann"
sync
umount /stick
echo 3 >/proc/sys/vm/drop_caches
stick
(cd /source/small && sha256sum * | sort -k 2) >/small.sums
home=$(dirname "$(find /stick -name bagit.txt)")
(cd "$home/data/folder" && sha256sum * | sort -k 2) >/stick.sums
tried same cmp /small.sums /stick.sums
say count "$(wc -l </small.sums)"
tell small-again verify /stick/small

umount /stick
dmsetup remove --noudevrules --noudevsync stick
table TRUE_SECTORS >/table
dmsetup create --noudevrules --noudevsync stick </table
stick
job large /source/large /dest
tell large-release release /dest/large --second-look "Carla Drittmann"
"""


def run(machine, folder, checks):
    dmsetup = shutil.which("dmsetup")
    if not dmsetup:
        checks.skip("all", "dmsetup is not installed")
        return None
    content = folder / "content"
    for name, files in (("small", 12), ("large", 44)):
        (content / name).mkdir(parents=True)
        for number in range(files):
            data = disks.named(f"{name}{number:02}", 1000)
            (content / name / f"{name}{number:02}.txt").write_bytes(data)
    whole = disks.empty(folder / "whole", CLAIMED)
    disks.ran(["mkfs.vfat", "-F", 16, "-s", 4, "-n", "RIG", whole])
    stick = folder / "stick"
    stick.write_bytes(whole.read_bytes()[:TRUE])
    guest = machine().destination(disks.ext4(folder / "dest", 128 * disks.MIB)).tool(dmsetup)
    guest.load("dm_mod", "vfat", "nls_cp437", "nls_iso8859_1", "nls_ascii", "nls_utf8")
    guest.image("stick", stick)
    guest.add("-device", "virtio-blk-pci,drive=stick,serial=RIGSTICK")
    guest.image("source", disks.ext4(folder / "source", 64 * disks.MIB, content))
    guest.add("-device", "virtio-blk-pci,drive=source,serial=RIGSOURCE")

    def full(_):
        used = len(stick.read_bytes().rstrip(b"\0"))
        end = -(-used // 2048) * 2048
        (folder / "share" / "true-end").write_text(str(end // disks.SECTOR))

    words = {"CLAIMED_SECTORS": CLAIMED, "TRUE_SECTORS": TRUE, "LANDS_SECTORS": LANDS}
    script = SCRIPT
    for word, size in words.items():
        script = script.replace(word, str(size // disks.SECTOR))
    out = guest.run(script, {"full": full}, limit=300)

    checks.same("what fits is read back as it was", out.result("small-verify")["mismatched"], [])
    checks.same("a stick that is full to its true end is released", out.result("small-release", out.status("small-release"))["state"], "released")
    checks.same("twelve copies", out.said("count"), "12")
    checks.same("and the release hit none of them", out.tried("same")[0], 0)
    checks.same("as a second reading back finds", out.result("small-again")["mismatched"], [])

    checks.that("copies beyond the true end", out.status("large-copy") in (0, 4), out.document("large-copy"))
    checks.same("are found out", out.status("large-verify"), 1)
    told = out.document("large-verify")
    found = told["result"]["mismatched"] + told["result"]["missing"]
    checks.that("by name, at the stick", found and all(at["destination"].startswith("/stick") for at in found), told)
    checks.same("and nothing is released", out.status("large-release"), 3)
    return out
