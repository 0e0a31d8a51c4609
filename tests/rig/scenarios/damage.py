"""Bad sectors under an ext4 and an NTFS volume: they are missing, the neighbour file is whole, and the program says
so, file by file and byte by byte.

On NTFS the gap is exactly the bad sectors. On ext the library that reads it fetches 32 KiB at a time, so a bad sector
takes good ones before it along: there the gap must hold the bad sectors, stay within that bound, and all else be right.
"""

import disks

AHEAD = 32 << 10

# Blocks of the damaged files that cannot be read: two alone, two side by side.
BAD = [3, 40, 41, 200]
BLOCKS = 400

SCRIPT = """
await /dev/nvme0n1p2
destination
tell open open --drive /dev/nvme0n1 --to /dest --job /dest/job --owner "A. Tester" --technician "B. Tester" \
  --symptom none --memory known-good --machine bench --must-have none
tell plan plan /dest/job --list
tell copy copy /dest/job
tell again copy /dest/job
tell verify verify /dest/job
tell listed plan /dest/job --list
tell release release /dest/job
cp -r /dest/job/bag /share/bag
"""


def run(machine, folder, checks):
    content = {f"{part}-{name}.bin": disks.named(f"{part}-{name}", BLOCKS) for part in ("e", "n") for name in ("broken", "whole")}
    ext = folder / "content"
    ext.mkdir()
    for name in ("e-broken.bin", "e-whole.bin"):
        (ext / name).write_bytes(content[name])
    parts = [
        (disks.ext4(folder / "ext", 12 * disks.MIB, ext), disks.LINUX_DATA),
        (disks.ntfs(folder / "ntfs", 12 * disks.MIB, {n: content[n] for n in ("n-broken.bin", "n-whole.bin")}), disks.BASIC_DATA),
    ]
    image = disks.table(folder / "drive", parts)
    sectors = [disks.where(image, f"{part}-broken", block) for part in ("e", "n") for block in BAD]
    guest = machine().load("nvme").destination(disks.ext4(folder / "dest", 160 * disks.MIB))
    guest.image_with_faults("drive", image, sectors, 5)
    guest.add("-device", "nvme,id=nv,serial=RIG-DAMAGE-0001,drive=drive")
    out = guest.run(SCRIPT, limit=420)

    checks.holds("the kernel did see bad sectors", out.dmesg(), "critical medium error")
    copied = out.result("copy")
    again = out.document("again")
    checks.same("two files damaged", copied["damaged"], 2)
    checks.same("none lost whole", copied["unreadable"], 0)
    checks.that("a second copy can be asked for", out.status("again") in (0, 4), again)
    listing = {item["path"].rsplit("/", 1)[-1]: item for item in out.result("listed")["listing"]}
    missing = [[3 * 512, 512], [40 * 512, 1024], [200 * 512, 512]]
    for name, data in content.items():
        item = listing.get(name, {})
        broken = "broken" in name
        told = item.get("missing") or []
        if broken and name.startswith("e"):
            lost = {at for first, length in told for at in range(first, first + length)}
            bad = [at for first, length in missing for at in range(first, first + length)]
            near = {at for first, length in missing for at in range(max(0, first - AHEAD), first + length + 4096)}
            checks.that(f"{name}: the gap holds the bad sectors", lost.issuperset(bad), told)
            checks.that(f"{name}: and nothing far from them", lost <= near, told)
        else:
            checks.same(f"{name}: missing ranges", told, missing if broken else [])
        found = [path for path in out.share.joinpath("bag").rglob(name) if path.is_file()]
        if not broken:
            checks.that(f"{name}: the same bytes in the bag", len(found) == 1 and found[0].read_bytes() == data, found)
            checks.that(f"{name}: counts as copied", item.get("state") in ("copied", "verified"), item.get("state"))
            continue
        checks.same(f"{name}: is called damaged", item.get("state"), "damaged")
        want = bytearray(data)
        for at, length in told:
            want[at : at + length] = bytes(length)
        checks.that(f"{name}: everything but the gap is right", len(found) == 1 and found[0].read_bytes() == want, found)
    # Damage is never signed off unseen.
    checks.same("no release with damage", out.status("release"), 3)
    points = {point["id"]: point for point in out.document("release")["open_points"]}
    checks.that("damage is an open point", any("damaged" in name for name in points), sorted(points))
    return out
