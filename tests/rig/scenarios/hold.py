"""The kernel's hold: set by `open`, kept through rescans, stops what would write by accident, given back at the end."""

import disks
from machine import counts

SCRIPT = """
await /dev/nvme0n1p1
await /dev/nvme1n1p1
await /dev/sda1
destination
mkdir /mnt /used
mount -t ext4 /dev/sda1 /used
who='--owner A.Tester --technician B.Tester --symptom none --memory known-good --machine bench --must-have none'
# Bytes that are not there already: a write of zeros over zeros would change nothing.
write() { head -c 4096 /bin/holdpoint | dd of="$1" bs=4096 seek=100 conv=fsync; }
stat() { say "stat-$1" "$(cat /sys/block/nvme0n1/stat)"; }

tell used open --drive /dev/sda --to /dest --job /dest/used $who
tell used-show show /dest/used
fact used-ro /sys/block/sda/ro
umount /used
tell unused-show show /dest/used
tried dd-scsi write /dev/sda1
echo 1 >/sys/block/sda/device/rescan
tried rereadpt-scsi blockdev --rereadpt /dev/sda
usleep 500000
await /dev/sda1
fact used-ro-rescanned /sys/block/sda/ro
tried dd-scsi-rescanned write /dev/sda1

blockdev --setro /dev/nvme1n1
fact kept-before /sys/block/nvme1n1/ro
tell kept-open open --drive /dev/nvme1n1 --to /dest --job /dest/kept $who
tell kept-close close /dest/kept --now --reason "the trial is over"
fact kept-closed /sys/block/nvme1n1/ro

fact before-disk /sys/block/nvme0n1/ro
stat before
tell open open --drive /dev/nvme0n1 --to /dest --job /dest/job $who
fact ro-disk /sys/block/nvme0n1/ro
say ro-part "$(blockdev --getro /dev/nvme0n1p1)"
sha256sum </dev/nvme0n1 >/tmp/before
tried dd-disk write /dev/nvme0n1
tried dd-part write /dev/nvme0n1p1
tried mkfs mke2fs -F /dev/nvme0n1p1
tried mount mount -t ext4 -o rw /dev/nvme0n1p1 /mnt
say mounted "$(grep ' /mnt ' /proc/mounts)"
tried touch touch /mnt/new
tried remount mount -o remount,rw /mnt
umount /mnt || true
echo 1 >/sys/class/nvme/nvme0/rescan_controller
tried rereadpt blockdev --rereadpt /dev/nvme0n1
usleep 500000
await /dev/nvme0n1p1
fact ro-rescanned /sys/block/nvme0n1/ro
say ro-part-rescanned "$(blockdev --getro /dev/nvme0n1p1)"
tried dd-rescanned write /dev/nvme0n1p1
tell plan plan /dest/job
tell copy copy /dest/job
fact ro-copied /sys/block/nvme0n1/ro
tell early close /dest/job
fact ro-early /sys/block/nvme0n1/ro
echo 3 >/proc/sys/vm/drop_caches
sha256sum </dev/nvme0n1 >/tmp/after
tried unchanged cmp /tmp/before /tmp/after
stat held
mark held
tell close close /dest/job --now --reason "the trial is over"
fact ro-closed /sys/block/nvme0n1/ro
say ro-part-closed "$(blockdev --getro /dev/nvme0n1p1)"
tried dd-closed write /dev/nvme0n1p1
tell again close /dest/job --now --reason "asked twice"
fact ro-again /sys/block/nvme0n1/ro
"""


