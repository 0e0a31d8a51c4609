"""An XFS volume that was never closed, surveyed by a mount above a scratch and then read like any other: what only its log holds
is copied, the drive gets no write, nothing is left of the mount however the survey ends, and what is written later shows."""

import shutil

import disks
from machine import Trouble, untouched

MANY = 300

FILL = f"""
destination
mkdir /x
mount -t xfs /dev/sda1 /x
mkdir /x/photos /x/many /x/deep
n=0
while [ $n -lt {MANY} ]; do
  echo "small file $n" >/x/many/$n.txt
  n=$((n + 1))
done
echo "long on the disk" >/x/photos/old.txt
echo "was longer once, and is long on the disk" >/x/photos/cut.txt
sync
# The shell prefers what is built into it, which knows less: hence the paths.
# From here on the newest state is in the log alone.
head -c 60000 /dev/urandom >/tmp/new
dd if=/tmp/new of=/x/photos/new.bin bs=64k conv=fsync 2>/dev/null
/bin/cp --reflink=always /x/photos/new.bin /x/photos/twin.bin
head -c 8192 /dev/urandom | dd of=/x/photos/twin.bin bs=4096 seek=7 conv=notrunc,fsync 2>/dev/null
dd if=/tmp/new of=/x/sparse.bin bs=4096 count=3 seek=200 conv=fsync 2>/dev/null
/bin/fallocate -l 200000 /x/set-aside.bin
dd if=/tmp/new of=/x/set-aside.bin bs=4096 count=2 seek=4 conv=notrunc,fsync 2>/dev/null
/bin/fallocate -n -l 500000 /x/photos/old.txt
echo cut >/x/photos/cut.txt
: >/x/empty
ln /x/photos/new.bin /x/deep/same.bin
ln -s ../photos/old.txt /x/deep/link
mkfifo /x/deep/fifo
printf 'odd name' >"/x/$(printf 'caf\\351')"
/bin/setfattr -n user.origin -v camera /x/photos/old.txt
# rwx for the owner, r-x for user 1000, masked, nothing for others (posix_acl_xattr.h).
/bin/setfattr -n system.posix_acl_access -v 0x0200000001000700ffffffff02000500e803000004000500ffffffff10000500ffffffff20000000ffffffff /x/deep/same.bin
/bin/setfattr -n user.long -v "$(head -c 600 /dev/zero | tr '\\0' l)" /x/empty
chown 1234:567 /x/photos/old.txt
chmod 640 /x/photos/old.txt
touch -d '2019-06-01 10:00:00' /x/photos/old.txt
mv /x/many/7.txt /x/deep/moved.txt
# Still open when the machine stops, and in no folder any more.
exec 3>/x/ghost
echo "nobody sees this" >&3
rm /x/ghost
for file in "/x/$(printf 'caf\\351')" /x/photos/cut.txt /x/empty /x/deep/moved.txt /x/photos/old.txt; do
  dd if=/dev/null of="$file" conv=notrunc,fsync 2>/dev/null
done
(cd /x && find . -type f -exec sha256sum {{}} + | sort -k2) >/share/sums
mark pulled
"""

SAVE = """
destination
# Nothing here makes nodes of volumes but dmsetup itself.
export DM_DISABLE_UDEV=1
mkdir /shelf
mount -t ext4 /dev/vdb /shelf
await /dev/sda1
who='--owner A.Tester --technician B.Tester --symptom none --memory known-good --must-have none'
waive='--reason trial --decided-by owner --name A.Tester --how signed'
left() { say "$1" "$(ls /sys/block | grep dm- || :) $(cat /sys/block/loop*/loop/backing_file 2>/dev/null || :) $(grep xfs /proc/mounts || :)"; }
tell open open --drive /dev/sda --to /dest --to /shelf --job /dest/job --machine bench $who
tell assess assess /dest/job
# Cut off in the middle, twice: as soon as there is a device, and a while later.
for wait in 0 150000; do
  holdpoint plan --json /dest/job >/tmp/cut.json 2>/tmp/cut.err &
  pid=$!
  until [ -e /sys/block/dm-0/dm/name ] || [ ! -e /proc/$pid ]; do usleep 5000; done
  usleep $wait
  say "during$wait" "$(cat /sys/block/dm-0/dm/name) $(cat /sys/block/loop*/loop/backing_file)"
  kill -9 $pid
  wait $pid || :
  tries=100
  while [ -e /sys/block/dm-0 ] && [ $tries -gt 0 ]; do tries=$((tries - 1)); usleep 50000; done
  left "cut$wait"
done
# As one that was killed in the instant of making its device would leave it.
dmsetup create holdpoint-above-99999-0 --notable
tell plan plan /dest/job --list
left planned
say mapper "$(dmsetup ls 2>&1)"
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
for below in /shelf/back/*/photos; do [ -d "$below" ] && top=${below%/photos}; done
(cd $top && find . -type f -exec sha256sum {} + | sort -k2) >/share/back
say origin "$(/bin/getfattr --only-values -n user.origin $top/photos/old.txt)"
say list "$(/bin/getfattr -e hex --only-values -n system.posix_acl_access $top/deep/same.bin | od -An -tx1 | tr -d ' \\n')"
say long "$(/bin/getfattr --only-values -n user.long $top/empty | wc -c)"
say worn "$(stat -c '%a %u:%g %Y' $top/photos/old.txt)"
say inodes "$(stat -c %i $top/photos/new.bin) $(stat -c %i $top/deep/same.bin)"
say link "$(readlink $top/deep/link)"
say blocks "$(stat -c %b $top/sparse.bin)"
left end
"""

