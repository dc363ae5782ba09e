"""A small disk of the campaign's own: a file system in a file, that can be filled, and lose its power.

The file holds what has reached the disk and nothing else: what is written and not yet synchronised is in
memory. A copy of the file is thus what a loss of power leaves. It asks for root and loop devices.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from contextlib import suppress
from pathlib import Path

from fault_campaign.broker import program


def can_mount() -> bool:
    """Whether this machine lets us mount a file system of our own."""
    return os.geteuid() == 0 and Path("/dev/loop-control").exists() and bool(shutil.which("mkfs.ext4"))


class SmallDisk:
    """A file system (ext4) in a file.

    Args:
        folder: where it is mounted; made.
        megabytes: how large it is.
    """

    def __init__(self, folder: Path, megabytes: int) -> None:
        self.folder = folder
        self._image = folder.with_suffix(".img")
        with self._image.open("wb") as file:
            file.truncate(megabytes << 20)
        subprocess.run([program("mkfs.ext4"), "-q", "-m", "0", str(self._image)], check=True)
        folder.mkdir()
        self._mount()

    def _mount(self) -> None:
        subprocess.run([program("mount"), "-o", "loop", str(self._image), str(self.folder)], check=True)

    def unmount(self) -> None:
        """Take it away; nothing may have a file of it open."""
        subprocess.run([program("umount"), str(self.folder)], check=True)

    def fill(self, leave_bytes: int) -> None:
        """Fill it with a file, but for so much."""
        room = os.statvfs(self.folder)
        left = room.f_bavail * room.f_frsize - leave_bytes
        with (self.folder / "ballast").open("wb", buffering=0) as file, suppress(OSError):
            # Others write too: it is full when nothing more can be written.
            while left > 0:
                left -= file.write(bytes(min(left, 65_536)))

    def make_room(self) -> None:
        """Take the ballast away."""
        (self.folder / "ballast").unlink(missing_ok=True)

    def copy(self) -> Path:
        """What has reached the disk by now, in a file of its own."""
        kept = self._image.with_suffix(".copy")
        shutil.copyfile(self._image, kept)
        return kept

    def come_back_from(self, copy: Path) -> None:
        """Put a copy in place of the disk, as it is after the power came back."""
        self.unmount()
        os.replace(copy, self._image)
        self._mount()
