"""From a release to the wipe, on drives under a real kernel: the release holds while nothing moves and no longer; a
guarded command reaches the released drive alone, once, with the kernel's flag lifted for it and back afterwards; and
every slip in between is a refusal."""

import sqlite3

import disks
from machine import untouched

SCRIPT = """
await /dev/nvme0n1p1
await /dev/nvme1n1p1
await /dev/sda1
# Which of the two the kernel finds first is its own affair.
one=nvme0n1 two=nvme1n1
grep -q RIG-GUARD-0001 /sys/block/nvme0n1/device/serial || one=nvme1n1 two=nvme0n1
say two "$two"
destination
await /dev/vdb
mkdir /shelf /mnt
mount -t ext4 /dev/vdb /shelf
who='--owner A.Tester --technician B.Tester --symptom none --memory known-good --machine bench --must-have none'
waive='--reason trial --decided-by owner --name A.Tester --how signed'

# Everything up to the release, with whatever a person may give up given up.
saved() {
  local drive=$1 job=$2
  tell "$job-open" open --drive "$drive" --to /dest --to /shelf --job "/dest/$job" $who
  for step in assess plan copy verify inspect assess; do tell "$job-$step" $step "/dest/$job"; done
  tell "$job-held" release "/dest/$job"
  for point in $(grep -oE '"id": ?"[a-z-]+"' "/share/$job-held.json" | cut -d'"' -f4 | sort -u); do
    case $point in second-look*) continue ;; esac
    tell "$job-waive-$point" waive "/dest/$job" --point "$point" $waive
  done
  tell "$job-release" release "/dest/$job" --second-look "Carla Drittmann"
  tell "$job-recheck" recheck "/dest/$job"
}
# wipe NAME JOB [OPTION...]: the guarded command that every try is made with.
wipe() {
  local name=$1 job=$2
  shift 2
  tell "$name" guard "/dest/$job" "$@" -- dd if=/dev/zero of={drive} bs=4096 count=1 conv=notrunc,fsync
}
# The flag of drive one, and of drive two, which is on hold only later.
flags() { say "flags-$1" "$(blockdev --getro /dev/$one) $(blockdev --getro /dev/$two)"; }

saved /dev/$one one
cp /dest/one/ledger.db /share/one.db
flags released
wipe dry one --dry-run
tell second guard /dest/one -- sh -c 'dd if=/dev/zero of={drive} count=1; dd if=/dev/zero of=/dev/'$two' count=1'
tell bare guard /dest/one -- dd if=$two of={drive} count=1
mount -t ext4 -o ro,noload /dev/${one}p1 /mnt
wipe mounted one
tell mounted-recheck recheck /dest/one
umount /mnt
tell unmounted recheck /dest/one
# A command that is not there was never let loose: the release stays unspent.
tell missing guard /dest/one -- no-such-program {drive}
flags refused
mark before-wipe
# What the flag is while the command runs is told by the command.
tell seen guard /dest/one -- sh -c 'blockdev --getro "$0" >/share/lifted.said; dd if=/dev/zero of="$0" bs=4096 count=1 conv=notrunc,fsync' {drive}
flags wiped
mark wiped
wipe twice one
tell spent recheck /dest/one
flags spent
tried closed-to-writes dd if=/dev/zero of=/dev/$one bs=4096 count=1 seek=8 conv=notrunc,fsync

# Somebody lifts the flag and writes where no file system lies: only the drive's own counters tell.
saved /dev/$two two
blockdev --setrw /dev/$two
dd if=/bin/holdpoint of=/dev/$two bs=1024 seek=18944 count=1280 conv=notrunc,fsync 2>/dev/null
blockdev --setro /dev/$two
tell counted recheck /dest/two
wipe counted-wipe two
flags counted

# A drive on a cable: pulled and back, it is the same one without the flag.
saved /dev/sda three
# pulled NAME: the host pulls what is plugged in; the kernel has noticed.
pulled() {
  mark "out-$1"
  local left=100
  while [ -e /sys/block/sda ] && [ $left -gt 0 ]; do
    left=$((left - 1))
    usleep 100000
  done
}
# plugged NAME: the host plugs a drive in.
plugged() {
  mark "in-$1"
  await /dev/sda1
}
pulled three
tell gone recheck /dest/three
wipe gone-wipe three
plugged back
fact back-ro /sys/block/sda/ro
tell back recheck /dest/three
fact again-ro /sys/block/sda/ro
# Another one in its place, and then one whose adapter even tells the same serial.
for other in stranger twin; do
  pulled "$other"
  plugged "$other"
  fact "$other-ro-before" /sys/block/sda/ro
  tell "$other" recheck /dest/three
  wipe "$other-wipe" three
  wipe "$other-named" three --drive /dev/sda
  fact "$other-ro" /sys/block/sda/ro
done
pulled home
plugged home
tell home recheck /dest/three
wipe home-dry three --dry-run
now=$(date +%s)
date -s "@$((now + 5 * 3600))" >/dev/null
tell late recheck /dest/three
wipe late-wipe three
fact late-ro /sys/block/sda/ro
"""


