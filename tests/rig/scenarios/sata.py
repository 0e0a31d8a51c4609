"""A SATA drive behind AHCI: identity, status and vendor values are those that the emulator's own source sets."""

import disks
from machine import untouched

# Attributes of the emulated drive: id, flags, value, worst, raw bytes as sent, threshold (QEMU 7.2, hw/ide/core.c, smart_attributes).
ATTRIBUTES = {
    1: (0x0003, 100, 100, "000000000000", 6),
    3: (0x0003, 100, 100, "100000000000", 0),
    4: (0x0002, 100, 100, "640000000000", 20),
    5: (0x0003, 100, 100, "000000000000", 36),
    9: (0x0003, 100, 100, "010000000000", 0),
    12: (0x0003, 100, 100, "000000000000", 0),
    190: (0x0003, 69, 69, "1f001f1f0000", 50),
}

SCRIPT = """
await /dev/sda
destination
drive=/sys/block/sda
fact sectors $drive/size
fact wwid $drive/device/wwid
fact model $drive/device/model
tell open open --drive /dev/sda --to /dest --job /dest/job --owner "A. Tester" --technician "B. Tester" \
  --symptom none --memory known-good --machine bench --must-have none
tell assess assess /dest/job
"""


def run(machine, folder, checks):
    image = disks.empty(folder / "drive", 48 * disks.MIB)
    destination = disks.ext4(folder / "dest", 64 * disks.MIB)
    guest = machine().load("ahci", "sd_mod", "sg").destination(destination).image("drive", image)
    guest.add("-device", "ich9-ahci,id=ahci")
    guest.add(
        "-device",
        "ide-hd,bus=ahci.0,drive=drive,serial=RIG-SATA-0001,model=RIG ROTATING DISK,ver=R1.5,"
        "wwn=0x5000c500deadbeef,rotation_rate=7200",
    )
    out = guest.run(SCRIPT)
    drive = out.result("open")["drives"][0]
    checks.same("model", drive["model"], "RIG ROTATING DISK")
    checks.holds("the kernel's shortened model", drive["model"], out.said("model"))
    checks.same("serial", drive["serial"], "RIG-SATA-0001")
    checks.same("firmware", drive["firmware"], "R1.5")
    checks.same("capacity as the kernel tells", drive["bytes"], int(out.said("sectors")) * 512)
    checks.same("kind", drive["kind"], "disk")
    checks.same("held", drive["hold"]["kernel_read_only"], True)

    reading = out.result("assess")["drives"][0]["reading"]
    decoded = reading["decoded"]
    why = decoded["decoded_why"]
    checks.same("health is readable", reading["readable"], True)
    checks.same("status", decoded["status"], "no-limit-crossed")
    checks.same("capacity in sectors", int(decoded["capacity_sectors"]), 48 * disks.MIB // 512)
    checks.same("wwn as it was set", decoded.get("wwn"), "5000c500deadbeef")
    checks.same("wwn as the kernel tells", "naa." + str(decoded.get("wwn")), out.said("wwid"))
    found = {attribute["id"]: attribute for attribute in decoded["attributes"]}
    checks.same("exactly these vendor values", sorted(found), sorted(ATTRIBUTES))
    for number, (flags, current, worst, raw, threshold) in ATTRIBUTES.items():
        seen = found.get(number, {})
        checks.same(f"vendor value {number}, current", seen.get("current"), current)
        checks.same(f"vendor value {number}, worst", seen.get("worst"), worst)
        checks.same(f"vendor value {number}, threshold", seen.get("threshold"), threshold)
        checks.same(f"vendor value {number}, flags", seen.get("flags"), flags)
        checks.same(f"vendor value {number}, raw", seen.get("raw"), raw)
    checks.same("nothing decides", [s for s in reading["signals"] if s["weight"] == "decides"], [])
    checks.that("what was refused has its reasons", why and all(why.values()), why)
    untouched(out, checks, "drive")
    return out
