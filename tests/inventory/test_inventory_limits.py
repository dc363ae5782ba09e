"""Warnings about limits that a feeder hides, and protection that comes too late."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.inventory import FleetDefaults, InventoryRow, check_limits
from standingwatch.readings.problem import Problem

CEILINGS = Path(__file__).parents[2] / "fixtures" / "checkvalues" / "swr_ceiling_open_short.csv"
#: Protection that never lowers the limit of severity critical in these tests.
LATE = FleetDefaults(foldback_swr=100.0, tolerance_swr=100.0)


def check(*rows: InventoryRow, critical_swr: float = 1000.0, defaults: FleetDefaults = LATE) -> list[Problem]:
    lines = range(2, len(rows) + 2)
    return check_limits(rows, 1.5, 1.7, 2.0, critical_swr, "sites.csv", lines, defaults)


def hidden(loss_db: float) -> list[str]:
    """The severities that a feeder hides from limits 1.5, 1.7, 2 and (by the tolerance) 100."""
    found = check(InventoryRow("a", "1", 100.0, feeder_loss_db=loss_db))
    words = found[0].wanted.partition("never reached: ")[2] if found else ""
    return [part.split()[0] for part in words.split(", ") if part]


def test_two_to_one_is_hidden_behind_more_than_4_77_db() -> None:
    # 10 log10(3) = 4.7712 dB: an open end then shows rho = 1/3, which is 2:1.
    assert hidden(4.77) == ["critical"]
    assert hidden(4.78) == ["major", "critical"]


def test_against_the_ceilings_of_the_check_values() -> None:
    # Computed from the textbook relation rho_tx = rho_antenna 10^(-L/10), see the file.
    with CEILINGS.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 10
    for row in rows:
        ceiling = float(row["max_swr_at_tx"])
        limits = {"warning": 1.5, "minor": 1.7, "major": 2.0, "critical": 100.0}
        assert hidden(float(row["matched_loss_db"])) == [
            name for name, swr in limits.items() if swr > ceiling
        ]


def test_the_warning_says_it_all() -> None:
    rows = (
        InventoryRow("a", "1", 100.0, feeder_loss_db=0.0),
        InventoryRow("osta", "link", 460.0, feeder_loss_db=5.0),
    )
    (problem,) = check_limits(rows, 1.5, 1.7, 2.0, 3.0, "sites.csv", [2, 7])
    assert str(problem) == (
        "warning: sites.csv:7: feeder_loss_db: got osta/link behind 5.00 dB: an open or short end shows "
        "1.92:1 at most, wanted less than that; never reached: major 2, critical 2.5; "
        "departure from the baseline watches this transmitter instead"
    )


def test_the_critical_limit_is_that_of_the_transmitter() -> None:
    row = InventoryRow("a", "1", 100.0, feeder_loss_db=3.5)  # ceiling 2.61
    assert check(row, critical_swr=3.0, defaults=FleetDefaults(foldback_swr=2.5)) == []
    (problem,) = check(row, critical_swr=3.0, defaults=FleetDefaults(foldback_swr=2.7))
    assert "critical 2.7" in problem.wanted


@pytest.mark.parametrize(
    "row",
    [
        InventoryRow("a", "1", 100.0),
        InventoryRow("a", "1", 100.0, feeder_loss_db=9.0, coupler_place="antenna"),
        InventoryRow("a", "1", 100.0, feeder_loss_db=9.0, matching_unit="transmitter"),
    ],
)
def test_no_ceiling_where_no_loss_stands_between_or_is_known(row: InventoryRow) -> None:
    assert check(row) == []


def test_loss_by_type_and_length_counts_too() -> None:
    # RG-58 at 150 MHz: 18.47 dB/100 m (ARRL General Class License Manual, Table 6-1, as corrected)
    row = InventoryRow("a", "1", 150.0, feeder_type="RG-58", feeder_length_m=40.0)
    (problem,) = check(row)
    assert "warning 1.5, minor 1.7, major 2" in problem.wanted


def test_protection_that_comes_too_late() -> None:
    rows = (
        InventoryRow("a", "1", 100.0, foldback_swr=2.5, tolerance_swr=2.0),
        InventoryRow("a", "2", 100.0, foldback_swr=2.0, tolerance_swr=2.0),
        InventoryRow("a", "3", 100.0, tolerance_swr=2.0),
        InventoryRow("a", "4", 100.0, tolerance_swr=2.0, pa_protection="none"),
        InventoryRow("a", "5", 100.0, foldback_swr=3.2, tolerance_swr=4.0),
    )
    found = check(*rows, critical_swr=3.0, defaults=FleetDefaults())
    assert [(p.line, p.key, p.got) for p in found] == [
        (2, "tolerance_swr", "a/1: 2"),
        (4, "tolerance_swr", "a/3: 2"),
        (6, "foldback_swr", "a/5: 3.2"),
    ]
    assert found[2].wanted == "at most critical_swr = 3"


def test_lines_have_to_match() -> None:
    with pytest.raises(ValueError, match="got 0 lines, wanted 1"):
        check_limits([InventoryRow("a", "1", 1.0)], 1.5, 1.7, 2.0, 3.0, "x", [])


@given(st.floats(0, 100), st.floats(0, 100))
def test_more_loss_never_hides_less(one_db: float, other_db: float) -> None:
    less_db, more_db = sorted((one_db, other_db))
    assert set(hidden(less_db)) <= set(hidden(more_db))