def run(machine, folder, checks):
    content = folder / "content"
    content.mkdir()
    (content / "letter.txt").write_text("Dear A. Tester\n" * 200)
    names = ("one", "two", "three", "stranger", "twin")
    for name in names:
        (content / "whose.txt").write_text(f"this is drive {name}\n" * 40)
        part = disks.ext4(folder / "part", 16 * disks.MIB, content)
        # Drive two has room behind its partition, for a write that touches no file system.
        disks.table(folder / name, [(part, disks.LINUX_DATA)], room=8 * disks.MIB if name == "two" else 0)
    guest = machine().destination(disks.ext4(folder / "dest", 64 * disks.MIB))
    guest.load("nvme", "sd_mod", "sg", "xhci_pci", "usb_storage", usb_storage="delay_use=0")
    guest.image("shelf", disks.ext4(folder / "shelf", 64 * disks.MIB))
    guest.add("-device", "virtio-blk-pci,drive=shelf,serial=RIGSHELF")
    for name in names:
        guest.image(name, folder / name)
    guest.add("-device", "nvme,id=n1,serial=RIG-GUARD-0001,drive=one")
    guest.add("-device", "nvme,id=n2,serial=RIG-GUARD-0002,drive=two")
    guest.add("-device", "qemu-xhci,id=usb")
    guest.add("-device", "usb-storage,bus=usb.0,drive=three,serial=RIG-GUARD-0003,id=three")
    plugged = ["three"]
    seen = {}

    def digests():
        return {name: disks.digest(folder / name) for name in names}

    def pull(channel):
        channel.ask("device_del", id=plugged.pop())

    def plug(drive, serial, name):
        def act(channel):
            plugged.append(name)
            channel.ask("device_add", driver="usb-storage", bus="usb.0", drive=drive, serial=serial, id=name)

        return act

    marks = {
        "before-wipe": lambda _: seen.update(before=digests(), one=(folder / "one").read_bytes()),
        "wiped": lambda _: seen.update(after=digests()),
        "out-three": pull,
        "in-back": plug("three", "RIG-GUARD-0003", "back"),
        "in-stranger": plug("stranger", "RIG-GUARD-0099", "stranger"),
        "in-twin": plug("twin", "RIG-GUARD-0003", "twin"),
        "in-home": plug("three", "RIG-GUARD-0003", "home"),
        **{f"out-{name}": pull for name in ("stranger", "twin", "home")},
    }
    out = guest.run(SCRIPT, marks, limit=400)

    def refused(name, *parts):
        """The command was not started, exit status 3, and the reason says so."""
        result = out.result(name, 3)
        checks.same(f"{name}: nothing ran", (result["ran"], result["exit"]), (False, None))
        checks.holds(f"{name}: why", result["refused"], *parts)

    def lapsed(name, *parts):
        """The release does not hold, exit status 3, and what changed is named."""
        result = out.result(name, 3)
        checks.same(f"{name}: it does not hold", result["holds"], False)
        checks.holds(f"{name}: what changed", str(result["changed"]), *parts)

    for job in ("one", "two", "three"):
        held = {point["id"] for point in out.document(f"{job}-held")["open_points"]}
        checks.same(f"{job}: on hold before", out.status(f"{job}-held"), 3)
        given_up = {name.name.split("-waive-")[1].removesuffix(".json") for name in out.share.glob(f"{job}-waive-*.json")}
        for point in given_up:
            checks.same(f"{job}: {point} can be given up", out.status(f"{job}-waive-{point}"), 0)
        # Everything that is left to a person here; what nobody may give up was never open.
        allowed = {"health-unread", "second-look", "second-look-missing"}
        checks.that(f"{job}: few decisions", held <= allowed, held)
        checks.same(f"{job}: released", out.result(f"{job}-release")["state"], "released")
        checks.same(f"{job}: and it holds", out.result(f"{job}-recheck")["holds"], True)

    # The health of a live disk is read again and again: at the intake, for the forecast, and at the release.
    with sqlite3.connect(out.share / "one.db") as ledger:
        rows = ledger.execute("SELECT at, body FROM fact WHERE kind = 'read' ORDER BY number").fetchall()
    ledger.close()
    checks.that("several readings stand on record", len(rows) >= 3, rows)
    checks.that("each later than the one before", all(a[0] < b[0] for a, b in zip(rows, rows[1:])), [row[0] for row in rows])
    checks.that("and readable", all('"readable":true' in row[1] for row in rows), rows)

    # Refusals, each of which leaves the release as it is.
    checks.same("the flag at the release, and of the drive beside it", out.said("flags-released"), "1 0")
    dry = out.result("dry")
    checks.same("a dry run starts nothing", (dry["ran"], dry["refused"]), (False, None))
    refused("second", f"/dev/{out.said('two')}")
    refused("bare", out.said("two"))
    refused("mounted", "/mnt")
    refused("missing", "no-such-program")
    checks.same("a mount for reading alone ends no release", out.result("unmounted")["holds"], True)
    checks.same("flags after the refusals", out.said("flags-refused"), "1 0")

    # The one command that may.
    ran = out.result("seen")
    checks.same("the command ran and ended well", (ran["ran"], ran["exit"], ran["refused"]), (True, 0, None))
    checks.same("while it ran, the flag was lifted", out.said("lifted"), "0")
    checks.same("and set again after it", out.said("flags-wiped"), "1 0")
    moved = [name for name in names if seen["before"][name] != seen["after"][name]]
    checks.same("one drive changed, and no other", moved, ["one"])
    drive = (folder / "one").read_bytes()
    checks.that("its first 4096 bytes are zeros now", seen["one"][:4096] != bytes(4096) and drive[:4096] == bytes(4096))
    checks.that("and everything behind them is as it was", drive[4096:] == seen["one"][4096:])
    refused("twice", "spent")
    lapsed("spent", "spent")
    checks.same("flags at the end", out.said("flags-spent"), "1 0")
    checks.that("and writing is refused again", out.tried("closed-to-writes")[0] != 0, out.tried("closed-to-writes"))

    # A write past everything that is compared shows in what the drive itself counts.
    lapsed("counted", "counter", "written")
    refused("counted-wipe", "does not hold", "written")
    checks.same("flags: both", out.said("flags-counted"), "1 1")

    # Pulled and back.
    lapsed("gone", "/dev/sda")
    refused("gone-wipe", "not here")
    checks.same("the flag was lost with the plug", out.said("back-ro"), "0")
    checks.holds("which is told", out.words("back"), "set again")
    checks.same("and is set again", out.said("again-ro"), "1")
    checks.same("the same drive is still released", out.result("back")["holds"], True)
    # Another one in its place is neither wiped nor even touched.
    lapsed("stranger", "RIG-GUARD-0099")
    refused("stranger-wipe", "RIG-GUARD-0099")
    refused("stranger-named", "RIG-GUARD-0099")
    lapsed("twin", "fingerprint")
    refused("twin-wipe", "does not hold", "fingerprint")
    refused("twin-named", "does not hold", "fingerprint")
    for other in ("stranger", "twin"):
        for when in ("-before", ""):
            checks.same(f"{other}: its flag is left alone", out.said(f"{other}-ro{when}"), "0")
    checks.same("back home it holds", out.result("home")["holds"], True)
    checks.same("and a command would be let through", out.result("home-dry")["refused"], None)
    lapsed("late", "expiry")
    refused("late-wipe", "does not hold", "expiry")
    checks.same("expired, and the flag still set", out.said("late-ro"), "1")

    for name in ("three", "stranger", "twin"):
        checks.same(f"{name}: no byte changed", disks.digest(folder / name), seen["before"][name])
    untouched(out, checks, "three")
    return out
