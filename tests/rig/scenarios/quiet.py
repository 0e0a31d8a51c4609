"""Nothing is ever written to the drive on hold: the kernel counts no write, flush or discard, and the image is
the same to the last bit, from `open` to the copy of an NTFS volume whose every file comes out right."""

import hashlib

import disks
from machine import untouched

SCRIPT = """
await /dev/nvme0n1p1
destination
stat() { say "stat-$1" "$(cat /sys/block/nvme0n1/stat)"; }
stat before
tell open open --drive /dev/nvme0n1 --to /dest --job /dest/job --owner "A. Tester" --technician "B. Tester" \
  --symptom none --memory known-good --machine bench --must-have none
stat open
tell assess assess /dest/job
stat assess
tell plan plan /dest/job --list
stat plan
tell copy copy /dest/job
stat copy
tell verify verify /dest/job
tell release release /dest/job
stat after
tell health assess /dest/job --no-sampling
cp -r /dest/job/bag /share/bag
"""


def files():
    """Sizes around what a table record, a cluster and a piece of a read hold."""
    sizes = {"empty": 0, "resident": 100, "one-sector": 512, "odd": 70_001, "large": 3 * disks.MIB + 77}
    return {f"{name}.bin": disks.named(name, size // 512 + 1)[:size] for name, size in sizes.items()}


def run(machine, folder, checks):
    content = files()
    part = disks.ntfs(folder / "part", 24 * disks.MIB, content)
    image = disks.table(folder / "drive", [(part, disks.BASIC_DATA)])
    before = disks.digest(image)
    guest = machine().load("nvme").destination(disks.ext4(folder / "dest", 96 * disks.MIB)).image("drive", image)
    guest.add("-device", "nvme,id=nv,serial=RIG-QUIET-0001,drive=drive")
    out = guest.run(SCRIPT)

    # Documentation/block/stat.rst: 4 and 6 writes and their sectors, 11 and 13 discards, 15 flushes (counted from 0).
    def counted(name):
        numbers = [int(word) for word in out.said(f"stat-{name}").split()]
        return {"reads": numbers[0], "writes": numbers[4], "sectors": numbers[6], "discards": numbers[11], "flushes": numbers[15]}

    for name in ("open", "assess", "plan", "copy", "after"):
        seen = counted(name)
        checks.same(f"nothing written up to {name}", {**seen, "reads": 0}, dict.fromkeys(seen, 0))
    checks.that("the copy did read the drive", counted("copy")["reads"] > counted("before")["reads"], counted("copy"))
    checks.same("the image is the same to the last bit", disks.digest(image), before)
    untouched(out, checks, "drive")
    decoded = out.result("health")["drives"][0]["reading"]["decoded"]
    checks.same("the drive itself counts no write", decoded["host_write_commands"], "0")

    listing = {item["path"]: item for item in out.result("plan")["listing"]}
    for name, data in content.items():
        item = listing.get(name, {})
        checks.same(f"{name}: listed with its size", item.get("bytes"), len(data))
        found = list((out.share / "bag" / "data").rglob(name))
        checks.that(f"{name}: once in the bag", len(found) == 1, found)
        checks.that(f"{name}: the same bytes", found and found[0].read_bytes() == data)
    copied = out.result("copy")
    checks.same("nothing damaged", (copied["damaged"], copied["unreadable"], copied["remaining"]), (0, 0, 0))
    checks.same("verified clean", out.result("verify")["mismatched"], [])
    manifest = (out.share / "bag" / "manifest-sha256.txt").read_text()
    for name, data in content.items():
        checks.holds(f"{name}: its true digest stands in the manifest", manifest, hashlib.sha256(data).hexdigest())
    checks.that("release answers", out.status("release") in (0, 3), out.document("release"))
    return out
