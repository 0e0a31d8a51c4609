"""A packed Btrfs volume with a subvolume and a snapshot, pulled out of a running machine: what only its log holds is copied, the
drive gets no write, nothing is left of the mount that applies the log, and what is written later shows."""

import shutil

import disks
from machine import Trouble, untouched

FILL = """
destination
mkdir /x
mount -t btrfs -o compress-force=zstd,commit=300 /dev/sda1 /x
/bin/btrfs subvolume create /x/home >/dev/null
mkdir /x/home/photos /x/home/many
n=0
while [ $n -lt 300 ]; do
  echo "small file $n" >/x/home/many/$n.txt
  n=$((n + 1))
done
n=0
while [ $n -lt 9000 ]; do
  echo "a line of the letters that somebody kept, $n"
  n=$((n + 1))
done >/x/home/letters.txt
head -c 200000 /dev/urandom >/x/home/photos/old.bin
echo "long on the disk" >/x/home/photos/old.txt
/bin/cp --reflink=always /x/home/letters.txt /x/home/twin.txt
ln /x/home/photos/old.bin /x/home/same.bin
ln -s photos/old.txt /x/home/link
/bin/setfattr -n user.origin -v camera /x/home/photos/old.txt
chown 1234:567 /x/home/photos/old.txt
chmod 640 /x/home/photos/old.txt
touch -d '2019-06-01 10:00:00' /x/home/photos/old.txt
/bin/btrfs subvolume snapshot -r /x/home /x/before >/dev/null
echo "short now" >/x/home/letters.txt
sync
# From here on the newest state is in the log alone.
echo "and one line more" >>/x/home/twin.txt
dd if=/dev/null of=/x/home/twin.txt conv=notrunc,fsync 2>/dev/null
head -c 60000 /dev/urandom >/tmp/new
dd if=/tmp/new of=/x/home/photos/new.bin bs=64k conv=fsync 2>/dev/null
dd if=/x/home/many/7.txt of=/x/home/new.txt conv=fsync 2>/dev/null
(cd /x && find . -type f -exec sha256sum {} + | sort -k2) >/share/sums
mark pulled
"""

SAVE = """
destination
mkdir /shelf
mount -t ext4 /dev/vdb /shelf
await /dev/sda1
who='--owner A.Tester --technician B.Tester --symptom none --memory known-good --must-have none'
waive='--reason trial --decided-by owner --name A.Tester --how signed'
left() { say "$1" "$(ls /sys/block | grep dm- || :) $(cat /sys/block/loop*/loop/backing_file 2>/dev/null || :) $(grep btrfs /proc/mounts || :)"; }
tell open open --drive /dev/sda --to /dest --to /shelf --job /dest/job --machine bench $who
tell assess assess /dest/job
# As on a machine without a device mapper: the log is not applied, and that is told.
mv /dev/mapper/control /dev/mapper/away
tell without plan /dest/job
mv /dev/mapper/away /dev/mapper/control
tell plan plan /dest/job --list
left planned
for step in copy verify inspect assess; do tell $step $step /dest/job; done
tell held release /dest/job
for point in $(grep -oE '"id": ?"[a-z-]+"' /share/held.json | cut -d'"' -f4 | sort -u); do
  case $point in second-look*) continue ;; esac
  tell "waive-$point" waive /dest/job --point "$point" $waive
done
tell release release /dest/job --second-look "Carla Drittmann"
tell recheck recheck /dest/job
mkdir /shelf/back
tell back put-back /dest/job --to /shelf/back
top=/shelf/back
for below in /shelf/back/*/home; do [ -d "$below" ] && top=${below%/home}; done
(cd $top && find . -type f -exec sha256sum {} + | sort -k2) >/share/back
say origin "$(/bin/getfattr --only-values -n user.origin $top/home/photos/old.txt)"
say worn "$(stat -c '%a %u:%g %Y' $top/home/photos/old.txt)"
say inodes "$(stat -c %i $top/home/same.bin) $(stat -c %i $top/before/same.bin)"
left end
"""

