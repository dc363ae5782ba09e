"""Which payload profiles read a topic, and what to subscribe to for them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from standingwatch.readings.profile import Profile

#: Topics that are remembered; beyond that all are forgotten and looked up anew.
_MOST_TOPICS = 100_000


class Route(NamedTuple):
    """A profile that reads a topic.

    Attributes:
        profile: the profile.
        parts: the named levels of the topic.
    """

    profile: Profile
    parts: Mapping[str, str]


class Routes:
    """The profiles by topic; a Sparkplug one reads none, its metrics come by another way.

    Args:
        profiles: in the order in which they are asked.
    """

    def __init__(self, profiles: Iterable[Profile]) -> None:
        self.profiles = tuple(one for one in profiles if one.format != "sparkplug")
        self.joins = any(one.format == "number" for one in self.profiles)
        self._known: dict[str, tuple[Route, ...]] = {}

    def __len__(self) -> int:
        """How many topics are remembered."""
        return len(self._known)

    def of(self, topic: str) -> tuple[Route, ...]:
        """All profiles whose pattern fits a topic, in their order."""
        found = self._known.get(topic)
        if found is None:
            found = tuple(
                Route(profile, parts)
                for profile in self.profiles
                if (parts := profile.topic.match(topic)) is not None
            )
            if len(self._known) >= _MOST_TOPICS:
                self._known.clear()
            self._known[topic] = found
        return found


def profile_filters(profiles: Iterable[Profile]) -> tuple[str, ...]:
    """The filters to subscribe to for some profiles; none that another one covers."""
    filters = list(dict.fromkeys(profile.topic.filter for profile in Routes(profiles).profiles))
    return tuple(one for one in filters if not any(_covers(other, one) for other in filters if other != one))


def _covers(first: str, second: str) -> bool:
    """Whether a filter without # fits every topic that another one does."""
    mine, other = first.split("/"), second.split("/")
    return len(mine) == len(other) and all(a in ("+", b) for a, b in zip(mine, other, strict=True))
