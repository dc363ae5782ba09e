"""What is written is read back the same."""

import dataclasses
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standingwatch.inventory import COLUMNS, Column, InventoryRow, read_inventory_text, write_inventory

texts = (
    st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=20)
    .map(str.strip)
    .filter(bool)
)
names = texts.filter(lambda name: not name.startswith("$") and not set(name) & set("/+#"))


def values(column: Column) -> st.SearchStrategy[Any]:
    match column.kind:
        case "name":
            some: st.SearchStrategy[Any] = names
        case "text":
            some = texts
        case "word":
            some = st.sampled_from(column.words)
        case "number":
            some = st.floats(column.low, column.high, exclude_min=column.above_low)
    if column.name == "feeder_type":
        some = st.sampled_from(["RG-213", "rg58/u", '7/8"', "1 5/8 inch"])
    return some if column.required else st.none() | some


rows = st.builds(InventoryRow, **{column.name: values(column) for column in COLUMNS})
inventories = st.lists(rows, max_size=6, unique_by=lambda row: (row.site, row.transmitter))


@given(inventories)
def test_round_trip(written: list[InventoryRow]) -> None:
    inventory = read_inventory_text(write_inventory(written), "x")
    assert inventory.errors == ()
    assert list(inventory.rows) == written


@given(inventories)
def test_written_again_it_is_the_same_text(written: list[InventoryRow]) -> None:
    text = write_inventory(written)
    assert write_inventory(read_inventory_text(text, "x").rows) == text


@given(st.text() | st.text('site,;"\n\r 1.\ttransmiterfquncy_mhz\ufeff'))
def test_any_text_gives_problems_or_rows_and_never_raises(text: str) -> None:
    inventory = read_inventory_text(text, "x")
    assert inventory.rows or inventory.problems
    assert all("\n" not in str(problem) for problem in inventory.problems)


@given(st.lists(st.text('x,;"\n\r 1.é/', max_size=12), max_size=5))
def test_any_cells_under_a_good_heading(lines: list[str]) -> None:
    inventory = read_inventory_text("site,transmitter,frequency_mhz,region\n" + "\n".join(lines), "x")
    assert inventory.rows or inventory.problems
    assert len(inventory.lines) == len(inventory.rows)
    assert all(
        1 <= (problem.line or 0) <= 1 + 2 * len("".join(lines)) + len(lines) for problem in inventory.problems
    )


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("site", "a/b"),
        ("site", ""),
        ("transmitter", " a"),
        ("region", "a\nb"),
        ("region", ""),
        ("rated_power_w", float("nan")),
        ("foldback_swr", 1.0),
        ("coupler_place", "roof"),
    ],
)
def test_what_could_not_be_read_back_is_not_written(key: str, value: object) -> None:
    changes: dict[str, Any] = {key: value}
    row = dataclasses.replace(InventoryRow("osta", "tx1", 151.5), **changes)
    with pytest.raises(ValueError, match=f"inventory: .*{key}: got .*, wanted "):
        write_inventory([row])


def test_whole_numbers_are_written_as_such() -> None:
    text = write_inventory([InventoryRow("osta", "tx1", 151.0, rated_power_w=12.5)])
    assert text.split("\n")[1].startswith("osta,tx1,151,,,,,,12.5,")
