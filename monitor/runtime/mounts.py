"""Which kind of file system a folder lies on, and whether that outlives a power cut."""

from __future__ import annotations

from pathlib import Path

VOLATILE = ("tmpfs", "ramfs", "overlay", "squashfs", "aufs")
_MOUNTS = Path("/proc/self/mountinfo")


def file_system(path: Path, mounts: Path = _MOUNTS) -> str:
    """Return the kind of file system that holds a path, empty where it cannot be told."""
    target = path.resolve()
    best, kind = -1, ""
    try:
        lines = mounts.read_text(encoding="utf-8").splitlines()
    except OSError:
        return ""
    for line in lines:
        left, _, right = line.partition(" - ")
        fields = left.split()
        if len(fields) < 5 or not right:
            continue
        mount = Path(fields[4].replace("\\040", " "))
        if target.is_relative_to(mount) and len(mount.parts) > best:
            best, kind = len(mount.parts), right.split()[0]
    return kind
