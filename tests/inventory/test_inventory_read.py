"""Reading the inventory: types, encodings, and every kind of problem with its line."""

import codecs
from pathlib import Path

import pytest

from standingwatch.inventory import COLUMNS, InventoryRow, read_inventory, read_inventory_text
from standingwatch.readings.problem import Problem

FIXTURES = Path(__file__).parents[2] / "fixtures" / "inventory"
HEAD = "site,transmitter,frequency_mhz"


def read(text: str) -> list[Problem]:
    return list(read_inventory_text(text, "sites.csv").problems)


def one(columns: str, cells: str) -> Problem:
    """The one problem of a row with these cells besides the required ones."""
    inventory = read_inventory_text(f"{HEAD},{columns}\nosta,tx1,151.5,{cells}\n", "sites.csv")
    (problem,) = inventory.problems
    assert (problem.file, problem.line) == ("sites.csv", 2)
    assert len(inventory.rows) == (problem.severity == "warning")
    return problem


def test_a_good_file() -> None:
    inventory = read_inventory(FIXTURES / "six-transmitters.csv")
    assert inventory.problems == ()
    assert inventory.lines == (2, 3, 4, 5, 6, 7)
    assert inventory.rows[0] == InventoryRow(
        site="korvu-ridge",
        transmitter="control",
        frequency_mhz=152.6,
        site_name="Korvu Ridge",
        region="Upper Selm",
        latitude=-12.35,
        longitude=160.215,
        antenna_line="mast-a",
        rated_power_w=50.0,
        feeder_type="7/8-in foam corrugated",
        feeder_length_m=45.0,
        feeder_power_rating_w=2200.0,
        coupler_directivity_db=28.0,
        coupler_place="behind-combiner",
        matching_unit="none",
        pa_protection="foldback",
        foldback_swr=2.5,
        tolerance_swr=3.0,
        expected_interval_s=60.0,
    )
    assert inventory.rows[2].site_name == "Osta, water tower"
    assert inventory.rows[4] == InventoryRow(
        "Tölen",
        "beacon",
        3.62,
        site_name="Tölen Harbour",
        region="Lower Selm",
        matching_unit="transmitter",
        pa_protection="none",
        expected_interval_s=30.0,
    )


def test_the_columns_are_those_of_the_rows() -> None:
    assert [column.name for column in COLUMNS] == list(InventoryRow.__dataclass_fields__)


def test_all_problems_at_once_with_their_lines() -> None:
    inventory = read_inventory(FIXTURES / "all-wrong.csv")
    assert [(p.line, p.severity, p.key) for p in inventory.problems] == [
        (1, "error", ""),
        (2, "error", "site"),
        (3, "error", "transmitter"),
        (3, "error", "frequency_mhz"),
        (4, "error", "frequency_mhz"),
        (4, "error", "rated_power_w"),
        (6, "error", "frequency_mhz"),
        (7, "error", "latitude"),
        (8, "error", "feeder_loss_db"),
        (8, "error", "foldback_swr"),
        (8, "error", "transmitter"),
        (8, "warning", "longitude"),
        (9, "error", "feeder_type"),
        (10, "error", "coupler_place"),
        (10, "error", "pa_protection"),
        (10, "warning", "feeder_length_m"),
        (11, "error", ""),
        (12, "error", ""),
    ]
    assert inventory.rows == ()
    assert len(inventory.errors) == 16
    assert str(inventory.problems[0]).endswith(
        'all-wrong.csv:1: got the unknown column "expected_intervall_s", wanted a known column; '
        "did you mean expected_interval_s?"
    )
    assert inventory.problems[10].got == "osta/voice-1, which is on line 7 already"


@pytest.mark.parametrize(
    ("columns", "cells", "key", "got", "wanted", "mend"),
    [
        ("rated_power_w", '"12,5"', "rated_power_w", '"12,5"', "[W]", "write 12.5"),
        ("rated_power_w", "50 W", "rated_power_w", '"50 W"', "a number", "the unit is W: 50"),
        ("rated_power_w", "nan", "rated_power_w", '"nan"', "a number", "leave the cell empty"),
        ("rated_power_w", "1_000", "rated_power_w", '"1_000"', "a number", ""),
        ("rated_power_w", "٥", "rated_power_w", '"٥"', "a number", ""),
        ("rated_power_w", "0", "rated_power_w", "0", "above 0 to 1e+07", ""),
        ("rated_power_w", "1e999", "rated_power_w", "1e999", "to 1e+07", ""),
        ("feeder_loss_db", "-0.1", "feeder_loss_db", "-0.1", "from 0", ""),
        ("tolerance_swr", "1.0", "tolerance_swr", "1.0", "above 1", ""),
        ("foldback_swr", "2:1", "foldback_swr", '"2:1"', "above 1", "write the number alone: 2"),
        ("latitude,longitude", "90.1,0", "latitude", "90.1", "from -90 to 90", ""),
        ("latitude,longitude", "0,-180.5", "longitude", "-180.5", "from -180 to 180", ""),
        ("coupler_place", "antena", "coupler_place", '"antena"', "behind-combiner", "did you mean antenna?"),
        ("matching_unit", "None", "matching_unit", '"None"', "feed-point", "did you mean none?"),
        ("pa_protection", "fuse", "pa_protection", '"fuse"', "foldback, shutdown, none", ""),
        ("region", "a\x07b", "region", "U+0007", "without control", "take it away"),
        ("region", '"a\nb"', "region", "U+000A", "without control", "take it away"),
        ("feeder_type,feeder_length_m", "RG-2l3,10", "feeder_type", '"RG-2l3"', "known", "RG-213"),
    ],
)
def test_errors_in_cells(columns: str, cells: str, key: str, got: str, wanted: str, mend: str) -> None:
    problem = one(columns, cells)
    assert (problem.severity, problem.key) == ("error", key)
    assert got in problem.got
    assert wanted in problem.wanted
    assert mend in problem.mend


