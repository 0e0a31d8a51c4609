"""What the rig is made of: an emulator, a kernel with its modules, busybox, and the program under test.

Debian packages are downloaded once into tests/.cache and unpacked there; nothing is installed, so
nothing can clash with what the machine has.
"""

import os
import re
import shutil
import subprocess
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
CACHE = ROOT / "tests" / ".cache" / "rig"

# What is unpacked of the kernel's package: the rest of its modules is of no use to a machine without a screen.
KERNEL_PARTS = [
    "./boot/vmlinuz-*",
    "./lib/modules/*/modules.builtin",
    "./lib/modules/*/kernel/block/*",
    "./lib/modules/*/kernel/crypto/*",
    "./lib/modules/*/kernel/lib/*",
    "./lib/modules/*/kernel/fs/*",
    "./lib/modules/*/kernel/net/9p/*",
    "./lib/modules/*/kernel/arch/x86/crypto/*",
    *(
        f"./lib/modules/*/kernel/drivers/{part}/*"
        for part in ("ata", "block", "hwmon", "md", "mmc", "nvme", "scsi", "usb", "virtio")
    ),
]


class NoStock(Exception):
    """The rig cannot be put together here; says why."""


def wanted():
    """The lines of the list: a package each, or several of which one will do."""
    lines = (HERE / "packages").read_text().splitlines()
    return [line for line in lines if line and not line.startswith("#")]


def choose(lines):
    """Of each line the first package that apt knows; the last one when it knows none, so that it is named."""
    chosen = []
    for line in lines:
        names = line.split(" | ")
        known = [name for name in names if "\nVersion: " in quiet(["apt-cache", "show", name]).stdout]
        chosen.append((known or names[-1:])[0])
    return chosen


def quiet(command, **options):
    return subprocess.run(command, capture_output=True, text=True, **options)


def download(folder):
    """The packages and what they need beyond this machine's own."""
    if not shutil.which("apt-get") or not shutil.which("dpkg-deb"):
        raise NoStock("no apt-get and dpkg-deb here to get the emulator with")
    try:
        fetch(folder)
    except NoStock:
        # Lists of packages that are missing or old are the likeliest reason; only root can renew them.
        if os.geteuid() != 0:
            raise
        quiet(["apt-get", "-o", "DPkg::Lock::Timeout=60", "update", "-qq"], timeout=180)
        fetch(folder)


def fetch(folder):
    names = choose(wanted())
    # The trailing minus keeps an installed qemu-utils of another suite from standing in the way.
    told = quiet(["apt-get", "install", "-s", "--no-install-recommends", *names, "qemu-utils-"])
    if told.returncode != 0:
        raise NoStock(f"apt-get knows no way to the emulator: {told.stderr.strip()[-300:]}")
    needed = set(re.findall(r"^Inst (\S+)", told.stdout, re.MULTILINE))
    # A script that waits for a system to be set up is nothing to unpack.
    needed -= {"initramfs-tools", "initramfs-tools-core", "klibc-utils", "libklibc", "linux-base", "cpio", "ipxe-qemu"}
    # The metapackage names the kernel, which may be installed already.
    for name in names:
        if name.startswith("linux-image-"):
            depends = quiet(["apt-cache", "depends", name]).stdout
            needed |= set(re.findall(r"Depends: (linux-image-\S+)", depends))
    got = quiet(["apt-get", "download", *sorted(needed | set(names))], cwd=folder, timeout=600)
    if got.returncode != 0:
        raise NoStock(f"the packages could not be downloaded: {got.stderr.strip()[-300:]}")


def unpack(debs, root):
    for deb in sorted(debs.glob("*.deb")):
        if deb.name.startswith("linux-image-"):
            data = subprocess.Popen(["dpkg-deb", "--fsys-tarfile", deb], stdout=subprocess.PIPE)
            tar = ["tar", "-x", "-C", root, "--no-same-owner", "--wildcards", *KERNEL_PARTS]
            # The metapackage holds none of the parts, which tar calls an error.
            subprocess.run(tar, stdin=data.stdout, stderr=subprocess.DEVNULL, check=False)
            data.wait()
        else:
            subprocess.run(["dpkg-deb", "-x", deb, root], check=True)


