"""From lines of alarms.jsonl to episodes: each time an alarm stood, from its raising to its clearing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from standingwatch.detect.words import Severity

Line = Mapping[str, Any]

#: What an alarm is about and what it says: site, transmitter, region, condition; "" where it has none.
Key = tuple[str, str, str, str]


@dataclass
class Episode:
    """One time that an alarm stood.

    Attributes:
        key: site, transmitter, region, condition.
        start_us: when it was raised [Unix microseconds].
        end_us: when it was cleared [Unix microseconds]; None where it stands at the end of the history.
        steps: times [Unix microseconds] and the severities that it had from then on, as words.
        members: "SITE/TRANSMITTER" of each in the group, at the last line.
        last: the last line before it was cleared.
    """

    key: Key
    start_us: int
    last: Line
    end_us: int | None = None
    steps: list[tuple[int, str]] = field(default_factory=list)
    members: tuple[str, ...] = ()

    @property
    def gravest(self) -> str:
        """The highest severity that it had."""
        return max((word for _, word in self.steps), key=Severity.from_word)

    @property
    def severity(self) -> str:
        """The last severity before it was cleared."""
        return self.steps[-1][1]

    def gravest_between(self, start_us: int, end_us: int) -> str:
        """The highest severity that it had from `start_us` on and before `end_us` [Unix microseconds]."""
        ends = [time_us for time_us, _ in self.steps[1:]] + [end_us if self.end_us is None else self.end_us]
        words = [
            word
            for (time_us, word), until_us in zip(self.steps, ends, strict=True)
            if time_us < end_us and until_us >= start_us
        ]
        return max(words, key=Severity.from_word, default=self.severity)

    def overlaps(self, start_us: int, end_us: int) -> bool:
        """Whether it stood at any time from `start_us` on and before `end_us` [Unix microseconds]."""
        return self.start_us < end_us and (self.end_us is None or self.end_us >= start_us)


def time_us_of(text: str) -> int:
    """An RFC 3339 time with offset as whole Unix microseconds."""
    moment = datetime.fromisoformat(text)
    # As two whole numbers: a product of floats would be off by a microsecond now and then.
    return int(moment.replace(microsecond=0).timestamp()) * 1_000_000 + moment.microsecond


def key_of(line: Line) -> Key:
    """The alarm that a line is about."""
    return line["site"], line["transmitter"], line["region"], line["condition"]


def resource_name(key: Key) -> str:
    """What an alarm is about, in words."""
    site, transmitter, region, _ = key
    if region:
        return f"region {region}"
    return f"{site}/{transmitter}" if transmitter else f"site {site}"


def transmitters_of(line: Line) -> tuple[str, ...]:
    """The transmitters that a line names: its own, or its group's members; none for a whole site alone."""
    if line["members"]:
        return tuple(line["members"])
    return (f"{line['site']}/{line['transmitter']}",) if line["transmitter"] else ()


def concerns(site: str, transmitter: str) -> Callable[[Line], bool]:
    """Whether a line is about a transmitter: by itself, as a member of a group, or with its whole site."""
    name = f"{site}/{transmitter}"

    def about(line: Line) -> bool:
        named = transmitters_of(line)
        return name in named if named else line["site"] == site

    return about


def episodes(lines: Iterable[Line], about: Callable[[Line], bool] | None = None) -> list[Episode]:
    """Episodes in order of their begin.

    Args:
        lines: of one alarms.jsonl, in their order.
        about: what counts; an alarm whose group a transmitter joins or leaves begins or ends for it then.
    """
    result: list[Episode] = []
    standing: dict[Key, Episode] = {}
    for line in lines:
        key, time_us = key_of(line), time_us_of(line["time"])
        cleared = line["severity"] == Severity.CLEARED.word
        # A clearing may name no members any more: it ends what stands.
        if cleared or (about is not None and not about(line)):
            ended = standing.pop(key, None)
            if ended is not None:
                ended.end_us = time_us
            continue
        episode = standing.get(key)
        if episode is None:
            episode = standing[key] = Episode(key, time_us, line)
            result.append(episode)
        episode.last = line
        episode.members = tuple(line["members"])
        if not episode.steps or episode.steps[-1][1] != line["severity"]:
            episode.steps.append((time_us, line["severity"]))
    return result