@pytest.mark.parametrize(
    ("columns", "cells", "key", "got", "wanted"),
    [
        ("feeder_type", "RG-213", "feeder_length_m", "nothing", "a length"),
        ("feeder_length_m", "20", "feeder_type", "nothing", "a type"),
        ("latitude", "5", "longitude", "nothing", "a longitude"),
        ("longitude", "5", "latitude", "nothing", "a latitude"),
        ("rated_power_w,feeder_power_rating_w", "500,400", "feeder_power_rating_w", "400", "at least"),
        ("rated_power_w,min_forward_w", "5,5", "min_forward_w", "5", "less than rated_power_w = 5"),
        ("pa_protection,foldback_swr", "none,2", "foldback_swr", "2", "nothing"),
        ("expected_interval_s", "0.5", "expected_interval_s", "0.5", "1 or more"),
    ],
)
def test_warnings_between_cells(columns: str, cells: str, key: str, got: str, wanted: str) -> None:
    problem = one(columns, cells)
    assert (problem.severity, problem.key, problem.got) == ("warning", key, got)
    assert wanted in problem.wanted


def test_a_feeder_type_beyond_its_frequency() -> None:
    (problem,) = read(f"{HEAD},feeder_type,feeder_length_m\nosta,tx1,10000,RG-213,10\n")
    assert (problem.severity, problem.key, problem.got) == ("warning", "feeder_type", "RG-213 at 10000 MHz")
    assert problem.mend == "the loss is not known: give feeder_loss_db"


def test_with_a_loss_given_the_type_is_a_remark() -> None:
    assert read(f"{HEAD},feeder_type,feeder_loss_db\nosta,tx1,151.5,own make,1.2\n") == []


@pytest.mark.parametrize(
    ("name", "got"),
    [
        ("a/b", '"a/b"'),
        ("a+b", '"a+b"'),
        ("#", '"#"'),
        ("$SYS", '"$SYS"'),
        ("a\0b", "U+0000"),
        ("a\x85b", "U+0085"),
        ("", "nothing"),
        ("  ", "nothing"),
        ("n" * 101, "101 characters"),
    ],
)
@pytest.mark.parametrize("key", ["site", "transmitter"])
def test_names_have_to_fit_into_a_topic(key: str, name: str, got: str) -> None:
    cells = {"site": "osta", "transmitter": "tx1", key: name}
    (problem,) = read(f"{HEAD}\n{cells['site']},{cells['transmitter']},151.5\n")
    assert (problem.severity, problem.line, problem.key) == ("error", 2, key)
    assert got in problem.got


@pytest.mark.parametrize("name", ["n" * 100, "a b", "a$b", "Straße 5", "-", "日本"])
def test_names_that_fit(name: str) -> None:
    inventory = read_inventory_text(f"{HEAD}\n{name},{name},151.5\n", "x")
    assert inventory.rows == (InventoryRow(name, name, 151.5),)


