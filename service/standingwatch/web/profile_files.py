"""The payload profiles for the pages: read again only when a file of their folder has changed."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from standingwatch.readings.profile import Profile
from standingwatch.settings.profiles import ENDING, load_profiles

#: What tells whether a folder has changed: name, time of the last change [ns] and size of each file.
_State = tuple[tuple[str, int, int], ...]


class KnownProfiles(NamedTuple):
    """The profiles that can be used, by the order of their names, and what is wrong with the others."""

    profiles: tuple[Profile, ...]
    problems: tuple[str, ...]

    def named(self, name: str) -> Profile | None:
        """The profile of a name; None for none."""
        return next((one for one in self.profiles if one.name == name), None)


class ProfileFolder:
    """The profiles of a folder as its files are now.

    Args:
        folder: where the files are; one that is not there holds nothing.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._kept: tuple[_State, KnownProfiles] | None = None

    def now(self) -> KnownProfiles:
        """The profiles."""
        # The state first: a file that changes in between is read once more the next time.
        state = self._state()
        kept = self._kept
        if kept is None or kept[0] != state:
            profiles, problems = load_profiles(self._folder)
            kept = state, KnownProfiles(profiles, tuple(str(one) for one in problems))
            self._kept = kept
        return kept[1]

    def _state(self) -> _State:
        found = []
        for path in sorted(self._folder.glob(f"*{ENDING}")):
            try:
                told = path.stat()
            except OSError:
                found.append((path.name, -1, -1))  # gone, or not to be read: reading it says so
            else:
                found.append((path.name, told.st_mtime_ns, told.st_size))
        return tuple(found)
