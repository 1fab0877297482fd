"""A disk of a few megabytes: an ext4 image behind a loop device, that can be full or turn read-only.

It needs root and a kernel that lends loop devices; `usable` says whether this machine does.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

_MB = 1_000_000


class SmallDisk:
    """Mounted on `folder` until `close`."""

    def __init__(self, folder: Path, size_mb: int = 12) -> None:
        self.folder = folder
        self._image = folder.with_name(f"{folder.name}.img")
        self._filler = folder / "filler"
        folder.mkdir(parents=True)
        with self._image.open("wb") as image:
            image.truncate(size_mb * _MB)
        _run("mkfs.ext4", "-q", "-F", "-m", "0", "-E", "lazy_itable_init=0", str(self._image))
        self._mount()

    def _mount(self) -> None:
        _run("mount", "-o", "loop", str(self._image), str(self.folder))

    def fill(self) -> None:
        """Leave not one block."""
        with self._filler.open("ab", buffering=0) as filler:
            for size in (65536, 4096, 1024):
                try:
                    while True:
                        filler.write(bytes(size))
                except OSError:
                    continue

    def make_room(self) -> None:
        """Give it all back."""
        self._filler.unlink()

    def turn_read_only(self) -> None:
        """As the kernel does when a card fails: at once, files open for writing or not.

        `abort` is ext4's own way to try that (the kernel's Documentation/admin-guide/ext4.rst).
        """
        subprocess.run(
            ["mount", "-o", "remount,abort", str(self.folder)], capture_output=True, check=False
        )
        probe = self.folder / "probe"
        try:
            probe.write_bytes(b"x")
        except OSError:
            return
        raise RuntimeError(f"{self.folder} can still be written")

    def repaired(self) -> None:
        """What a restart of the machine does: unmount, check, mount."""
        _run("umount", str(self.folder))
        subprocess.run(["e2fsck", "-fy", str(self._image)], capture_output=True, check=False)
        self._mount()

    def close(self) -> None:
        """Unmount it, whoever still uses it."""
        subprocess.run(["umount", "-l", str(self.folder)], capture_output=True, check=False)
        self._image.unlink(missing_ok=True)


def usable() -> bool:
    """Return whether this machine lets us mount one."""
    if os.geteuid() != 0 or not all(map(shutil.which, ("mkfs.ext4", "mount", "e2fsck"))):
        return False
    with tempfile.TemporaryDirectory() as name:
        try:
            SmallDisk(Path(name) / "trial", 4).close()
        except (OSError, subprocess.CalledProcessError):
            return False
    return True


def _run(*command: str) -> None:
    subprocess.run(command, check=True, capture_output=True)
