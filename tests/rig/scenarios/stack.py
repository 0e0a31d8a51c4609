"""An opened volume as the drive on hold: known by the disk beneath it, never taken for that disk, and released alone."""

import shutil

import disks

SCRIPT = """
await /dev/sda2
destination
await /dev/vdb
mkdir /shelf /beside /opened
mount -t ext4 /dev/vdb /shelf
# opened NAME NODE SECTORS: a write-protected volume over a partition, its name linked as a system does.
opened() {
  dmsetup create --noudevrules --noudevsync "$1" --readonly --table "0 $3 linear $2 0"
  for name in /sys/block/dm-*; do
    if [ "$(cat "$name/dm/name")" = "$1" ]; then ln -sf "../${name##*/}" "/dev/mapper/$1"; fi
  done
}
size=$(cat /sys/block/sda/sda1/size)
opened opened /dev/sda1 "$size"
mount -t ext4 /dev/sda2 /beside
who='--owner A.Tester --technician B.Tester --symptom none --memory known-good --must-have none'

# Copies beside it, on the same disk.
tell beside open --drive /dev/mapper/opened --to /beside --job /beside/job --machine bench $who
tell beside-close close /beside/job --now --reason "the trial is over"
umount /beside

# In the machine under repair the disk beneath is one more drive that a reset would hit.
tell repair open --drive /dev/mapper/opened --to /dest --job /dest/repair --machine under-repair $who
tell repair-close close /dest/repair --now --reason "the trial is over"

tell open open --drive /dev/mapper/opened --to /dest --to /shelf --job /dest/job --machine bench $who
for step in plan copy verify inspect assess; do tell $step $step /dest/job; done
tell waive waive /dest/job --point health-unread --reason trial --decided-by technician --name B.Tester --how signed
mount -t ext4 -o ro,noload /dev/mapper/opened /opened
tell used show /dest/job
tell wipe-used guard /dest/job -- dd if=/dev/zero of={drive} bs=4096 count=1
umount /opened
tell release release /dest/job --second-look "Carla Drittmann"
tell recheck recheck /dest/job
cp /dest/job/release/certificate.json /share/certificate
tell slip print /dest/job --paper slip
cp /dest/job/papers/slip.txt /share/slip
say node "$(readlink -f /dev/mapper/opened) $(cat /sys/block/dm-0/dm/name)"
# Opened anew after another one, it has another number and its old name.
dmsetup remove --noudevrules --noudevsync opened
opened first /dev/sda2 2048
opened opened /dev/sda1 "$size"
say again-node "$(readlink -f /dev/mapper/opened)"
tell again recheck /dest/job
"""


def run(machine, folder, checks):
    dmsetup = shutil.which("dmsetup")
    if not dmsetup:
        checks.skip("all", "dmsetup is not installed")
        return None
    content = folder / "content"
    content.mkdir()
    (content / "letter.txt").write_text("Dear A. Tester\n" * 200)
    part = disks.ext4(folder / "part", 16 * disks.MIB, content)
    beside = disks.ext4(folder / "beside", 32 * disks.MIB)
    disks.table(folder / "drive", [(part, disks.LINUX_DATA), (beside, disks.LINUX_DATA)])
    guest = machine().destination(disks.ext4(folder / "dest", 64 * disks.MIB)).tool(dmsetup)
    guest.load("virtio_scsi", "sd_mod", "sg", "dm_mod").image("drive", folder / "drive")
    guest.image("shelf", disks.ext4(folder / "shelf", 64 * disks.MIB))
    guest.add("-device", "virtio-blk-pci,drive=shelf,serial=RIGSHELF")
    guest.add("-device", "virtio-scsi-pci,id=bus", "-device", "scsi-hd,bus=bus.0,drive=drive,serial=RIG-STACK-0001")
    out = guest.run(SCRIPT)

    drive = out.result("open")["drives"][0]
    checks.same("the path is the name that it was opened under", drive["path"], "/dev/mapper/opened")
    checks.same("known by the disk beneath, and not as that disk", drive["serial"], "volume on RIG-STACK-0001")
    checks.holds("the model says what it is", drive["model"], "opened volume opened")
    checks.same("held", drive["hold"]["kernel_read_only"], True)
    checks.same("its size is the partition's", drive["bytes"], 16 * disks.MIB)
    points = {point["id"] for point in out.document("open")["open_points"]}
    checks.that("nobody asks who it is", "identity-unknown" not in points, points)
    destinations = out.result("open")["destinations"]
    checks.that("copies on other disks count", all(to["independent"] for to in destinations), destinations)
    (to,) = out.result("beside")["destinations"]
    checks.same("a copy on the disk beneath counts for nothing", to["independent"], False)
    checks.holds("and it is said why", to["why"], "same disk", "sda")
    others = [other["serial"] for other in out.result("repair")["others"]]
    checks.that("the disk beneath is another drive, under repair", "RIG-STACK-0001" in others, others)
    points = {point["id"] for point in out.document("repair")["open_points"]}
    checks.that("and an open point", "other-drive" in points, points)

    refused = out.result("wipe-used", 3)
    checks.same("nothing runs while it is mounted", refused["ran"], False)
    checks.same("released", out.result("release")["state"], "released")
    checks.same("and it holds", out.result("recheck")["holds"], True)
    certificate = (out.share / "certificate").read_text()
    checks.holds("the certificate names the volume", certificate, '"serial":"volume on RIG-STACK-0001"', "opened volume")
    slip = " ".join((out.share / "slip").read_text().split())
    checks.that("no slip says that the drive may be wiped", "This drive may be wiped" not in slip, slip[:400])
    checks.holds("but that the volume may", slip, "the disk beneath it not", "that disk holds more")
    checks.that("it has another number", out.said("again-node") != out.said("node").split()[0], out.said("again-node"))
    checks.same("opened anew, it is known again", out.result("again")["holds"], True)
    return out
