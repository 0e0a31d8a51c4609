"""The kernel's hold: set by `open`, kept through rescans, stops what would write by accident, given back at the end."""

import disks

SCRIPT = """
await /dev/nvme0n1p1
await /dev/sda1
destination
mkdir /mnt /used
mount -t ext4 /dev/sda1 /used

tell used open --drive /dev/sda --to /dest --job /dest/used --owner "A. Tester" --technician "B. Tester" \
  --symptom none --memory known-good --machine bench --must-have none
tell used-show show /dest/used
fact used-ro /sys/block/sda/ro
umount /used
tell unused-show show /dest/used

fact before-disk /sys/block/nvme0n1/ro
tell open open --drive /dev/nvme0n1 --to /dest --job /dest/job --owner "A. Tester" --technician "B. Tester" \
  --symptom none --memory known-good --machine bench --must-have none
fact ro-disk /sys/block/nvme0n1/ro
say ro-part "$(blockdev --getro /dev/nvme0n1p1)"
sha256sum </dev/nvme0n1 >/tmp/before
tried dd-disk dd if=/dev/zero of=/dev/nvme0n1 bs=4096 count=1 seek=100 conv=fsync
tried dd-part dd if=/dev/zero of=/dev/nvme0n1p1 bs=4096 count=1 seek=100 conv=fsync
tried mkfs mke2fs -F /dev/nvme0n1p1
tried mount mount -t ext4 -o rw /dev/nvme0n1p1 /mnt
say mounted "$(grep ' /mnt ' /proc/mounts)"
tried touch touch /mnt/new
umount /mnt || true
echo 1 >/sys/class/nvme/nvme0/rescan_controller
tried rereadpt blockdev --rereadpt /dev/nvme0n1
usleep 500000
fact ro-rescanned /sys/block/nvme0n1/ro
say ro-part-rescanned "$(blockdev --getro /dev/nvme0n1p1)"
tried dd-rescanned dd if=/dev/zero of=/dev/nvme0n1p1 bs=4096 count=1 seek=100 conv=fsync
echo 3 >/proc/sys/vm/drop_caches
sha256sum </dev/nvme0n1 >/tmp/after
tried unchanged cmp /tmp/before /tmp/after
tell plan plan /dest/job
tell copy copy /dest/job
fact ro-copied /sys/block/nvme0n1/ro
tell close close /dest/job --now --reason "the trial is over"
fact ro-closed /sys/block/nvme0n1/ro
"""


def run(machine, folder, checks):
    content = folder / "content"
    content.mkdir()
    (content / "letter.txt").write_text("Dear A. Tester\n" * 200)
    part = disks.ext4(folder / "part", 16 * disks.MIB, content)
    for name in ("nvme", "used"):
        disks.table(folder / name, [(part, disks.LINUX_DATA)])
    guest = machine().load("nvme", "virtio_scsi", "sd_mod", "sg").destination(disks.ext4(folder / "dest", 64 * disks.MIB))
    guest.image("nvme", folder / "nvme").image("used", folder / "used")
    guest.add("-device", "nvme,id=nv,serial=RIG-HOLD-0001,drive=nvme")
    guest.add("-device", "virtio-scsi-pci,id=bus", "-device", "scsi-hd,bus=bus.0,drive=used,serial=RIG-HOLD-0002")
    out = guest.run(SCRIPT)

    hold = out.result("open")["drives"][0]["hold"]
    checks.same("held by open", hold["kernel_read_only"], True)
    checks.same("the disk was writable before", out.said("before-disk"), "0")
    checks.same("the kernel agrees, whole disk", out.said("ro-disk"), "1")
    checks.same("the kernel agrees, partition", out.said("ro-part"), "1")
    for name in ("dd-disk", "dd-part", "mkfs", "dd-rescanned"):
        status, words = out.tried(name)
        checks.that(f"{name} fails", status != 0, status, words)
        checks.holds(f"{name} for lack of permission", words, "not permitted")
    mounted = out.said("mounted")
    checks.that("a mount asked read-write is refused or read-only", not mounted or " ro," in mounted, mounted)
    checks.that("no file can be made on it", out.tried("touch")[0] != 0 or not mounted, out.tried("touch"))
    checks.same("the flag outlives a rescan of the controller", out.said("ro-rescanned"), "1")
    checks.same("and one of the partitions", out.said("ro-part-rescanned"), "1")
    checks.same("and the copy", out.said("ro-copied"), "1")
    checks.same("no byte changed", out.tried("unchanged")[0], 0)
    checks.that("the copy went through", out.result("copy")["copied"]["items"] >= 1, out.result("copy"))

    # A file system that is mounted for writing goes on writing, whatever the flag says.
    used = out.document("used")
    told = out.words("used") + str(used.get("open_points"))
    checks.holds("a drive in use is told", told, "mounted for writing", "/used")
    points = [point["id"] for point in out.document("used-show")["open_points"]]
    checks.that("and an open point", "mounted-writable" in points, points)
    points = [point["id"] for point in out.document("unused-show")["open_points"]]
    checks.that("which goes when it is unmounted", "mounted-writable" not in points, points)

    checks.that("closed", out.result("close")["closed"], out.document("close"))
    checks.same("the flag is given back at the end", out.said("ro-closed"), "0")
    return out
