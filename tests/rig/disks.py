"""Image files of drives, made without mounting anything and without being root."""

import hashlib
import subprocess
from pathlib import Path

SECTOR = 512
MIB = 1 << 20


def ran(command, **options):
    done = subprocess.run([str(part) for part in command], capture_output=True, **options)
    if done.returncode != 0:
        raise RuntimeError(f"{command[0]} ended with {done.returncode}: {done.stderr.decode(errors='replace')[-400:]}")
    return done


def empty(path, size):
    path = Path(path)
    with open(path, "wb") as file:
        file.truncate(size)
    return path


def named(name, blocks):
    """Content whose every block of 512 bytes names itself, so that it can be found again in an image."""
    return b"".join((f"{name} block {number:08d} ".encode() * 40)[:SECTOR] for number in range(blocks))


def where(image, name, number):
    """The sector of an image that holds a block of a file so made."""
    block = named_block(name, number)
    data = Path(image).read_bytes()
    at = data.find(block)
    if at < 0 or at % SECTOR != 0 or data.find(block, at + 1) >= 0:
        raise RuntimeError(f"block {number} of {name} does not lie exactly once in {image}")
    return at // SECTOR


def named_block(name, number):
    return (f"{name} block {number:08d} ".encode() * 40)[:SECTOR]


def digest(path):
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


def ext4(path, size, folder=None, *options):
    """A file system with the content of a folder."""
    empty(path, size)
    more = ["-d", folder] if folder else []
    ran(["mke2fs", "-q", "-F", "-t", "ext4", "-E", "root_owner=0:0,lazy_itable_init=0", *options, *more, path])
    return Path(path)


def ntfs(path, size, files, label="RIG"):
    """A volume with files in its root folder. `files`: name to bytes."""
    path = empty(path, size)
    ran(["mkntfs", "-q", "-Q", "-F", "-s", SECTOR, "-p", 2048, "-H", 16, "-S", 63, "-L", label, path])
    for name, data in files.items():
        source = path.with_suffix(".content")
        source.write_bytes(data)
        ran(["ntfscp", "-q", path, source, name])
        source.unlink()
    return path


def table(path, parts, room=0):
    """A drive with a GPT whose partitions hold these images; each begins on a border of 1 MiB. `room`: bytes left behind them."""
    lines, at = ["label: gpt", "unit: sectors"], MIB
    places = []
    for part, kind in parts:
        size = Path(part).stat().st_size
        lines.append(f"start={at // SECTOR}, size={size // SECTOR}, type={kind}")
        places.append(at)
        at += -(-size // MIB) * MIB
    path = empty(path, at + MIB + room)
    ran(["sfdisk", "-q", "--no-reread", "--no-tell-kernel", path], input="\n".join(lines).encode())
    with open(path, "r+b") as drive:
        for (part, _), place in zip(parts, places):
            drive.seek(place)
            drive.write(Path(part).read_bytes())
    return path


# Partition types (UEFI 2.10, table 5.7, and the types in use for these two).
BASIC_DATA = "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7"
LINUX_DATA = "0FC63DAF-8483-4772-8E79-3D69D8477DE4"
