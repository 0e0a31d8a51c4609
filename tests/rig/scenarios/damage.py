"""Bad sectors under ext4 and NTFS, on NVMe and on SCSI: they are missing, the neighbour file is whole, and the program
says so, file by file and byte by byte. A file of which nothing can be read is no copy, and one whose table record
cannot be read is not passed over in silence.

The gap is exactly the bad sectors, on ext as on NTFS, and all else must be right. The read speed's
sample meets an error, so the route is salvage: no sector in hand is asked for again, not after the copy was killed either, and
what was refused is asked a few times, as the emulator counts.
"""

import errno
import sqlite3

import disks
from machine import counts, untouched

# Blocks of the damaged files that cannot be read: two alone, two side by side.
BAD = [3, 40, 41, 200]
BLOCKS = 400
# The file of which every block is bad.
LOST = 16

SCRIPT = """
await /dev/nvme0n1p2
await /dev/sda1
destination
tell open open --drive /dev/nvme0n1 --drive /dev/sda --to /dest --job /dest/job --owner "A. Tester" \
  --technician "B. Tester" --symptom none --memory known-good --machine bench --must-have none
tell plan plan /dest/job --list
tell first assess /dest/job
mark planned
HOLD_LIMIT=6 tell cut copy /dest/job
tell copy copy /dest/job
mark copied
tell again copy /dest/job
mark asked-again
tell verify verify /dest/job
tell listed plan /dest/job --list
tell assess assess /dest/job
tell release release /dest/job
cp -r /dest/job/bag /share/bag
cp /dest/job/ledger.db /share/ledger.db
ls /dest/job/salvage >/share/salvage.said
"""


