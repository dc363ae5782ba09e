"""Shelves and windows of work as people enter them: text to values, with every problem at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection

from standingwatch.alarms.handling import LONGEST_NAME, LONGEST_TEXT
from standingwatch.detect.words import Severity
from standingwatch.inventory.maintenance import KINDS, MaintenanceRow
from standingwatch.readings import BadTimeError, parse_time
from standingwatch.store.handling import EntryError, add_shelf
from standingwatch.store.windows import add_window
from standingwatch.web.naming import CONDITIONS
from standingwatch.web.roster import Roster
from standingwatch.web.words import GRAVEST_FIRST

HOUR_US = 3_600_000_000

#: Units of the time that a shelf is for [us].
UNITS_US = {"hours": HOUR_US, "days": 24 * HOUR_US}

#: The gravest severity that a shelf may take which names nothing that an alarm has to be about: what is
#: graver is nothing to shelve for a whole fleet. Our own rule.
GRAVEST_OF_ALL = Severity.MINOR

#: The longest shelf that an operator makes; what is not looked at for longer an engineer answers for [us].
#: Our own rule.
LONGEST_OF_OPERATORS_US = 7 * 24 * HOUR_US

NAMES = ("site", "region", "transmitter", "condition")


class BadEntryError(Exception):
    """An entry cannot be kept as it is.

    Attributes:
        problems: every problem, each with the field that it is about.
    """

    def __init__(self, problems: list[str]) -> None:
        super().__init__("; ".join(problems))
        self.problems = tuple(problems)


@dataclass(frozen=True)
class ShelfEntry:
    """A shelf as it was entered, each field as text.

    Attributes:
        names: any of `NAMES`.
        up_to: word of the gravest severity that it takes.
        until_us: when it ends [Unix microseconds].
        reason, by: why, and who makes it.
        first: whether it comes before the others.
        may_be_long: whether whoever makes it may let it hold for longer than `LONGEST_OF_OPERATORS_US`.
    """

    names: Mapping[str, str]
    up_to: str
    until_us: int
    reason: str
    by: str
    first: bool = False
    may_be_long: bool = True


def until_of(length: str, unit: str, now_us: int) -> int:
    """When a time that a form names is over [Unix microseconds].

    Raises:
        BadEntryError: if the length is no number, or not above 0, or the unit is none of `UNITS_US`.
    """
    problems = []
    try:
        number = float(length)
    except ValueError:
        number = 0.0
    # Not a number is not above 0 either; the most keeps the product a whole number of microseconds.
    if not 0.0 < number <= 10_000.0:
        problems.append(f"for how long: got “{length}”, wanted a number above 0")
    if unit not in UNITS_US:
        problems.append(f"unit: got “{unit}”, wanted one of {', '.join(UNITS_US)}")
    if problems:
        raise BadEntryError(problems)
    return now_us + round(number * UNITS_US[unit])


def people_problems(by: str, text: str, field: str) -> list[str]:
    """What is wrong with who, and why."""
    problems = []
    if not by.strip():
        problems.append("by: nobody is named; give a name")
    elif len(by.strip()) > LONGEST_NAME:
        problems.append(f"by: got {len(by.strip())} characters, wanted {LONGEST_NAME} at most")
    if not text.strip():
        problems.append(f"{field}: empty; say why")
    elif len(text.strip()) > LONGEST_TEXT:
        problems.append(f"{field}: got {len(text.strip())} characters, wanted {LONGEST_TEXT} at most")
    return problems


def enter_shelf(
    connection: Connection, roster: Roster, entry: ShelfEntry, now_us: int, more: tuple[str, ...] = ()
) -> int:
    """Make a shelf; returns its number.

    Args:
        connection: a writing transaction.
        roster: the watched transmitters, by which names are checked.
        entry: what was entered.
        now_us: now [Unix microseconds].
        more: problems that were found before, to be told with the others.

    Raises:
        BadEntryError: with every problem.
    """
    names = {name: entry.names.get(name, "").strip() for name in NAMES}
    problems = [*more, *people_problems(entry.by, entry.reason, "reason")]
    if not entry.may_be_long and entry.until_us - now_us > LONGEST_OF_OPERATORS_US:
        problems.append("for how long: more than 7 days needs the role engineer")
    gravest = {severity.word: severity for severity in GRAVEST_FIRST}
    up_to = gravest.get(entry.up_to)
    if up_to is None:
        problems.append(f"up to: got “{entry.up_to}”, wanted one of {', '.join(gravest)}")
    elif up_to > GRAVEST_OF_ALL and not any(names.values()):
        problems.append(
            "site, region, transmitter, condition: nothing is named, so it would take the whole fleet; "
            f"name one, or let it take alarms up to {GRAVEST_OF_ALL.word} at most"
        )
    if names["condition"] and names["condition"] not in CONDITIONS:
        problems.append(f"condition: got “{names['condition']}”, wanted one of {', '.join(CONDITIONS)}")
    if names["site"] and names["site"] not in roster.region_of_site:
        problems.append(f"site: “{names['site']}” is not on the site list")
    if names["region"] and names["region"] not in roster.regions:
        problems.append(f"region: the site list has no region “{names['region']}”")
    if names["transmitter"] and not any(
        name == names["transmitter"] and names["site"] in ("", site) for site, name in roster.transmitters
    ):
        problems.append(f"transmitter: “{names['transmitter']}” is not on the site list there")
    if problems or up_to is None:
        raise BadEntryError(problems)
    try:
        return add_shelf(
            connection,
            names,
            up_to=up_to,
            until_us=entry.until_us,
            reason=entry.reason,
            by=entry.by,
            now_us=now_us,
            first=entry.first,
        )
    except EntryError as error:
        raise BadEntryError(list(error.problems)) from error


@dataclass(frozen=True)
class WindowEntry:
    """A window of work as it was entered, each field as text; times as RFC 3339 with offset."""

    site: str
    transmitter: str
    start: str
    end: str
    kind: str
    note: str
    by: str


def utc_input(text: str) -> str:
    """A time of a form's field, which is in UTC and says no offset, as RFC 3339; other text as it is."""
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        return text
    return time.replace(tzinfo=UTC).isoformat() if time.tzinfo is None else text


def enter_window(connection: Connection, roster: Roster, entry: WindowEntry) -> int:
    """Enter a window of work; returns its number.

    Args:
        connection: a writing transaction.
        roster: the watched transmitters, by which names are checked.
        entry: what was entered.

    Raises:
        BadEntryError: with every problem.
    """
    problems = people_problems(entry.by, entry.note, "note")
    site, transmitter, kind = entry.site.strip(), entry.transmitter.strip(), entry.kind.strip()
    if site not in roster.region_of_site:
        problems.append(f"site: “{site}” is not on the site list")
    elif transmitter and (site, transmitter) not in roster.transmitters:
        problems.append(f"transmitter: the site list has no “{transmitter}” at {site}")
    if kind not in KINDS:
        problems.append(f"kind: got “{kind}”, wanted one of {', '.join(KINDS)}")
    times = {}
    for field, text in (("start", entry.start), ("end", entry.end)):
        try:
            times[field] = parse_time(text)
        except BadTimeError as error:
            problems.append(f"{field}: got “{text}”: {error}")
    if len(times) == 2 and times["end"] <= times["start"]:
        problems.append("end: got a time not after the start")
    if problems:
        raise BadEntryError(problems)
    row = MaintenanceRow(site, transmitter, times["start"], times["end"], kind)
    try:
        return add_window(connection, row, by=entry.by, note=entry.note)
    except EntryError as error:
        raise BadEntryError(list(error.problems)) from error