class Stock:
    """Paths of everything that a machine is started from."""

    def __init__(self):
        try:
            self.provide()
        except OSError as why:
            raise NoStock(f"the rig's parts could not be put together in {CACHE}: {why}") from None

    def provide(self):
        CACHE.mkdir(parents=True, exist_ok=True)
        root = CACHE / "root"
        done = CACHE / "complete"
        mark = "\n".join(wanted() + KERNEL_PARTS)
        if not done.exists() or done.read_text() != mark:
            shutil.rmtree(root, ignore_errors=True)
            done.unlink(missing_ok=True)
            debs = CACHE / "debs"
            shutil.rmtree(debs, ignore_errors=True)
            debs.mkdir()
            download(debs)
            root.mkdir()
            unpack(debs, root)
            self.find(root)
            # Unpacked, they are of no more use.
            shutil.rmtree(debs)
            done.write_text(mark)
        self.find(root)

    def find(self, root):
        self.root = root
        kernels = sorted((root / "boot").glob("vmlinuz-*"))
        self.qemu = root / "usr/bin/qemu-system-x86_64"
        self.busybox = root / "bin/busybox"
        if not kernels or not self.qemu.exists() or not self.busybox.exists():
            raise NoStock("the packages do not hold what they ought to (kernel, emulator, busybox)")
        self.kernel = kernels[-1]
        self.modules = root / "lib/modules" / self.kernel.name.removeprefix("vmlinuz-")
        self.builtin = {
            Path(line).name.removesuffix(".ko").replace("-", "_")
            for line in (self.modules / "modules.builtin").read_text().split()
        }
        self.paths = {
            re.sub(r"\.ko(\.xz)?$", "", path.name).replace("-", "_"): path
            for path in self.modules.rglob("*.ko*")
        }

    def environment(self):
        libraries = self.root / "usr/lib/x86_64-linux-gnu"
        more = self.root / "lib/x86_64-linux-gnu"
        return {
            **os.environ,
            "LD_LIBRARY_PATH": f"{libraries}:{more}",
            "QEMU_MODULE_DIR": str(libraries / "qemu"),
        }

    def has(self, module):
        return module in self.paths or module in self.builtin

    def module_bytes(self, name):
        path = self.paths[name]
        data = path.read_bytes()
        if path.suffix == ".xz":
            import lzma

            return lzma.decompress(data)
        return data

    def load_order(self, names):
        """The named modules behind those they depend on, as (name, bytes); built-in ones fall away."""
        order = {}

        def visit(name):
            name = name.replace("-", "_")
            if name in order or name in self.builtin:
                return
            if name not in self.paths:
                raise NoStock(f"the kernel {self.modules.name} has no module {name}")
            data = self.module_bytes(name)
            # `.modinfo` is a list of NUL-ended `key=value` texts.
            told = re.search(rb"\0depends=([^\0]*)\0", data)
            for other in told.group(1).decode().split(",") if told else []:
                if other:
                    visit(other)
            order[name] = data

        for name in names:
            visit(name)
        return list(order.items())


def program():
    """The program under test, built as `tests/all` builds it."""
    given = os.environ.get("HOLDPOINT_BIN")
    if given:
        return Path(given).resolve()
    build = ["cargo", "build", "--release", "--locked", "--quiet"]
    subprocess.run(build, cwd=ROOT, check=True)
    target = Path(os.environ.get("CARGO_TARGET_DIR", ROOT / "target"))
    return target / "release" / "holdpoint"


def libraries(binary):
    """The shared libraries of a program by the path that its loader wants, as (path in guest, file)."""
    told = quiet(["ldd", binary])
    if told.returncode != 0:  # a static one
        return []
    found = re.findall(r"(?:=> )?(/\S+) \(0x", told.stdout)
    return [(path.lstrip("/"), Path(path).resolve()) for path in found]