def record(image, name):
    """The two sectors of the file's record in the table of an NTFS volume ([MS-FSCC] has the names; a record begins
    with FILE, tells its number at byte 44, and holds its name in UTF-16)."""
    data, at, found = image.read_bytes(), 0, []
    while (at := data.find(b"FILE", at)) >= 0:
        here = data[at : at + 1024]
        # The first 24 records are the volume's own; the root folder's holds names of others.
        if at % 1024 == 0 and int.from_bytes(here[44:48], "little") >= 24 and name.encode("utf-16-le") in here:
            found.append(at // disks.SECTOR)
        at += 4
    if len(found) != 1:
        raise RuntimeError(f"{name} has {len(found)} records in {image}")
    return [found[0], found[0] + 1]


def salvage(out, checks, failed, sectors):
    """What was asked of the drives, as the ledger and the emulator have it."""
    # The sample meets the errors of one drive; those of the other one are met on the way.
    routes = [drive["forecast"]["route"] for drive in out.result("first")["drives"]]
    checks.same("the routes before the copy", routes, ["salvage", "ordinary"])
    checks.that("the copy was killed, or was done before", out.status("cut") in (0, 137), out.status("cut"))
    checks.that("the image lies beside the bag", "drive-1-0001.extents" in out.said("salvage"), out.said("salvage"))
    ledger = sqlite3.connect(out.share / "ledger.db")
    for drive in (0, 1):
        rows = ledger.execute("SELECT first, count FROM range WHERE drive = ? AND state = 'in-hand' ORDER BY first", [drive])
        rows = rows.fetchall()
        twice = [pair for pair in zip(rows, rows[1:]) if sum(pair[0]) > pair[1][0]]
        checks.same(f"drive {drive}: no sector in hand was asked for again", twice, [])
    rows = ledger.execute("SELECT first, count, state FROM range WHERE drive = 0").fetchall()
    held = [sector for sector in sectors if any(f <= sector < f + n and state == "in-hand" for f, n, state in rows)]
    checks.same("no bad sector is in hand", held, [])
    alone = {sector: sum((f, n, state) == (sector, 1, "refused") for f, n, state in rows) for sector in sectors[:-2]}
    # When it was found, after a rest, and by the second copy where nothing of the file could be read.
    checks.that("a refused sector is asked alone three times at most", max(alone.values()) <= 3, alone)
    # Of the other drive both files may be handed out before its first error is told.
    held = ledger.execute("SELECT count(*) FROM range WHERE drive = 0 AND state = 'in-hand'").fetchone()[0]
    checks.that("the weak drive was read through the image", held > 0, held)
    before, copied, again = (failed[name] for name in ("planned", "copied", "asked-again"))
    for node, bad in (("drive", len(sectors)), ("scsi", len(BAD))):
        # Halving down to it takes ten requests at most, and the kernel makes up to six of each.
        cost = copied[node] - before[node]
        checks.that(f"{node}: the emulator counts few failed requests", 0 < cost <= 6 * 10 * bad, cost)
    checks.that("the second copy asks what is lost once more", again["drive"] - copied["drive"] <= 6 * LOST, again)
    checks.same("and nothing else", again["scsi"] - copied["scsi"], 0)


def run(machine, folder, checks):
    content = {
        f"{part}-{name}.bin": disks.named(f"{part}-{name}", BLOCKS) for part in ("e", "n", "s") for name in ("broken", "whole")
    }
    ext = folder / "content"
    ext.mkdir()
    for name in ("e-broken.bin", "e-whole.bin"):
        (ext / name).write_bytes(content[name])
    more = {"n-lost.bin": disks.named("n-lost", LOST), "n-nameless.bin": disks.named("n-nameless", LOST)}
    ntfs = {part: {n: data for n, data in content.items() if n.startswith(part)} for part in ("n", "s")}
    parts = [
        (disks.ext4(folder / "ext", 12 * disks.MIB, ext), disks.LINUX_DATA),
        (disks.ntfs(folder / "ntfs", 12 * disks.MIB, {**ntfs["n"], **more}), disks.BASIC_DATA),
    ]
    image = disks.table(folder / "drive", parts)
    second = disks.table(folder / "scsi", [(disks.ntfs(folder / "more", 12 * disks.MIB, ntfs["s"]), disks.BASIC_DATA)])
    sectors = [disks.where(image, f"{part}-broken", block) for part in ("e", "n") for block in BAD]
    sectors += [disks.where(image, "n-lost", block) for block in range(LOST)]
    sectors += record(image, "n-nameless.bin")
    guest = machine().load("nvme", "virtio_scsi", "sd_mod", "sg").destination(disks.ext4(folder / "dest", 160 * disks.MIB))
    guest.image_with_faults("drive", image, sectors, errno.EIO)
    guest.image_with_faults("scsi", second, [disks.where(second, "s-broken", block) for block in BAD], errno.ENODATA)
    guest.add("-device", "nvme,id=nv,serial=RIG-DAMAGE-0001,drive=drive")
    guest.add("-device", "virtio-scsi-pci,id=bus", "-device", "scsi-hd,bus=bus.0,drive=scsi,serial=RIG-DAMAGE-0002")
    before = [disks.digest(image), disks.digest(second)]
    failed = {}

    def count(name):
        def note(channel):
            failed[name] = {node: told["failed_rd_operations"] for node, told in counts(channel).items()}

        return note

    marks = {name: count(name) for name in ("planned", "copied", "asked-again")}
    out = guest.run(SCRIPT, on_mark=marks, limit=600)

    checks.holds("the kernel did see bad sectors", out.dmesg(), "critical medium error")
    copied = out.result("copy")
    again = out.document("again")
    checks.same("three files damaged", copied["damaged"], 3)
    checks.same("two lost whole", copied["unreadable"], 2)
    checks.that("a second copy can be asked for", out.status("again") in (0, 4), again)
    listing = {item["path"].rsplit("/", 1)[-1]: item for item in out.result("listed")["listing"]}
    missing = [[3 * 512, 512], [40 * 512, 1024], [200 * 512, 512]]
    for name, data in content.items():
        item = listing.get(name, {})
        broken = "broken" in name
        told = item.get("missing") or []
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
    # Errors that were met on the way count: what is left is asked for gently.
    routes = [drive["forecast"]["route"] for drive in out.result("assess")["drives"]]
    checks.same("the route after it, for both drives", routes, ["salvage", "salvage"])
    salvage(out, checks, failed, sectors)
    # Damage is never signed off unseen.
    checks.same("no release with damage", out.status("release"), 3)
    points = {point["id"]: point for point in out.document("release")["open_points"]}
    checks.same("damage is an open point", points.get("damaged-items", {}).get("count"), 3)
    checks.same("and what is lost", points.get("unreadable-items", {}).get("count"), 2)
    # Of the second one the very record is unreadable: its name stands in the index of its folder.
    for name in ("n-lost.bin", "n-nameless.bin"):
        lost = listing.get(name, {})
        checks.same(f"nothing of {name} could be read", lost.get("state"), "unreadable")
        checks.same(f"and no copy of {name} is pretended", list(out.share.joinpath("bag").rglob(name)), [])
    volumes = {(volume["drive"][-4:], volume["index"]): volume for volume in out.result("plan")["volumes"]}
    told = [volumes[key]["rule"] for key in (("0001", 1), ("0001", 2), ("0002", 1))]
    checks.same("an unreadable record is counted", told, ["13 of 13 records listed", "22 of 23 records listed", "21 of 21 records listed"])
    checks.same("with all bytes that nobody owns", out.result("plan")["unaccounted_bytes"], LOST * disks.SECTOR)
    checks.that("which is an open point", "volume-partly-surveyed" in points, sorted(points))
    checks.same("no byte of the drives changed", [disks.digest(image), disks.digest(second)], before)
    untouched(out, checks, "drive", "scsi")
    return out
