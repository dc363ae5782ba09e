"""The reference is what the code says, and what the code says of conditions is what detectors do."""

from __future__ import annotations

import ast
import inspect
import re
from pathlib import Path
from types import ModuleType

import pytest

from standingwatch.alarms import watchman
from standingwatch.alarms.conditions import ABOUT, CAUSES
from standingwatch.cli.describe import PAGES, page
from standingwatch.cli.main import build_parser
from standingwatch.cli.reference.commands_page import leaves
from standingwatch.cli.reference.markdown import table
from standingwatch.detect import bursts, feeder, foldback, limits, measurement, power, severity, silence, wet
from standingwatch.detect.words import Cause, Condition, Severity
from standingwatch.settings import Settings

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "deploy" / "reference"


@pytest.mark.parametrize("name", [name for name in PAGES if name != "metrics"])
def test_each_page_is_what_the_code_says(name: str) -> None:
    """`metrics` has its home beside its rules, and its test there."""
    assert (FOLDER / f"{name}.md").read_text(encoding="utf-8") == page(name)


def test_the_list_of_pages_has_all_of_them() -> None:
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert {path.stem for path in FOLDER.glob("*.md")} == {*PAGES, "README"} - {"metrics"}
    assert all(f"]({path.name})" in text for path in FOLDER.glob("*.md") if path.stem != "README")
    (loop,) = re.findall(r"^for page in (.*); do$", text, re.MULTILINE)
    assert {*loop.split(), "metrics"} == set(PAGES)


def test_every_command_and_option_says_what_it_is() -> None:
    text = (FOLDER / "commands.md").read_text(encoding="utf-8")
    found = list(leaves(build_parser(), "standingwatch"))
    assert len(found) > 40
    for words, parser, said in found:
        assert said, words
        assert f"\n## {words.removeprefix('standingwatch ')}\n" in text
        for action in parser._actions:
            assert action.help or not action.option_strings, (words, action.dest)


def test_cells_of_tables_stay_in_their_cells() -> None:
    made = table(("a", "b"), [("x|y\nz", ""), ("", "")])
    assert made == "| a | b |\n| --- | --- |\n| x\\|y z | |\n| | |\n"


#: Where the severity of each condition is decided: a module, or a function of one.
DECIDED = {
    Condition.SWR_STEP: severity,
    Condition.SWR_RISING: severity,
    Condition.SWR_INTERMITTENT: bursts,
    Condition.SWR_WEATHER: wet,
    Condition.FEEDER_LOSS_RISING: feeder,
    Condition.FORWARD_POWER_LOW: power,
    Condition.FOLDBACK_ACTIVE: foldback,
    Condition.MEASUREMENT_SUSPECT: measurement,
    Condition.REPORTS_MISSING: silence._transmitter_finding,
    Condition.SITE_UNREACHABLE: silence._site_finding,
    Condition.INTAKE_LATE: watchman._late,
    Condition.BROKER_LOST: watchman._broker,
    Condition.STORE_FILLING: watchman._store,
    Condition.JOB_MISSED: watchman._job,
    Condition.CLOCK_JUMPED: watchman._clock,
    Condition.CHANNEL_FAILING: watchman._late,
}


@pytest.mark.parametrize("condition", list(DECIDED))
def test_severities_are_those_that_the_code_can_give(condition: Condition) -> None:
    """Read off the code: which members of `Severity` are named where a condition is judged."""
    where = DECIDED[condition]
    source = (
        Path(inspect.getfile(where)).read_text()
        if isinstance(where, ModuleType)
        else inspect.getsource(where)
    )
    named = {
        Severity[node.attr]
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and node.value.id == "Severity"
    } - {Severity.CLEARED}
    assert named == set(ABOUT[condition].severities)


def test_every_condition_and_cause_is_told_of() -> None:
    assert set(ABOUT) == set(Condition)
    assert set(CAUSES) == set(Cause)
    assert set(DECIDED) == set(Condition) - {Condition.SWR_HIGH}
    assert ABOUT[Condition.SWR_HIGH].severities == limits.SEVERITIES
    for about in ABOUT.values():
        assert about.severities == tuple(sorted(about.severities))
        assert bool(about.by) == (len(about.severities) > 1)
        assert about.section in Settings.model_fields
