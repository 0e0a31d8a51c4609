"""An NVMe drive: what the program decodes is what the kernel tells, a warning set from outside is seen,
and a refused page is a reason, not a zero."""

import disks
from machine import untouched

FACTS = """
await /dev/nvme0n1
destination
drive=/sys/block/nvme0n1
fact model $drive/device/model
fact serial $drive/device/serial
fact firmware $drive/device/firmware_rev
fact sectors $drive/size
for sensor in /sys/class/hwmon/hwmon*; do
  [ "$(cat "$sensor/name")" = nvme ] && fact temperature "$sensor/temp1_input"
done
tell open open --drive /dev/nvme0n1 --to /dest --job /dest/job --owner "A. Tester" --technician "B. Tester" \
  --symptom none --memory known-good --machine bench --must-have none
tell assess assess /dest/job
mark warn
tell warned assess /dest/job
tell identify open --drive /dev/nvme0 --to /dest --job /dest/other
tell nothing open --drive /dev/nvme7n1 --to /dest --job /dest/none
fact read-only $drive/ro
"""


def run(machine, folder, checks):
    image = disks.empty(folder / "drive", 48 * disks.MIB)
    destination = disks.ext4(folder / "dest", 64 * disks.MIB)
    guest = machine().load("nvme").destination(destination).image("drive", image)
    guest.add("-device", "nvme,id=nv,serial=RIG-NVME-0001,drive=drive")

    def warn(channel):
        # Bit 2: reliability degraded; bit 3: media read-only (NVMe Base 1.4, figure 194).
        channel.ask("qom-set", path="/machine/peripheral/nv", property="smart_critical_warning", value=0x0C)

    out = guest.run(FACTS, {"warn": warn})
    drive = out.result("open")["drives"][0]
    for name in ("model", "serial", "firmware"):
        checks.same(f"open: {name} as the kernel tells", drive[name], out.said(name))
    checks.same("serial as it was set", drive["serial"], "RIG-NVME-0001")
    checks.same("open: capacity as the kernel tells", drive["bytes"], int(out.said("sectors")) * 512)
    checks.same("capacity of the image", drive["bytes"], 48 * disks.MIB)
    checks.same("open: kind", drive["kind"], "nvme")
    checks.same("open: held", drive["hold"]["kernel_read_only"], True)
    checks.same("the kernel agrees", out.said("read-only"), "1")

    reading = out.result("assess")["drives"][0]["reading"]
    decoded = reading["decoded"]
    why = decoded["decoded_why"]
    checks.same("health is readable", reading["readable"], True)
    for name in ("model", "serial", "firmware"):
        checks.same(f"assess: {name}", decoded[name], out.said(name))
    # The kernel gives thousandths of a degree Celsius, the page whole kelvins (include/linux/units.h: 273.15 lie between).
    kernel = int(out.said("temperature"))
    checks.same("temperature as the kernel tells", decoded["composite_temperature_kelvin"] * 1000 - 273_150, kernel)
    checks.same("temperature of the emulated drive", decoded["composite_temperature_kelvin"], 323)
    checks.same("no warning yet", decoded["critical_warning"], 0)
    checks.that("reads were counted", int(decoded["host_read_commands"]) > 0, decoded["host_read_commands"])
    checks.same("no write was counted", decoded["host_write_commands"], "0")

    # The emulated drive says spare 0 of at least 0: it does not report any.
    checks.same("spare 0 of 0 is not reported", decoded["available_spare"], None)
    checks.that("and says why", why.get("available_spare"), why)
    bad = {signal["id"] for signal in reading["signals"]} & {"spare-left", "spare-short"}
    checks.same("and is no sign at all", bad, set())
    # It does report how much of its endurance is spent: nothing, and that is for the record only.
    spent = [(signal["weight"], signal["value"]) for signal in reading["signals"] if signal["id"] == "endurance-spent"]
    checks.same("endurance spent: 0, for the record", spent, [("for-the-record", 0)])
    checks.same("as decoded", decoded["percentage_used"], 0)
    checks.same("nor a reason to decide", [s for s in reading["signals"] if s["weight"] == "decides"], [])

    # It keeps no self-test results, and refuses log 06h with status 0/02h: no count of passed tests may come of that.
    for name in ("results", "current_operation"):
        checks.same(f"self-test log: {name} is null", decoded["device_self_test"][name], None)
        checks.that("with a reason", why.get(f"device_self_test.{name}"), sorted(why))

    warned = out.result("warned")["drives"][0]
    checks.same("the warning byte", warned["reading"]["decoded"]["critical_warning"], 0x0C)
    found = {signal["id"] for signal in warned["reading"]["signals"]}
    checks.that("both warnings are seen", {"reliability-reduced", "writes-refused"} <= found, found)
    before, after = out.result("assess")["drives"][0]["forecast"], warned["forecast"]
    checks.that(
        "and make it worse", after["drive_lost"]["mid"] > before["drive_lost"]["mid"], before["route"], after["route"]
    )
    checks.that("a controller is no drive", out.status("identify") in (1, 2), out.document("identify"))
    refused = out.document("identify")["error"]
    checks.same("a controller: the error says on what", refused["on"], "/dev/nvme0")
    checks.that("and what to do", refused["next"], refused)
    checks.same("nothing there: the error says on what", out.document("nothing")["error"]["on"], "/dev/nvme7n1")
    checks.that("nothing there: failed", out.status("nothing") in (1, 2), out.status("nothing"))
    untouched(out, checks, "drive")
    return out
