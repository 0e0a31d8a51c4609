"""SCSI and USB drives that answer no health request: each is identified, and the refusal is told in words."""

import disks
from machine import untouched

SCRIPT = """
destination
for disk in /sys/block/sd*; do :; done
left=100
while [ "$(ls -d /sys/block/sd* 2>/dev/null | wc -l)" -lt 4 ] && [ $left -gt 0 ]; do
  left=$((left - 1))
  usleep 100000
done
for disk in /sys/block/sd*; do
  name=${disk##*/}
  say "path-$name" "$(readlink -f "$disk")"
  fact "sectors-$name" "$disk/size"
  fact "model-$name" "$disk/device/model"
  tell "open-$name" open --drive "/dev/$name" --to /dest --job "/dest/job-$name" --owner "A. Tester" \
    --technician "B. Tester" --symptom none --memory known-good --machine bench --must-have none
  tell "assess-$name" assess "/dest/job-$name"
done
ls /sys/block >/share/disks
"""


def run(machine, folder, checks):
    destination = disks.ext4(folder / "dest", 96 * disks.MIB)
    guest = machine().destination(destination)
    guest.load("virtio_scsi", "sym53c8xx", "sd_mod", "sg", "xhci_pci", "usb_storage", "uas", usb_storage="delay_use=0")
    sizes = {"scsi": 24, "bot": 25, "uas": 26, "card": 27}
    for name, size in sizes.items():
        guest.image(name, disks.empty(folder / name, size * disks.MIB))
    guest.add("-device", "virtio-scsi-pci,id=bus")
    guest.add("-device", "scsi-hd,bus=bus.0,drive=scsi,serial=RIG-SCSI-0001,vendor=RIG,product=PLAIN DISK,ver=R2")
    guest.add("-device", "lsi53c895a,id=card")
    guest.add("-device", "scsi-hd,bus=card.0,drive=card,serial=RIG-CARD-0001,vendor=RIG,product=SCSI DISK,ver=R3")
    guest.add("-device", "qemu-xhci,id=usb")
    guest.add("-device", "usb-storage,bus=usb.0,drive=bot,serial=RIG-BOT-0001,id=stick")
    guest.add("-device", "usb-uas,bus=usb.0,id=uas")
    guest.add("-device", "scsi-hd,bus=uas.0,drive=uas,serial=RIG-UAS-0001,product=UAS DISK")
    out = guest.run(SCRIPT)
    names = [name for name in (out.share / "disks").read_text().split() if name.startswith("sd")]
    seen = {}
    for name in names:
        sectors = int(out.said(f"sectors-{name}"))
        kind = next(kind for kind, size in sizes.items() if size * disks.MIB == sectors * 512)
        seen[kind] = name
        drive = out.result(f"open-{name}")["drives"][0]
        checks.same(f"{kind}: capacity", drive["bytes"], sectors * 512)
        checks.holds(f"{kind}: model", drive["model"], out.said(f"model-{name}"))
        checks.same(f"{kind}: serial", drive["serial"], f"RIG-{kind.upper()}-0001")
        checks.same(f"{kind}: held", drive["hold"]["kernel_read_only"], True)
        reading = out.result(f"assess-{name}")["drives"][0]["reading"]
        checks.same(f"{kind}: health could not be read", reading["readable"], False)
        checks.that(f"{kind}: says why", reading["why_not"], reading["why_not"])
        signals = {signal["id"]: signal for signal in reading["signals"]}
        checks.that(f"{kind}: and that is a sign of its own", "health-unread" in signals, sorted(signals))
        words = {"scsi": "virtual disk", "card": "SCSI log pages: not reported"}.get(kind, "05/20/00")
        told = " ".join([str(reading["why_not"]), *map(str, reading["decoded"]["decoded_why"].values())])
        # 05/20/00: ILLEGAL REQUEST, INVALID COMMAND OPERATION CODE (SPC-5, annex D). A virtual disk is not asked at all;
        # a SCSI drive without log pages reports none.
        checks.holds(f"{kind}: the refusal in words", told, words)
        usb = "/usb" in out.said(f"path-{name}")
        checks.same(f"{kind}: on USB", usb, kind in ("bot", "uas"))
    checks.same("all four came", sorted(seen), sorted(sizes))
    untouched(out, checks, *sizes)
    return out
