"""One virtual machine: started, talked to, and ended by its own process number.

The emulator translates in software always: a /dev/kvm that is there is not always one that works.
"""

import json
import os
import re
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from pathlib import Path

from archive import Archive
from stock import HERE, libraries

# What every guest needs.
BASIC = ["virtio_pci", "virtio_blk", "9pnet_virtio", "9p", "crc32c_generic", "ext4"]


class Trouble(Exception):
    """The rig itself failed, or the guest never came to its end."""


class Channel:
    """The emulator's control socket: one JSON document a line, both ways."""

    def __init__(self, path, deadline):
        while True:
            self.socket = socket.socket(socket.AF_UNIX)
            try:
                self.socket.connect(str(path))
                break
            except OSError:
                self.socket.close()
                if time.monotonic() > deadline:
                    raise Trouble("the emulator opened no control socket") from None
                time.sleep(0.05)
        self.socket.settimeout(60)
        self.lines = self.socket.makefile("rw")
        self.lines.readline()
        self.ask("qmp_capabilities")

    def ask(self, command, **arguments):
        self.lines.write(json.dumps({"execute": command, "arguments": arguments}) + "\n")
        self.lines.flush()
        while line := self.lines.readline():
            reply = json.loads(line)
            if "error" in reply:
                raise Trouble(f"{command}: {reply['error'].get('desc')}")
            if "return" in reply:
                return reply["return"]
        raise Trouble(f"{command}: the emulator is gone")

    def close(self):
        self.lines.close()
        self.socket.close()


def counts(channel):
    """What the emulator counted of each drive's requests, by the name of its block node."""
    return {drive["node-name"]: drive["stats"] for drive in channel.ask("query-blockstats") if drive.get("qdev")}


class Outcome:
    """What a guest left behind: its console, its facts, the program's documents."""

    def __init__(self, share, lines, seconds, counted):
        self.share, self.lines, self.seconds, self.counted = share, lines, seconds, counted

    def said(self, name):
        return (self.share / f"{name}.said").read_text().strip()

    def has(self, name):
        return (self.share / f"{name}.said").exists()

    def tried(self, name):
        """Exit status and words of a command."""
        return int(self.said(name)), (self.share / f"{name}.tried").read_text(errors="replace")

    def status(self, name):
        return int((self.share / f"{name}.status").read_text())

    def words(self, name):
        return (self.share / f"{name}.err").read_text(errors="replace")

    def document(self, name):
        text = (self.share / f"{name}.json").read_text()
        try:
            return json.loads(text)
        except ValueError:
            raise AssertionError(f"{name}: no JSON document: {text[:300]!r} {self.words(name)[:300]!r}") from None

    def result(self, name, status=0):
        """The result of a command that ended as it ought to."""
        document = self.document(name)
        found = self.status(name)
        if found != status:
            raise AssertionError(
                f"{name}: exit status {found}, expected {status}: {document.get('error')} {self.words(name)[-600:]}"
            )
        return document.get("result")

    def dmesg(self):
        return (self.share / "dmesg").read_text(errors="replace")


def untouched(out, checks, *nodes):
    """The emulator, which sees every command whatever way it was sent, counted no write to these drives."""
    for node in nodes:
        counted = out.counted.get(node)
        if not checks.that(f"{node}: the emulator counts", counted, sorted(out.counted)):
            continue
        sums = [f"{kind}_{what}" for kind in ("wr", "flush", "unmap") for what in ("operations", "bytes")]
        sums += [f"{state}_{kind}_operations" for state in ("failed", "invalid") for kind in ("wr", "flush", "unmap")]
        wrote = {name: counted[name] for name in sums if counted.get(name)}
        checks.same(f"{node}: no write, flush or discard came to the drive", wrote, {})
        checks.that(f"{node}: reads did", counted["rd_operations"] > 0, counted)