def run(machine, folder, checks):
    content = folder / "content"
    content.mkdir()
    (content / "letter.txt").write_text("Dear A. Tester\n" * 200)
    part = disks.ext4(folder / "part", 16 * disks.MIB, content)
    for name in ("nvme", "used", "kept"):
        disks.table(folder / name, [(part, disks.LINUX_DATA)])
    before = disks.digest(folder / "nvme")
    kept_before = disks.digest(folder / "kept")
    guest = machine().load("nvme", "virtio_scsi", "sd_mod", "sg").destination(disks.ext4(folder / "dest", 64 * disks.MIB))
    for name in ("nvme", "used", "kept"):
        guest.image(name, folder / name)
    guest.add("-device", "nvme,id=nv,serial=RIG-HOLD-0001,drive=nvme")
    guest.add("-device", "nvme,id=nk,serial=RIG-HOLD-0003,drive=kept")
    guest.add("-device", "virtio-scsi-pci,id=bus", "-device", "scsi-hd,bus=bus.0,drive=used,serial=RIG-HOLD-0002")
    held = {}

    def look(channel):
        held.update(digest=disks.digest(folder / "nvme"), counts=counts(channel)["nvme"])

    out = guest.run(SCRIPT, {"held": look})

    hold = out.result("open")["drives"][0]["hold"]
    checks.same("held by open", hold["kernel_read_only"], True)
    checks.same("the disk was writable before", out.said("before-disk"), "0")
    checks.same("the kernel agrees, whole disk", out.said("ro-disk"), "1")
    checks.same("the kernel agrees, partition", out.said("ro-part"), "1")
    for name in ("dd-disk", "dd-part", "mkfs", "dd-rescanned", "dd-scsi", "dd-scsi-rescanned"):
        status, words = out.tried(name)
        checks.that(f"{name} fails", status != 0, status, words)
        checks.holds(f"{name} for lack of permission", words, "not permitted")
    mounted = out.said("mounted")
    checks.that("a mount asked read-write is refused or read-only", not mounted or " ro," in mounted, mounted)
    checks.that("no file can be made on it", out.tried("touch")[0] != 0 or not mounted, out.tried("touch"))
    checks.that("nor can it be made writable", out.tried("remount")[0] != 0, out.tried("remount"))
    checks.same("the flag outlives a rescan of the controller", out.said("ro-rescanned"), "1")
    checks.same("and one of the partitions", out.said("ro-part-rescanned"), "1")
    checks.same("and the copy", out.said("ro-copied"), "1")
    checks.same("a SCSI disk: held", out.said("used-ro"), "1")
    checks.same("a SCSI disk: a rescan does not undo it", out.said("used-ro-rescanned"), "1")
    checks.that("the copy went through", out.result("copy")["copied"]["items"] >= 1, out.result("copy"))

    # Before the flag is given back: the guest's hash, the image itself, the kernel's and the emulator's counts.
    checks.same("no byte changed as the guest reads it", out.tried("unchanged")[0], 0)
    checks.same("nor in the image", held.get("digest"), before)
    # Documentation/block/stat.rst: 4 and 6 writes and their sectors, 11 and 13 discards (counted from 0).
    for name in ("before", "held"):
        numbers = [int(word) for word in out.said(f"stat-{name}").split()]
        checks.same(f"{name}: the kernel counts no write", [numbers[at] for at in (4, 6, 11, 13)], [0] * 4)
    counted = held.get("counts", {})
    checks.same("nor the emulator", (counted.get("wr_operations"), counted.get("unmap_operations")), (0, 0))

    # A file system that is mounted for writing goes on writing, whatever the flag says.
    used = out.document("used")
    told = out.words("used") + str(used.get("open_points"))
    checks.holds("a drive in use is told", told, "mounted for writing", "/used")
    points = [point["id"] for point in out.document("used-show")["open_points"]]
    checks.that("and an open point", "mounted-writable" in points, points)
    points = [point["id"] for point in out.document("unused-show")["open_points"]]
    checks.that("which goes when it is unmounted", "mounted-writable" not in points, points)

    # The flag is given back with `close`, and with no less.
    checks.that("it cannot be closed before its time without a reason", out.status("early") != 0, out.document("early"))
    checks.same("and stays held then", out.said("ro-early"), "1")
    checks.that("closed", out.result("close")["closed"], out.document("close"))
    checks.same("the flag is given back at the end", out.said("ro-closed"), "0")
    checks.same("and that of the partition", out.said("ro-part-closed"), "0")
    checks.same("so that it can be written to again", out.tried("dd-closed")[0], 0)
    checks.that("and it was", disks.digest(folder / "nvme") != before)
    checks.that("closing twice changes nothing", out.status("again") == 0 and out.said("ro-again") == "0", out.document("again"))
    # As it was: a disk that was read-only before stays so.
    checks.same("another disk was read-only before", out.said("kept-before"), "1")
    checks.same("held too", out.result("kept-open")["drives"][0]["hold"]["kernel_read_only"], True)
    checks.that("and closed", out.result("kept-close")["closed"], out.document("kept-close"))
    checks.same("it stays read-only", out.said("kept-closed"), "1")
    checks.same("and its image the same", disks.digest(folder / "kept"), kept_before)
    return out