# Somebody starts the old system: its own mount applies the log.
LATER = """
destination
mkdir /shelf /x
mount -t ext4 /dev/vdb /shelf
await /dev/sda1
tell before recheck /dest/job
blockdev --setrw /dev/sda
mount -t btrfs /dev/sda1 /x
umount /x
tell after recheck /dest/job
"""


def run(machine, folder, checks):
    names = ("btrfs", "cp", "getfattr", "mkfs.btrfs", "setfattr")
    tools = {name: shutil.which(name) for name in names}
    missing = [name for name, path in tools.items() if not path]
    if missing:
        checks.skip("all", f"not installed: {' '.join(missing)}")
        return None
    volume = disks.empty(folder / "btrfs", 160 * disks.MIB)
    disks.ran(["mkfs.btrfs", "-q", "-L", "holiday", volume])
    image = disks.table(folder / "drive", [(volume, disks.LINUX_DATA)])
    destination = disks.ext4(folder / "dest", 96 * disks.MIB)
    shelf = disks.ext4(folder / "shelf", 96 * disks.MIB)

    def guest():
        new = machine().destination(destination).image("shelf", shelf)
        for name in ("btrfs", "cp", "getfattr", "setfattr"):
            new.tool(tools[name])
        new.load("virtio_scsi", "sd_mod", "sg", "loop", "dm_mod", "dm_snapshot", "btrfs").image("drive", image)
        new.add("-device", "virtio-blk-pci,drive=shelf,serial=RIGSHELF")
        return new.add("-device", "virtio-scsi-pci,id=bus", "-device", "scsi-hd,bus=bus.0,drive=drive,serial=RIG-BTRFS-001")

    try:
        guest().run(FILL, {"pulled": lambda channel: channel.ask("quit")})
        raise AssertionError("the first machine was not cut off")
    except Trouble as why:
        if not checks.that("cut off while it is mounted", "never came to its end" in str(why), why):
            return None
    before = disks.digest(image)
    out = guest().run(SAVE, limit=600)

    def sums(name):
        lines = (out.share / name).read_bytes().splitlines()
        return {line[66:]: line[:64].decode() for line in lines}

    wrote = sums("sums")
    checks.that("the first machine wrote everything", len(wrote) == 2 * 305 + 2, len(wrote))
    without = out.document("without")
    points = {point["id"]: point for point in without["open_points"]}
    told = points.get("volume-partly-surveyed", {})
    checks.holds("without a mount the log is an open point", told.get("evidence", ""), "journal-not-applied")
    checks.holds("with a way on", told.get("remedy", ""), "holdpoint plan")
    plan = out.document("plan")
    seen = plan["result"]["volumes"][0]
    checks.same("the volume is read by the program itself", (seen["state"], seen["kind"]), ("surveyed", "Btrfs"))
    checks.holds("and who applied its log is said", seen["rule"], "kernel's driver", "records listed")
    about = [point for point in plan["open_points"] if point["id"].startswith(("volume", "accounts", "damaged"))]
    checks.same("nothing of it is left open", about, [])
    for when in ("planned", "end"):
        checks.same(f"{when}: nothing is left of the mount", out.said(when), "")
    listed = {b"./" + item["path"].encode() for item in plan["result"]["listing"] if item["kind"] == "file"}
    checks.same("every file is listed, and no other", listed, set(wrote))
    checks.same("verified", (out.result("verify")["mismatched"], out.result("verify")["missing"]), ([], []))
    out.result("release")
    checks.same("the release holds while nothing moves", out.result("recheck")["holds"], True)
    checks.same("put back, every byte is what was written", sums("back"), wrote)
    checks.same("attributes", out.said("origin"), "camera")
    checks.same("mode, owner, time", out.said("worn"), "640 1234:567 1559383200")
    one, other = out.said("inodes").split()
    checks.same("what a snapshot has unchanged is one file", one, other)
    untouched(out, checks, "drive")
    checks.same("the drive is as it was", disks.digest(image), before)
    later = guest().run(LATER)
    checks.same("on another day it still holds", later.result("before")["holds"], True)
    after = later.result("after", 3)
    checks.that("a start of the old system shows, though no file changed", not after["holds"], after)
    return out
