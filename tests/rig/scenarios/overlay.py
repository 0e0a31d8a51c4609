"""An XFS volume that was never closed, mounted by the very commands that its open point prints: what only its journal holds is
saved by a job on the mount, and the drive gets no write."""

import hashlib
import shutil

import disks
from machine import Trouble, untouched

FILL = """
destination
mkdir /x
mount -t xfs /dev/sda1 /x
mkdir /x/photos
echo "long on the disk" >/x/photos/old.txt
sync
head -c 300000 /dev/urandom >/tmp/new
dd if=/tmp/new of=/x/photos/new.bin bs=64k conv=fsync 2>/dev/null
sha256sum </tmp/new >/share/sum
mark pulled
"""

SAVE = """
destination
# Nothing here makes nodes of volumes but dmsetup itself.
export DM_DISABLE_UDEV=1
who='--owner A.Tester --technician B.Tester --symptom none --memory known-good --must-have none'
await /dev/sda1
tell open open --drive /dev/sda --to /dest --job /dest/job --machine bench --policy practice $who
# As on a machine without a device mapper, where the program itself cannot mount XFS.
mv /dev/mapper/control /dev/mapper/away
tell plan plan /dest/job
mv /dev/mapper/away /dev/mapper/control
mark told
mkdir /tmp/scratch
tried up /bin/sh /share/up
say mount "$(grep /tmp/scratch /proc/mounts)"
tell open-it open --folder /tmp/scratch/mount --to /dest --job /dest/of-it --machine bench $who
tell plan-it plan /dest/of-it
for step in copy verify; do tell $step $step /dest/of-it; done
tell listed plan /dest/of-it --list
tried down /bin/sh /share/down
say left "$(ls /dev/mapper) $(cat /sys/block/loop*/loop/backing_file 2>/dev/null) $(ls /tmp/scratch/overlay 2>/dev/null)"
tell waive waive /dest/job --volume 1:1 --decided-by owner --how signed --name A.Tester --reason "saved by job of-it"
tell after show /dest/job
"""


def commands(remedy, folder):
    """The commands of a remedy, the scratch folder filled in; the guest's only user is root."""
    lines = [line for line in remedy.splitlines() if line.startswith("sudo ")]
    return [line.removeprefix("sudo ").replace("SCRATCH", folder) for line in lines]


def run(machine, folder, checks):
    tools = {name: shutil.which(name) for name in ("sh", "dmsetup", "losetup", "mkfs.xfs")}
    missing = [name for name, path in tools.items() if not path]
    if missing:
        checks.skip("all", f"not installed: {' '.join(missing)}")
        return None
    xfs = disks.empty(folder / "xfs", 64 * disks.MIB)
    # The smallest that it calls supported is five times as large.
    disks.ran(["mkfs.xfs", "-q", "--unsupported", xfs])
    image = disks.table(folder / "drive", [(xfs, disks.LINUX_DATA)])
    destination = disks.ext4(folder / "dest", 96 * disks.MIB)

    def guest():
        new = machine().destination(destination)
        # Busybox has a shell that prefers its own losetup, which cannot do this.
        for tool in ("sh", "dmsetup", "losetup"):
            new.tool(tools[tool])
        new.load("virtio_scsi", "sd_mod", "sg", "loop", "dm_mod", "dm_snapshot", "xfs").image("drive", image)
        return new.add("-device", "virtio-scsi-pci,id=bus", "-device", "scsi-hd,bus=bus.0,drive=drive,serial=RIG-OVER-0001")

    try:
        guest().run(FILL, {"pulled": lambda channel: channel.ask("quit")})
        raise AssertionError("the first machine was not cut off")
    except Trouble as why:
        checks.that("cut off while it is mounted", "never came to its end" in str(why), why)
    before = disks.digest(image)
    out = None

    def write(_):
        import json

        for point in json.loads((folder / "share" / "plan.json").read_text())["open_points"]:
            if point["id"] == "volume-unrecognised":
                up, down = commands(point["remedy"], "/tmp/scratch")
                (folder / "share" / "up").write_text(up + "\n")
                (folder / "share" / "down").write_text(down + "\n")

    out = guest().run(SAVE, {"told": write}, limit=400)
    states = [volume["state"] for volume in out.result("plan")["volumes"]]
    checks.same("it is not read by the program itself", states, ["unrecognised"])
    status, words = out.tried("up")
    checks.same("the printed commands mount it", (status, words.strip()), (0, ""))
    checks.holds("read-only, and nothing of it acts", out.said("mount"), "xfs", "ro,", "nosuid", "nodev", "noexec")
    checks.same("verified", out.result("verify")["mismatched"], [])
    sums = {item["path"]: item.get("sha256") for item in out.result("listed")["listing"]}
    written = (out.share / "sum").read_text().split()[0]
    checks.same("what only its journal knew of", sums.get("photos/new.bin"), written)
    old = hashlib.sha256(b"long on the disk\n").hexdigest()
    checks.same("and what lay there", sums.get("photos/old.txt"), old)
    status, words = out.tried("down")
    checks.same("the printed commands take it down", (status, words.strip()), (0, ""))
    out.result("waive")
    checks.same("nothing is left of it", out.said("left"), "control")
    checks.that("the journal was played", "Starting recovery" in out.dmesg())
    points = [point["id"] for point in out.document("after")["open_points"]]
    checks.that("it is settled in the drive's own job", "volume-unrecognised" not in points, points)
    untouched(out, checks, "drive")
    checks.same("the drive is as it was", disks.digest(image), before)
    return out
