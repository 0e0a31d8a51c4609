"""XFS and Btrfs volumes that were never closed, mounted by the very commands that their open points print: what only their
journals hold is saved by a job on the mount, and the drive gets no write."""

import hashlib
import shutil

import disks
from machine import Trouble, untouched

FILL = """
destination
mkdir /x /b
mount -t xfs /dev/sda1 /x
mount -t btrfs /dev/sda2 /b
for at in /x /b; do
  mkdir $at/photos
  echo "long on the disk" >$at/photos/old.txt
done
sync
for at in /x /b; do
  head -c 300000 /dev/urandom >/tmp/new
  dd if=/tmp/new of=$at/photos/new.bin bs=64k conv=fsync 2>/dev/null
  sha256sum </tmp/new >/share/sum${at#/}
done
mark pulled
"""

SAVE = """
destination
# Nothing here makes nodes of volumes but dmsetup itself.
export DM_DISABLE_UDEV=1
who='--owner A.Tester --technician B.Tester --symptom none --memory known-good --must-have none'
await /dev/sda2
tell open open --drive /dev/sda --to /dest --job /dest/job --machine bench --policy practice $who
# As on a machine without a device mapper, where the program itself cannot mount XFS.
mv /dev/mapper/control /dev/mapper/away
tell plan plan /dest/job
mv /dev/mapper/away /dev/mapper/control
mark told
for volume in 1 2; do
  mkdir /tmp/scratch$volume
  tried up$volume /bin/sh /share/up$volume
  say mount$volume "$(grep /tmp/scratch$volume /proc/mounts)"
  tell open$volume open --folder /tmp/scratch$volume/mount --to /dest --job /dest/of$volume --machine bench $who
  for step in plan copy verify; do tell $step$volume $step /dest/of$volume; done
  tell listed$volume plan /dest/of$volume --list
  tried down$volume /bin/sh /share/down$volume
done
say left "$(ls /dev/mapper) $(cat /sys/block/loop*/loop/backing_file 2>/dev/null) $(ls /tmp/scratch1/overlay /tmp/scratch2/overlay 2>/dev/null)"
for volume in 1 2; do
  tell waive$volume waive /dest/job --volume 1:$volume --decided-by owner --how signed --name A.Tester --reason "saved by job of$volume"
done
tell after show /dest/job
"""


def commands(remedy, folder):
    """The commands of a remedy, the scratch folder filled in; the guest's only user is root."""
    lines = [line for line in remedy.splitlines() if line.startswith("sudo ")]
    return [line.removeprefix("sudo ").replace("SCRATCH", folder) for line in lines]


def run(machine, folder, checks):
    tools = {name: shutil.which(name) for name in ("sh", "dmsetup", "losetup", "mkfs.xfs", "mkfs.btrfs")}
    missing = [name for name, path in tools.items() if not path]
    if missing:
        checks.skip("all", f"not installed: {' '.join(missing)}")
        return None
    xfs = disks.empty(folder / "xfs", 64 * disks.MIB)
    # The smallest that it calls supported is five times as large.
    disks.ran(["mkfs.xfs", "-q", "--unsupported", xfs])
    btrfs = disks.empty(folder / "btrfs", 128 * disks.MIB)
    disks.ran(["mkfs.btrfs", "-q", btrfs])
    image = disks.table(folder / "drive", [(xfs, disks.LINUX_DATA), (btrfs, disks.LINUX_DATA)])
    destination = disks.ext4(folder / "dest", 96 * disks.MIB)

    def guest():
        new = machine().destination(destination)
        # Busybox has a shell that prefers its own losetup, which cannot do this.
        for tool in ("sh", "dmsetup", "losetup"):
            new.tool(tools[tool])
        new.load("virtio_scsi", "sd_mod", "sg", "loop", "dm_mod", "dm_snapshot", "xfs", "btrfs").image("drive", image)
        return new.add("-device", "virtio-scsi-pci,id=bus", "-device", "scsi-hd,bus=bus.0,drive=drive,serial=RIG-OVER-0001")

    try:
        guest().run(FILL, {"pulled": lambda channel: channel.ask("quit")})
        raise AssertionError("the first machine was not cut off")
    except Trouble as why:
        checks.that("cut off while both are mounted", "never came to its end" in str(why), why)
    before = disks.digest(image)
    out = None

    def write(_):
        import json

        for point in json.loads((folder / "share" / "plan.json").read_text())["open_points"]:
            for volume in "12":
                if point["id"] == "volume-unrecognised" and f"1:{volume} " in point["says"]:
                    up, down = commands(point["remedy"], f"/tmp/scratch{volume}")
                    (folder / "share" / f"up{volume}").write_text(up + "\n")
                    (folder / "share" / f"down{volume}").write_text(down + "\n")

    out = guest().run(SAVE, {"told": write}, limit=400)
    states = [volume["state"] for volume in out.result("plan")["volumes"]]
    checks.same("neither is read by the program itself", states, ["unrecognised", "unrecognised"])
    for volume, kind, name in (("1", "xfs", "x"), ("2", "btrfs", "b")):
        status, words = out.tried(f"up{volume}")
        checks.same(f"{kind}: the printed commands mount it", (status, words.strip()), (0, ""))
        checks.holds(f"{kind}: read-only, and nothing of it acts", out.said(f"mount{volume}"), kind, "ro,", "nosuid", "nodev", "noexec")
        checks.same(f"{kind}: verified", out.result(f"verify{volume}")["mismatched"], [])
        sums = {item["path"]: item.get("sha256") for item in out.result(f"listed{volume}")["listing"]}
        written = (out.share / f"sum{name}").read_text().split()[0]
        checks.same(f"{kind}: what only its journal knew of", sums.get("photos/new.bin"), written)
        old = hashlib.sha256(b"long on the disk\n").hexdigest()
        checks.same(f"{kind}: and what lay there", sums.get("photos/old.txt"), old)
        status, words = out.tried(f"down{volume}")
        checks.same(f"{kind}: the printed commands take it down", (status, words.strip()), (0, ""))
        out.result(f"waive{volume}")
    checks.same("nothing is left of it", out.said("left"), "control")
    checks.that("the journal of XFS was played", "Starting recovery" in out.dmesg())
    points = [point["id"] for point in out.document("after")["open_points"]]
    checks.that("both are settled in the drive's own job", "volume-unrecognised" not in points, points)
    untouched(out, checks, "drive")
    checks.same("the drive is as it was", disks.digest(image), before)
    return out
