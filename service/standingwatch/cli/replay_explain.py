"""`standingwatch replay --explain`: whom to explain, and the files about each.

Rooms are imported inside the functions that use them: a replay without this option starts without them.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from standingwatch.cli.common import CommandError

if TYPE_CHECKING:
    from standingwatch.detect.interface import Maintenance
    from standingwatch.readings import Fleet
    from standingwatch.watch.explain import Course, Recorder

#: So many names are suggested, and so many characters of a name go into a file's.
SUGGESTED, LONGEST = 5, 60


def positions_of(chosen: Sequence[str], fleet: Fleet, where: Path) -> tuple[list[int], list[str]]:
    """Positions of the transmitters to explain, each once, and what is wrong with names that there are not.

    Args:
        chosen: as given, "SITE/TRANSMITTER".
        fleet: the transmitters.
        where: the inventory, for what is said.
    """
    import difflib

    known = {f"{site}/{name}": i for (site, name), i in fleet.position.items()}
    lower = {name.casefold(): name for name in known}
    positions, wrong = [], []
    for text in dict.fromkeys(chosen):
        if text in known:
            positions.append(known[text])
            continue
        near = difflib.get_close_matches(text.casefold(), lower, n=SUGGESTED, cutoff=0.5)
        names = ", ".join([lower[name] for name in near] or list(known)[:SUGGESTED])
        wanted = f"{'nearest: ' if near else 'such as '}{names}"
        wrong.append(f"--explain: got {text!r}, wanted SITE/TRANSMITTER as in {where}, {wanted}")
    return positions, wrong


def file_names(positions: Sequence[int], fleet: Fleet) -> dict[int, str]:
    """The name, without ending, of each transmitter's files: safe on any file system, and each its own."""
    names: dict[int, str] = {}
    taken: set[str] = set()
    for position in positions:
        first = f"explain-{_safe(fleet.site[position])}-{_safe(fleet.transmitter[position])}"
        name, number = first, 1
        while name.casefold() in taken:
            number += 1
            name = f"{first}-{number}"
        taken.add(name.casefold())
        names[position] = name
    return names


def _safe(text: str) -> str:
    """Letters and digits as they are, everything else but a dot, "_" and "-" as "_"."""
    kept = "".join(c if c.isalnum() or c in "._-" else "_" for c in text[:LONGEST])
    return kept.strip(".") or "_"


def write_explained(
    out: Path, fleet: Fleet, work: Maintenance, recorder: Recorder, last_us: int
) -> list[str]:
    """Write the chart and the table of each transmitter noted; gives what was written, to be said.

    Args:
        out: folder with the replay's alarms.jsonl; the files go there too.
        fleet: the transmitters.
        work: work on record.
        recorder: what was noted.
        last_us: time of the last reading [Unix microseconds]; 0 if there was none.
    """
    from standingwatch.watch.episodes import concerns, episodes
    from standingwatch.watch.explain_chart import draw
    from standingwatch.watch.explain_pieces import Picture
    from standingwatch.watch.explain_table import table
    from standingwatch.watch.explain_words import headline, last_forecast

    if last_us == 0:
        return ["nothing to explain: no reading was replayed"]
    courses: list[Course] = recorder.courses()
    names = file_names([course.position for course in courses], fleet)
    with (out / "alarms.jsonl").open(encoding="utf-8") as stream:
        lines = [json.loads(line) for line in stream]
    said = []
    for course in courses:
        position = course.position
        site, transmitter = fleet.site[position], fleet.transmitter[position]
        about = concerns(site, transmitter)
        mine = [line for line in lines if about(line)]
        # All lines, so that an alarm whose group is left ends for it.
        found = episodes(lines, about)
        name = f"{site}/{transmitter}"
        of_it = work.transmitter == position
        picture = Picture(
            name=name,
            course=course,
            episodes=found,
            told=last_forecast(mine),
            foldback_swr=float(fleet.foldback_swr[position]),
            tolerance_swr=float(fleet.tolerance_swr[position]),
            work=[
                (int(start), int(end), "visit or retune" if renews else "outage")
                for start, end, renews in zip(
                    work.start_us[of_it], work.end_us[of_it], work.renews_baseline[of_it], strict=True
                )
            ],
            last_us=last_us,
        )
        chart, rows = out / f"{names[position]}.svg", out / f"{names[position]}.csv"
        try:
            chart.write_text(draw(picture), encoding="utf-8")
            rows.write_text(table(course, found, name), encoding="utf-8")
        except OSError as error:
            raise CommandError(f"{error.filename}: cannot be written: {error.strerror}") from error
        said.append(f"explained: {headline(name, found)} See {chart.name} and {rows.name}.")
    return said
