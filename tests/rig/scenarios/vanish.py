"""A USB drive pulled in the middle of a copy: the run ends as one that can go on, nothing false is on record, and
with the drive back it goes on to the end."""

import sqlite3

import disks

FILES = 12
SIZE = 2048  # blocks

SCRIPT = """
await /dev/sda1
destination
tell open open --drive /dev/sda --to /dest --job /dest/job --owner "A. Tester" --technician "B. Tester" \
  --symptom none --memory known-good --machine bench --must-have none
tell plan plan /dest/job --list
mark slow
tell copy copy /dest/job &
left=600
until [ "$(find /dest/job/bag/data -name 'f*.bin' 2>/dev/null | wc -l)" -ge 1 ] || [ $left -eq 0 ]; do
  left=$((left - 1))
  usleep 50000
done
say seen "$(find /dest/job/bag/data -name 'f*.bin' | wc -l)"
mark pull
wait
tell pulled show /dest/job
cp /dest/job/ledger.db /share/pulled.db
tell verify verify /dest/job
cp -r /dest/job/bag /share/bag-pulled
tell gone copy /dest/job
mark back
left=100
until ls /dev/sd?1 >/dev/null 2>&1 || [ $left -eq 0 ]; do
  left=$((left - 1))
  usleep 100000
done
name=$(basename /dev/sd?1 1)
say name "$name"
fact ro-back "/sys/block/$name/ro"
tell on copy /dest/job
fact ro-on "/sys/block/$name/ro"
tell done show /dest/job
cp -r /dest/job/bag /share/bag
"""


def run(machine, folder, checks):
    content = {f"f{number:02}.bin": disks.named(f"f{number:02}", SIZE) for number in range(FILES)}
    part = disks.ntfs(folder / "part", 24 * disks.MIB, content)
    image = disks.table(folder / "drive", [(part, disks.BASIC_DATA)])
    guest = machine().destination(disks.ext4(folder / "dest", 96 * disks.MIB))
    guest.load("sd_mod", "sg", "xhci_pci", "usb_storage", usb_storage="delay_use=0")
    guest.image("plain", image)
    guest.add("-object", "throttle-group,id=slow", "-blockdev", "throttle,node-name=drive,throttle-group=slow,file=plain")
    guest.add("-device", "qemu-xhci,id=usb")
    guest.add("-device", "usb-storage,bus=usb.0,drive=drive,serial=RIG-USB-0001,id=stick")

    def slow(channel):
        channel.ask("qom-set", path="/objects/slow", property="limits", value={"bps-read": 1 << 20})

    def pull(channel):
        channel.ask("device_del", id="stick")

    def back(channel):
        channel.ask("qom-set", path="/objects/slow", property="limits", value={"bps-read": 0})
        channel.ask("device_add", driver="usb-storage", bus="usb.0", drive="drive", serial="RIG-USB-0001", id="again")

    out = guest.run(SCRIPT, {"slow": slow, "pull": pull, "back": back}, limit=420)

    checks.that("something was copied before", int(out.said("seen")) >= 1, out.said("seen"))
    checks.same("the run ends as one that can go on", out.status("copy"), 4)
    document = out.document("copy")
    result = document.get("result") or {}
    checks.that("and says that work remains", result.get("remaining", 0) > 0 or document.get("error"), document)
    # The drive is away, so the ledger itself is asked: states 1 whole, 2 damaged, 3 unreadable.
    with sqlite3.connect(out.share / "pulled.db") as ledger:
        rows = ledger.execute("SELECT item.name, got.state FROM item LEFT JOIN got ON got.item = item.id WHERE kind = 0")
        states = {name.decode("utf-16-le"): state for name, state in rows}
    ledger.close()
    checks.that("every file is on record", set(content) <= set(states), sorted(states))
    bag = {path.name: path for path in (out.share / "bag-pulled" / "data").rglob("f*.bin")}
    for name, data in content.items():
        state = states.get(name)
        if state == 1:
            checks.that(f"{name}: on record as copied, and it is", name in bag and bag[name].read_bytes() == data)
        else:
            checks.that(f"{name}: not blamed on the drive's sectors", state not in (2, 3), state)
    for name, path in bag.items():
        checks.that(f"{name}: nothing wrong lies in the bag", path.read_bytes() == content[name])
    checks.that("not all was copied", len(bag) < FILES, len(bag))
    checks.that("without the drive nothing goes on", out.status("gone") in (1, 4), out.document("gone"))
    # By its place or, now that nothing is there any more, by its serial.
    about = str(out.document("gone").get("error", {}).get("on"))
    checks.that("and the error says on what", about == "/dev/sda" or "RIG-USB-0001" in about, about)
    checks.same("and nothing wrong is found", out.result("verify", out.status("verify"))["mismatched"], [])

    checks.same("with the drive back it goes on to the end", out.result("on")["remaining"], 0)
    bag = {path.name: path for path in (out.share / "bag" / "data").rglob("f*.bin")}
    for name, data in content.items():
        checks.that(f"{name}: whole in the end", name in bag and bag[name].read_bytes() == data)
    # A drive that comes back is a new device to the kernel, without the flag.
    checks.same("the kernel's flag was lost with the plug", out.said("ro-back"), "0")
    checks.same("and is set again before anything is read", out.said("ro-on"), "1")
    checks.holds("which is told", out.words("on"), "set again")
    return out
