"""An initial file system in the kernel's own archive form (Documentation/driver-api/early-userspace/buffer-format.rst)."""

import stat


class Archive:
    """Files for the guest, in the order in which they were put in."""

    def __init__(self):
        self.parts = []
        self.folders = set()
        self.number = 0

    def entry(self, name, mode, data=b"", device=(0, 0)):
        self.number += 1
        raw = name.encode() + b"\0"
        fields = [self.number, mode, 0, 0, 1, 0, len(data), 0, 0, *device, len(raw), 0]
        head = b"070701" + b"".join(b"%08X" % field for field in fields)
        for part in (head + raw, data):
            self.parts.append(part + bytes(-len(part) % 4))

    def folder(self, name):
        parts = name.strip("/").split("/")
        for end in range(1, len(parts) + 1):
            path = "/".join(parts[:end])
            if path and path not in self.folders:
                self.folders.add(path)
                self.entry(path, stat.S_IFDIR | 0o755)

    def file(self, name, data, mode=0o644):
        if "/" in name:
            self.folder(name.rsplit("/", 1)[0])
        self.entry(name, stat.S_IFREG | mode, data)

    def console(self):
        self.folder("dev")
        self.entry("dev/console", stat.S_IFCHR | 0o600, device=(5, 1))

    def bytes(self):
        self.entry("TRAILER!!!", 0)
        data = b"".join(self.parts)
        return data + bytes(-len(data) % 512)
