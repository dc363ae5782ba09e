"""A transmitter that reports without being on the site list: what is known of it, and taking it in."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import Connection

from standingwatch.inventory import COLUMNS, InventoryRow, read_inventory_text
from standingwatch.store.intake_pages import UnlistedTopic, newest_of_topic
from standingwatch.web.profile_files import ProfileFolder
from standingwatch.web.roster import Roster

#: Columns that are the same for all transmitters of a site.
_OF_THE_SITE = ("site_name", "region", "latitude", "longitude")

#: Reports that an interval is guessed from at least.
_ENOUGH_REPORTS = 3

_LONGEST_INTERVAL_S = 86_400.0


@dataclass(frozen=True)
class Unlisted:
    """Somebody who reports without being on the site list.

    Attributes:
        told: its topic, and how often it came.
        site, transmitter: as its topic says; `transmitter` is "" for the link of a site.
        suggested: cells of a row of the site list, as text, that are known or guessed; only those.
        guesses: where each of them comes from, in words.
    """

    told: UnlistedTopic
    site: str
    transmitter: str
    suggested: Mapping[str, str]
    guesses: tuple[str, ...]

    @property
    def is_ready(self) -> bool:
        """Whether all is known that a row needs."""
        return bool(self.transmitter) and all(
            self.suggested.get(column.name) for column in COLUMNS if column.required
        )


class BadRowError(Exception):
    """A row cannot go on the site list; `problems` says all that is wrong."""

    def __init__(self, problems: tuple[str, ...]) -> None:
        super().__init__("; ".join(problems))
        self.problems = problems


def check_profile(row: InventoryRow, profiles: ProfileFolder | None) -> None:
    """Refuse a row that names a payload profile which is not there; nothing is known of any without a folder.

    Raises:
        BadRowError: naming those that there are.
    """
    if profiles is None or not row.profile:
        return
    names = {profile.name for profile in profiles.now().profiles}
    if row.profile not in names:
        known = ", ".join(sorted(names)) or "none so far"
        raise BadRowError((f"profile: got “{row.profile}”, wanted one that there is: {known}.",))


def unlisted_of(connection: Connection, roster: Roster, told: UnlistedTopic) -> Unlisted | None:
    """What is known of who sends on a topic; None where the topic names nobody."""
    levels = told.topic.split("/")
    if told.reason == "unknown-site":
        return Unlisted(told, levels[-1], "", {}, ()) if levels[-2:-1] == ["link"] else None
    if len(levels) < 3 or levels[-3] != "report":
        return None
    site, transmitter = levels[-2:]
    suggested, guesses = {"site": site, "transmitter": transmitter}, []
    said = _last_report(newest_of_topic(connection, told.topic))
    frequency = said.get("frequency_mhz")
    if isinstance(frequency, int | float) and not isinstance(frequency, bool) and math.isfinite(frequency):
        suggested["frequency_mhz"] = f"{frequency:.10g}"
        guesses.append("frequency as its reports say")
    interval_s = (told.newest_us - told.first_us) / 1e6 / max(told.count - 1, 1)
    if told.count >= _ENOUGH_REPORTS and 1.0 <= interval_s <= _LONGEST_INTERVAL_S:
        suggested["expected_interval_s"] = f"{interval_s:.0f}"
        guesses.append(f"interval from {told.count:,} reports")
    at = roster.site_position.get(site)
    if at is not None:
        row = roster.rows[int(roster.members[at][0])]
        like = {name: getattr(row, name) for name in _OF_THE_SITE if getattr(row, name) is not None}
        suggested |= {name: cell_of(value) for name, value in like.items()}
        if like:
            guesses.append(f"name and place as those of {row.site}/{row.transmitter}")
    return Unlisted(told, site, transmitter, suggested, tuple(guesses))


def row_of(cells: Mapping[str, str], roster: Roster) -> tuple[InventoryRow, tuple[str, ...]]:
    """A row of the site list from the cells of a form, and warnings that do not hinder it.

    It is read as an inventory file would be, together with the rows of its site, so that it is judged in the
    same way.

    Raises:
        BadRowError: with every problem.
    """
    site, name = cells.get("site", "").strip(), cells.get("transmitter", "").strip()
    at = roster.site_position.get(site)
    there = [] if at is None else [roster.rows[i] for i in roster.members[at].tolist()]
    # The one that is there already is put another one in its place, or is refused by whoever keeps the list.
    others = [row for row in there if row.transmitter != name]
    out = io.StringIO()
    names = [column.name for column in COLUMNS]
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    for row in others:
        values = asdict(row)
        writer.writerow([cell_of(values[name]) for name in names])
    writer.writerow([cells.get(name, "") for name in names])
    read = read_inventory_text(out.getvalue(), "the row")
    line = len(others) + 2
    found = [one for one in read.problems if one.line is None or one.line >= line]
    texts = {
        kind: tuple(
            f"{one.key}: got {one.got}, wanted {one.wanted}{'; ' + one.mend if one.mend else ''}."
            for one in found
            if one.severity == kind
        )
        for kind in ("error", "warning")
    }
    if texts["error"] or not read.rows or read.lines[-1] != line:
        raise BadRowError(texts["error"] or ("The row cannot be read.",))
    return read.rows[-1], texts["warning"]


def _last_report(payload: bytes | None) -> dict[str, Any]:
    """The last report of a payload, as far as it is one."""
    try:
        said = json.loads(payload or b"{}")
    except (ValueError, RecursionError):
        return {}
    if isinstance(said, list) and said:
        said = said[-1]
    return said if isinstance(said, dict) else {}


def cell_of(value: str | float | None) -> str:
    """A value as a cell of the site list has it."""
    if value is None:
        return ""
    return value if isinstance(value, str) else repr(value).removesuffix(".0")