class Machine:
    """A machine to be: add drives, then run a scenario in it."""

    def __init__(self, stock, binary, folder):
        self.stock, self.binary, self.folder = stock, binary, Path(folder)
        self.share = self.folder / "share"
        self.share.mkdir(exist_ok=True)
        self.arguments = []
        self.modules = list(BASIC)
        self.options = {}
        self.tools = []

    def tool(self, path):
        """A program of this machine, with its libraries, for the guest."""
        self.tools.append(Path(path))
        return self

    def add(self, *arguments):
        self.arguments += [str(argument) for argument in arguments]
        return self

    def image(self, name, path):
        """A raw image as a block node of this name."""
        node = {"driver": "raw", "node-name": name, "file": {"driver": "file", "filename": str(path)}}
        return self.add("-blockdev", json.dumps(node))

    def image_with_faults(self, name, path, sectors, errno):
        """The same, with sectors that can never be read."""
        rules = [
            {"event": "none", "iotype": "read", "errno": errno, "sector": sector, "once": False} for sector in sectors
        ]
        node = {
            "driver": "raw",
            "node-name": name,
            "file": {
                "driver": "blkdebug",
                "image": {"driver": "file", "filename": str(path)},
                "inject-error": rules,
            },
        }
        return self.add("-blockdev", json.dumps(node))

    def destination(self, path):
        """The disk for copies: /dev/vda in the guest."""
        self.image("dest", path)
        return self.add("-device", "virtio-blk-pci,drive=dest,serial=RIGDEST")

    def load(self, *modules, **options):
        self.modules += modules
        self.options.update(options)
        return self

    def initial(self, scenario):
        base = self.stock.root.parent / "base"
        binary = self.binary.stat()
        key = f"{self.binary} {binary.st_size} {binary.st_mtime_ns}"
        kept = base.with_suffix(".key")
        if not base.exists() or not kept.exists() or kept.read_text() != key:
            archive = Archive()
            archive.console()
            archive.file("bin/busybox", self.stock.busybox.read_bytes(), 0o755)
            archive.file("bin/holdpoint", self.binary.read_bytes(), 0o755)
            for name, file in libraries(self.binary):
                archive.file(name, file.read_bytes(), 0o755)
            if not os.access(base.parent, os.W_OK):
                base, kept = self.folder / "base", self.folder / "base.key"
            base.write_bytes(archive.bytes())
            kept.write_text(key)
        archive = Archive()
        archive.file("init", (HERE / "guest" / "init").read_bytes(), 0o755)
        archive.file("rig/tools.sh", (HERE / "guest" / "tools.sh").read_bytes())
        archive.file("rig/scenario.sh", scenario.encode())
        for tool in self.tools:
            archive.file(f"bin/{tool.name}", tool.read_bytes(), 0o755)
            for name, file in libraries(tool):
                archive.file(name, file.read_bytes(), 0o755)
        order = []
        for name, data in self.stock.load_order(self.modules):
            archive.file(f"modules/{name}.ko", data)
            order.append(f"{name} {self.options.get(name, '')}".strip())
        archive.file("rig/modules", ("\n".join(order) + "\n").encode())
        path = self.folder / "initrd"
        path.write_bytes(base.read_bytes() + archive.bytes())
        return path

    def run(self, scenario, on_mark=None, limit=300):
        """Runs the scenario to its end. `on_mark[name](channel)` acts while the guest waits at a mark."""
        control = Path(tempfile.mkdtemp(prefix="rig-")) / "control"
        root = self.stock.root
        command = [
            str(self.stock.qemu), "-L", str(root / "usr/share/qemu"), "-L", str(root / "usr/share/seabios"),
            "-accel", "tcg", "-M", "q35", "-cpu", "max", "-m", "512", "-nodefaults", "-no-user-config", "-no-reboot",
            "-display", "none", "-serial", "stdio", "-net", "none",
            "-kernel", str(self.stock.kernel), "-initrd", str(self.initial(scenario)),
            "-append", "console=ttyS0 quiet panic=-1 no_timer_check",
            "-qmp", f"unix:{control},server=on,wait=off",
            "-virtfs", f"local,path={self.share},mount_tag=share,security_model=none",
            *self.arguments,
        ]  # fmt: skip
        began = time.monotonic()
        deadline = began + limit
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            env=self.stock.environment(),
        )  # fmt: skip
        cut = threading.Timer(limit, process.kill)
        cut.start()
        lines, ended, counted = [], None, {}
        channel = None
        try:
            channel = Channel(control, min(deadline, began + 60))
            for raw in process.stdout:
                line = raw.decode(errors="replace").strip()
                lines.append(line)
                if found := re.search(r"RIG-MARK (\S+)", line):
                    name = found.group(1)
                    if name == "end":
                        counted = counts(channel)
                    (on_mark or {}).get(name, lambda _: None)(channel)
                    (self.share / f"go-{name}").touch()
                elif found := re.search(r"RIG-END (\d+)", line):
                    ended = int(found.group(1))
            process.wait(60)
        finally:
            cut.cancel()
            if process.poll() is None:
                process.kill()
                process.wait()
            if channel:
                channel.close()
            shutil.rmtree(control.parent, ignore_errors=True)
            (self.folder / "console").write_text("\n".join(lines))
        tail = "\n".join(lines[-25:])
        if ended is None:
            raise Trouble(f"the guest never came to its end within {limit} s:\n{tail}")
        trouble = [line for line in lines if "RIG-TROUBLE" in line]
        if ended != 0 or trouble:
            raise Trouble(f"the guest's script ended with {ended}: {trouble}\n{tail}")
        return Outcome(self.share, lines, time.monotonic() - began, counted)