# Somebody starts the old system: its own mount plays the log, and one file is written.
LATER = """
destination
mkdir /shelf /x
mount -t ext4 /dev/vdb /shelf
await /dev/sda1
tell before recheck /dest/job
blockdev --setrw /dev/sda
mount -t xfs /dev/sda1 /x
umount /x
tell after recheck /dest/job
"""


def run(machine, folder, checks):
    names = ("cp", "dmsetup", "fallocate", "getfattr", "mkfs.xfs", "setfattr", "sh")
    tools = {name: shutil.which(name) for name in names}
    missing = [name for name, path in tools.items() if not path]
    if missing:
        checks.skip("all", f"not installed: {' '.join(missing)}")
        return None
    xfs = disks.empty(folder / "xfs", 96 * disks.MIB)
    # The smallest that it calls supported is three times as large.
    disks.ran(["mkfs.xfs", "-q", "--unsupported", "-m", "reflink=1", "-L", "holiday", xfs])
    image = disks.table(folder / "drive", [(xfs, disks.LINUX_DATA)])
    destination = disks.ext4(folder / "dest", 96 * disks.MIB)
    shelf = disks.ext4(folder / "shelf", 96 * disks.MIB)

    def guest():
        new = machine().destination(destination).image("shelf", shelf)
        for tool in ("cp", "dmsetup", "fallocate", "getfattr", "setfattr", "sh"):
            new.tool(tools[tool])
        new.load("virtio_scsi", "sd_mod", "sg", "loop", "dm_mod", "dm_snapshot", "xfs").image("drive", image)
        new.add("-device", "virtio-blk-pci,drive=shelf,serial=RIGSHELF")
        return new.add("-device", "virtio-scsi-pci,id=bus", "-device", "scsi-hd,bus=bus.0,drive=drive,serial=RIG-XFS-0001")

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
    checks.that("the first machine wrote everything", len(wrote) == MANY + 9, len(wrote))
    plan = out.document("plan")
    volume = plan["result"]["volumes"][0]
    checks.same("the volume is read by the program itself", (volume["state"], volume["kind"]), ("surveyed", "XFS"))
    about = [point for point in plan["open_points"] if point["id"].startswith(("volume", "accounts"))]
    checks.same("and leaves nothing open", about, [])
    checks.holds("how, is said", volume["rule"], "kernel's driver", "records listed")
    for wait in ("0", "150000"):
        checks.holds(f"cut off after {wait}: it was mounted", out.said(f"during{wait}"), "holdpoint-above-", "sda")
        checks.same(f"cut off after {wait}: nothing is left", out.said(f"cut{wait}"), "")
    for when in ("planned", "end"):
        checks.same(f"{when}: nothing is left of the mount", out.said(when), "")
    checks.same("what another one left behind is gone", out.said("mapper"), "No devices found")
    listed = {}
    for item in plan["result"]["listing"]:
        raw = bytes.fromhex(item["raw"]) if "raw" in item else item["path"].encode()
        listed[b"./" + raw] = item
    files = {path for path, item in listed.items() if item["kind"] == "file"}
    checks.same("every file is listed, and no other", files, set(wrote))
    checks.same("links and the rest too", {listed.get(path, {}).get("kind") for path in (b"./deep/link", b"./deep/fifo")}, {"link", "special"})
    checks.same("verified", (out.result("verify")["mismatched"], out.result("verify")["missing"]), ([], []))
    out.result("release")
    checks.same("the release holds while nothing moves", out.result("recheck")["holds"], True)
    checks.same("put back, every byte is what was written", sums("back"), wrote)
    checks.same("attributes", (out.said("origin"), out.said("long")), ("camera", "600"))
    checks.holds("access lists", out.said("list"), "02000500e8030000")
    checks.same("mode, owner, time", out.said("worn"), "640 1234:567 1559383200")
    one, other = out.said("inodes").split()
    checks.same("a file of two names", one, other)
    checks.same("links", out.said("link"), "../photos/old.txt")
    checks.that("holes", int(out.said("blocks")) < 100, out.said("blocks"))
    checks.that("the log was played, into the scratch", "Starting recovery" in out.dmesg())
    untouched(out, checks, "drive")
    checks.same("the drive is as it was", disks.digest(image), before)
    later = guest().run(LATER)
    checks.same("on another day it still holds", later.result("before")["holds"], True)
    after = later.result("after", 3)
    checks.that("a start of the old system shows, though no file changed", not after["holds"], after)
    checks.holds("and where", str(after["changed"]), "file table")
    return out
