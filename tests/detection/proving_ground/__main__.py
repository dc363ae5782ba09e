"""Run scenes and print the score: `python -m proving_ground ordinary hard --seeds 0 20 --peers`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np

from proving_ground.faults import CAUSE, KINDS
from proving_ground.peers import figures, run_peers
from proving_ground.physics import make_scene
from proving_ground.product import replay
from proving_ground.score import Score, score, table

PRODUCT = "the product"

COMPARISON = (
    "method",
    "recall",
    "recall, SWR shows it",
    "days of warning (median)",
    "12 days or more",
    "false alarms",
    "false major, critical",
)
BY_KIND = (
    "fault",
    "can be seen",
    "found",
    "visit proposed",
    "cause right",
    "days to the first alarm (median)",
)


def one(difficulty: str, seed: int, peers: bool, only: tuple[str, ...] | None = None) -> dict[str, Score]:
    """The product's score on one scene (with faults of some kinds only), and the peers' if wanted."""
    scene, label = make_scene(seed, difficulty, kinds=only), f"{difficulty} {seed}"
    alarms, visits, _summary = replay(scene)
    result = {PRODUCT: score(scene, alarms, visits, label)}
    if peers:
        for name, lines in run_peers(scene).items():
            result[name] = score(scene, lines, [], f"{label} {name}")
    return result


def number(value: float, places: int) -> str:
    """A figure, or a dash where there was nothing to judge."""
    return "-" if np.isnan(value) else f"{value:.{places}f}"


def share(part: float, whole: float) -> str:
    """A part of a whole to three places, or a dash."""
    return number(part / whole if whole else np.nan, 3)


def comparison_rows(totals: dict[str, Score]) -> list[tuple[str, ...]]:
    """A row per method, under `COMPARISON`."""
    rows: list[tuple[str, ...]] = []
    for name, total in totals.items():
        f = figures(total)
        rows.append(
            (
                name,
                number(f.recall, 3),
                number(f.recall_swr, 3),
                number(f.lead_days, 1),
                f"{number(f.lead_12, 2)} of {f.leads}",
                number(f.false_rate, 3),
                number(f.false_severe_rate, 3),
            )
        )
    return rows


def kind_rows(total: Score) -> list[tuple[str, ...]]:
    """A row per kind of fault, under `BY_KIND`."""
    return [
        (
            kind,
            str(total.seen[kind]),
            str(total.found[kind]),
            str(total.visited[kind]),
            f"{total.cause_right[kind]} of {total.cause_judged[kind]}" if kind in CAUSE else "-",
            number(float(np.median(total.delays[kind])) if total.delays[kind] else np.nan, 1),
        )
        for kind in sorted(total.seen)
    ]


def other_lines(total: Score) -> list[str]:
    """The product's figures that belong to no kind."""
    wrong = sum(total.visits_wrong.values())
    storm, silence = np.array(total.storm_readings), np.array(total.silence_intervals)
    false = ", ".join(f"{k} {n}" for k, n in sorted(total.false.items())) or "none"
    return [
        f"visits proposed: {total.visits}; right {share(total.visits - wrong, total.visits)}; "
        f"wrong for weather {total.weather_visits}, for nothing {wrong - total.weather_visits}; "
        f"faults with a visit {share(sum(total.visited.values()), sum(total.seen.values()))}",
        f"likely cause right: {share(sum(total.cause_right.values()), sum(total.cause_judged.values()))} of "
        f"{sum(total.cause_judged.values())}",
        f"damage by storm found within 3 keyed readings: {share(float((storm <= 3).sum()), len(storm))} of "
        f"{len(storm)}; silence within 3.3 intervals: "
        f"{share(float((silence <= 3.3).sum()), len(silence))} of {len(silence)}",
        f"true day within the forecast's range: {share(sum(total.forecasts), len(total.forecasts))} of "
        f"{len(total.forecasts)}",
        f"false alarms: {false}",
    ]


def in_text(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table in columns."""
    widths = [max(len(row[i]) for row in (head, *rows)) for i in range(len(head))]
    return "\n".join(
        "  ".join(
            cell.ljust(w) if i == 0 else cell.rjust(w)
            for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        )
        for row in (head, *rows)
    )


def in_markdown(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table in Markdown."""
    rule = ["---", *(["---:"] * (len(head) - 1))]
    return "\n".join("| " + " | ".join(row) + " |" for row in (head, rule, *rows))


def markdown(difficulty: str, seeds: range, totals: dict[str, Score]) -> str:
    """All figures of a difficulty, ready for DEVELOPERS.md."""
    total = totals[PRODUCT]
    parts = [
        f"### {difficulty.capitalize()} fleets",
        f"{total.scenes} scenes (seeds {seeds.start} to {seeds.stop - 1}), {total.years:.0f} "
        "transmitter-years. Found is what has an alarm raised or made worse after its beginning: a method "
        "that stands in alarm already finds nothing. False alarms are per transmitter-year; only what comes "
        "before the first fault of a transmitter can be false.",
        in_markdown(COMPARISON, comparison_rows(totals)),
        "The product by kind of fault:",
        in_markdown(BY_KIND, kind_rows(total)),
        "\n".join(f"- {line}" for line in other_lines(total)),
    ]
    return "\n\n".join(parts) + "\n"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="proving_ground")
    parser.add_argument("difficulty", nargs="+")
    parser.add_argument("--seeds", nargs=2, type=int, default=(0, 20))
    parser.add_argument("--notes", action="store_true", help="every false alarm, miss and wrong visit")
    parser.add_argument("--peers", action="store_true", help="run simple methods on the same scenes too")
    parser.add_argument("--markdown", action="store_true", help="print the figures as Markdown")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--only", nargs="+", choices=KINDS, help="plant faults of these kinds alone")
    chosen = parser.parse_args()
    seeds = range(*chosen.seeds)
    only = tuple(chosen.only) if chosen.only else None
    with ProcessPoolExecutor(chosen.processes) as pool:
        for difficulty in chosen.difficulty:
            totals: dict[str, Score] = {}
            for part in pool.map(partial(one, difficulty, peers=chosen.peers, only=only), seeds):
                for name, own in part.items():
                    totals.setdefault(name, Score()).merge(own)
            if chosen.notes:
                sys.stdout.write("\n".join(totals[PRODUCT].notes) + "\n")
            if chosen.markdown:
                sys.stdout.write(markdown(difficulty, seeds, totals) + "\n")
            else:
                sys.stdout.write(table(difficulty, totals[PRODUCT]) + "\n")
                if chosen.peers:
                    sys.stdout.write(in_text(COMPARISON, comparison_rows(totals)) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