@pytest.mark.parametrize(
    ("text", "line", "key", "got", "mend"),
    [
        ("", 1, "", "an empty file", "begin with site,transmitter,frequency_mhz"),
        ("\n \n,,\n", 1, "", "an empty file", ""),
        ("site;transmitter\nx;y\n", 1, "", "columns separated by semicolons", "with commas"),
        ("\n\nsite\ttransmitter\n", 3, "", "columns separated by tabs", ""),
        ("site,transmitter\nx,y\n", 1, "frequency_mhz", "no such column", "add it"),
        (f"{HEAD},site\nx,y,1,z\n", 1, "site", "the column twice", "take one"),
        (f"{HEAD},Region\nx,y,1,z\n", 1, "", 'the unknown column "Region"', "did you mean region?"),
        (f"{HEAD},colour\nx,y,1,z\n", 1, "", 'the unknown column "colour"', "there is site, "),
        (f"{HEAD},,region\nx,y,1,,z\n", 1, "", "column 4 without a name", ""),
        (f"{HEAD}\nx,y,1,2\n", 2, "", "4 cells", "a comma"),
        (f"{HEAD}\nx,y,145,6\n", 2, "", "4 cells", "decimal comma"),
        (f"{HEAD},\nx,y,145,6\n", 2, "", "4 cells", "decimal comma"),
        (f"{HEAD}\nx,y\n", 2, "", "2 cells", "cut off"),
        (f'{HEAD}\nx,y,1\nx,"z,2\n', 3, "", "unexpected end of data", "close the quotes"),
        (f'{HEAD}\nx,"z"z,2\n', 2, "", "',' expected after '\"'", "twice"),
    ],
)
def test_errors_of_the_file(text: str, line: int, key: str, got: str, mend: str) -> None:
    (problem,) = read(text)
    assert (problem.severity, problem.line, problem.key, problem.got) == ("error", line, key, got)
    assert mend in problem.mend


def test_no_rows_is_a_warning() -> None:
    (problem,) = read(HEAD + "\n")
    assert (problem.severity, problem.line, problem.got) == ("warning", 1, "no rows")


def test_the_lines_of_records_with_line_breaks_blank_lines_and_windows_line_ends() -> None:
    text = f'\r\n{HEAD},site_name\r\n\r\nx,a,1,"one\r\ntwo"\r\n\r\n,,,\r\nx,b,oops,\r\nx,c,1,\r\n'
    inventory = read_inventory_text(text, "x")
    assert [(p.line, p.key) for p in inventory.problems] == [(4, "site_name"), (8, "frequency_mhz")]
    assert inventory.lines == (9,)


def test_spreadsheets_leave_empty_columns_and_blanks() -> None:
    inventory = read_inventory_text(f"{HEAD},,\n x , y ,\t1.5,,\n", "x")
    assert inventory.problems == ()
    assert inventory.rows == (InventoryRow("x", "y", 1.5),)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [b"", codecs.BOM_UTF8])
def test_line_ends_and_byte_order_mark(tmp_path: Path, end: str, mark: bytes) -> None:
    path = tmp_path / "sites.csv"
    path.write_bytes(mark + f"{HEAD}{end}Tölen,y,1.5{end}".encode())
    inventory = read_inventory(path)
    assert inventory.problems == ()
    assert (inventory.rows, inventory.lines) == ((InventoryRow("Tölen", "y", 1.5),), (2,))


@pytest.mark.parametrize(
    ("raw", "line", "got"),
    [
        (f"{HEAD}\nx,y,1\nTölen,y,1\n".encode("latin-1"), 3, "byte 0xf6"),
        (HEAD.encode("utf-16"), 1, "UTF-16"),
        (b"PK\x03\x04rest", 1, "a spreadsheet or archive"),
    ],
)
def test_other_encodings(tmp_path: Path, raw: bytes, line: int, got: str) -> None:
    path = tmp_path / "sites.csv"
    path.write_bytes(raw)
    (problem,) = read_inventory(path).problems
    assert (problem.severity, problem.line, problem.got) == ("error", line, got)
    assert "UTF-8" in problem.mend


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    (problem,) = read_inventory(tmp_path / "none.csv").problems
    assert (problem.severity, problem.line, problem.got) == ("error", None, "No such file or directory")


def test_a_byte_order_mark_in_the_text() -> None:
    assert read_inventory_text(f"\ufeff{HEAD}\nx,y,1\n", "x").rows == (InventoryRow("x", "y", 1.0),)


def test_the_semicolon_fixture() -> None:
    (problem,) = read_inventory(FIXTURES / "semicolons.csv").problems
    assert problem.got == "columns separated by semicolons"


def test_the_same_name_twice_counts_even_if_the_first_row_is_bad() -> None:
    found = read(f"{HEAD}\nx,y,oops\nx,y,2\nz,y,2\n")
    assert [(p.line, p.key) for p in found] == [(2, "frequency_mhz"), (3, "transmitter")]


def test_names_that_differ_in_case_only_and_sites_that_contradict_themselves() -> None:
    text = f"{HEAD},region\nx,a,1,north\nX,A,1,\nx,b,1,\nx,c,1,south\ny,a,1,south\n"
    found = read(text)
    assert [(p.severity, p.line, p.key, p.got) for p in found] == [
        ("warning", 3, "transmitter", "X/A"),
        ("warning", 5, "region", "south"),
    ]
    assert found[1].wanted == "north as on line 2, for site x"


def test_a_cell_that_cannot_be_read_is_not_taken_for_an_empty_one() -> None:
    found = read(f"{HEAD},feeder_type,feeder_length_m,latitude,longitude\nx,y,1,RG-213,long,1,east\n")
    assert [(p.severity, p.key) for p in found] == [("error", "feeder_length_m"), ("error", "longitude")]
