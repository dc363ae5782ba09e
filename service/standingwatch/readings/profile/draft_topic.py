"""Which levels of an example's topic name the site and the transmitter. A guess: `draft` marks it as one."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

#: Levels that name a kind of thing, and no thing. Common practice, no source.
_COMMON = frozenset(
    (
        *(
            "status",
            "state",
            "report",
            "reports",
            "telemetry",
            "tele",
            "rf",
            "data",
            "power",
            "meter",
            "meters",
        ),
        *(
            "sensor",
            "sensors",
            "scada",
            "rtu",
            "gw",
            "gateway",
            "plant",
            "site",
            "sites",
            "station",
            "tx",
            "net",
        ),
        *(
            "transmitter",
            "transmitters",
            "up",
            "uplink",
            "json",
            "csv",
            "values",
            "value",
            "v1",
            "v2",
            "stat",
        ),
        *(
            "device",
            "devices",
            "io",
            "adc",
            "logger",
            "remote",
            "poll",
            "box",
            "panel",
            "radio",
            "mqtt",
            "out",
        ),
        *(
            "in",
            "pub",
            "event",
            "measurements",
            "measurement",
            "swr",
            "live",
            "raw",
            "metrics",
            "network",
            "rpt",
        ),
    )
)
_BEFORE_A_SITE = frozenset(("site", "sites", "station", "location"))
_BEFORE_A_TRANSMITTER = frozenset(("tx", "transmitter", "transmitters", "rtu", "device", "radio", "rpt"))


class GuessedTopic(NamedTuple):
    """A pattern for topics.

    Attributes:
        text: as a profile writes it.
        why: what was taken for what, in words.
        needed: what a person has to fill in.
    """

    text: str
    why: str
    needed: tuple[str, ...]


def guess_topic(
    topic: str, places: Collection[tuple[str, str]], *, is_quantity: int | None, named: frozenset[str]
) -> GuessedTopic:
    """The pattern of a topic.

    Args:
        topic: where the example came.
        places: sites and transmitters of the site list.
        is_quantity: position of the level that says which quantity a bare number is; None where none does.
        named: `site` and `transmitter` where the payload names them.
    """
    levels = topic.split("/")
    given = [name for name in ("site", "transmitter") if name not in named]
    found: dict[int, str] = {} if is_quantity is None else {is_quantity: "quantity"}
    why: list[str] = []
    if "site" in given:
        _take(found, _site_at(levels, places, found, both="transmitter" in given), "site")
    if "transmitter" in given:
        _take(found, _transmitter_at(levels, places, found), "transmitter")
    # One level has to stay as it is: a profile of nothing but parts would read every topic there is.
    may_vary = any(at not in found and not _is_free(level) for at, level in enumerate(levels))
    made = []
    for at, level in enumerate(levels):
        if at in found:
            made.append(f"{{{found[at]}}}")
            why.append(f"{level!r} is taken for the {found[at]}")
        elif may_vary and _is_free(level):
            made.append(f"{{level_{at + 1}}}")
            why.append(f"{level!r} may vary")
        else:
            made.append(level)
    needed = [
        f"`{name}` in [constants], or {{{name}}} in `topic`: no level looks like the name of one"
        for name in given
        if name not in found.values()
    ]
    if len(found) == len(levels):
        needed.append("`topic` with a level that is no part, such as a word that all of these topics share")
    text = "; ".join(why) or "no level looks like a name"
    return GuessedTopic("/".join(made), text, tuple(needed))


def _take(found: dict[int, str], at: int | None, name: str) -> None:
    if at is not None:
        found[at] = name


def _is_free(level: str) -> bool:
    """Whether a level that names neither site nor transmitter may be another one for the next device."""
    return any(character.isdigit() for character in level) and level.lower() not in _COMMON


def _candidates(levels: list[str], found: dict[int, str]) -> list[int]:
    return [
        at for at, level in enumerate(levels) if at not in found and level and level.lower() not in _COMMON
    ]


def _site_at(
    levels: list[str], places: Collection[tuple[str, str]], found: dict[int, str], *, both: bool
) -> int | None:
    known = {site for site, _ in places}
    free = _candidates(levels, found)
    for at in free:
        if levels[at] in known:
            return at
    for at in free:
        if at and levels[at - 1].lower() in _BEFORE_A_SITE:
            return at
    # What is left of the transmitter, which comes last.
    if both and len(free) >= 2:
        return free[-2]
    return free[-1] if free and not both else (free[0] if free else None)


def _transmitter_at(
    levels: list[str], places: Collection[tuple[str, str]], found: dict[int, str]
) -> int | None:
    site_at = next((at for at, name in found.items() if name == "site"), None)
    site = levels[site_at] if site_at is not None else ""
    known = {transmitter for of, transmitter in places if of == site}
    free = _candidates(levels, found)
    for at in free:
        if levels[at] in known:
            return at
    for at in free:
        if at and levels[at - 1].lower() in _BEFORE_A_TRANSMITTER:
            return at
    after = [at for at in free if site_at is None or at > site_at]
    return after[-1] if after else None
