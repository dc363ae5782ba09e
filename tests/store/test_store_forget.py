"""All data of a site is deleted, and nothing of any other; on both databases."""

from __future__ import annotations

import json
from typing import Any

import pytest
from sqlalchemy import Connection, LargeBinary, Table, insert, select

from standingwatch.inventory import read_inventory_text
from standingwatch.store import tables
from standingwatch.store.connect import Store
from standingwatch.store.forget import LONG, WITHOUT_SITE, SiteData
from standingwatch.store.sites import load_site_list, replace_site_list, site_list_version
from standingwatch.store.visits import PROPOSED_NOTE
from standingwatch.store.watchman import load_note, save_note

SITES = """\
site,transmitter,frequency_mhz
alder,rpt-1,155
alder,rpt-2,155
Alder,rpt-1,155
alder-2,rpt-1,155
report,x,155
"""
NAMES = ("alder", "Alder", "alder-2", "report")


def value_of(column: Any, row: int) -> Any:
    """Something that fits a column."""
    kind = column.type.python_type
    if isinstance(column.type, LargeBinary):
        return b"{}"
    return {str: f"{column.name} {row}", int: row, float: float(row), bool: False}[kind]


def fill(connection: Connection, table: Table, row: int, **said: Any) -> None:
    """A row with something in every column that needs it."""
    wanted = {
        column.name: value_of(column, row)
        for column in table.columns
        if column.name not in said and not (column.primary_key and column.autoincrement is True)
    }
    connection.execute(insert(table).values(**wanted, **said))


@pytest.fixture
def filled(store: Store) -> Store:
    """A store with rows of four sites in every table that holds something of one."""
    with store.writing() as connection:
        replace_site_list(connection, read_inventory_text(SITES, "sites.csv").rows, 1)
        keys = {}
        for row in connection.execute(select(tables.transmitters)):
            keys.setdefault(row.site, []).append(row.key)
        number = 0
        for table in tables.metadata.sorted_tables:
            if table.name in WITHOUT_SITE or table in (tables.transmitters, tables.visit_changes):
                continue
            for site in NAMES:
                number += 1
                if "site" in table.c:
                    fill(connection, table, number, site=site)
                elif "transmitter" in table.c:
                    for key in keys[site]:
                        for day in range(3):
                            number += 1
                            time = (
                                "time_us"
                                if "time_us" in table.c
                                else "hour_us"
                                if "hour_us" in table.c
                                else "day_us"
                            )
                            fill(
                                connection,
                                table,
                                number,
                                **{"transmitter": key, time: day * 86_400_000_000 + number},
                            )
                else:
                    for topic in (
                        f"standingwatch/report/{site}/rpt-1",
                        f"standingwatch/link/{site}",
                        f"plant/{site}/status",
                        f"{site}/status",
                    ):
                        fill(connection, table, number, topic=topic)
        for visit in connection.execute(select(tables.visits)).all():
            fill(connection, tables.visit_changes, visit.id, visit=visit.id)
        save_note(connection, PROPOSED_NOTE, [[site, "rpt-1"] for site in NAMES])
        fill(connection, tables.reviews, 1, body=json.dumps({"items": [{"site": "alder"}]}))
        fill(connection, tables.reviews, 2, body=json.dumps({"items": [{"site": "alder-2"}]}))
    return store


def everything(store: Store) -> dict[str, list[dict[str, Any]]]:
    with store.reading() as connection:
        return {
            table.name: [dict(row) for row in connection.execute(select(table)).mappings()]
            for table in tables.metadata.sorted_tables
            if table.name != "marks"
        }


def is_of(row: dict[str, Any], site: str, keys: set[int], visits: set[int]) -> bool:
    """Whether a row is of a site, by other means than the code under test."""
    if "site" in row:
        return bool(row["site"] == site)
    if "topic" in row:
        levels = row["topic"].split("/")
        return levels[2] == site if levels[0] == "standingwatch" else site in levels
    return row.get("visit") in visits if "visit" in row else row.get("transmitter") in keys


def test_every_table_is_accounted_for(store: Store) -> None:
    with store.reading() as connection:
        found = {table.name for table, _ in SiteData("alder", "standingwatch").conditions(connection)}
    assert found | WITHOUT_SITE == set(tables.metadata.tables)
    assert not found & WITHOUT_SITE
    assert set(LONG) <= found
    for name in WITHOUT_SITE:
        assert not {"site", "transmitter"} & set(tables.metadata.tables[name].c.keys()), name


@pytest.mark.parametrize("site", NAMES)
def test_all_of_it_and_nothing_else(filled: Store, site: str) -> None:
    before = everything(filled)
    data = SiteData(site, "standingwatch")
    with filled.writing() as connection:
        others = [row for row in load_site_list(connection).rows if row.site != site]
        replace_site_list(connection, others, 5)
        version = site_list_version(connection)
    with filled.reading() as connection:
        keys = set(data.numbers(connection))
        visits = set(
            connection.execute(select(tables.visits.c.id).where(tables.visits.c.site == site)).scalars()
        )
        counted = data.count(connection)
        assert (data.is_listed(connection), data.standing(connection)) == (False, 1)
        assert data.reviews_that_name_it(connection) == {"alder": 1, "alder-2": 1}.get(site, 0)
    noted: list[dict[str, int]] = []
    seen: list[int] = []
    gone = data.forget(filled, lambda _connection, rows: noted.append(rows), seen.append)
    assert gone == counted == noted[0]
    assert sum(seen) == sum(gone.values())
    after = everything(filled)
    for name, rows in before.items():
        if name == "transmitters":
            assert {row["site"] for row in after[name]} == set(NAMES) - {site}
        elif name == "notes":
            continue
        else:
            mine = [row for row in rows if name not in WITHOUT_SITE and is_of(row, site, keys, visits)]
            assert after[name] == [row for row in rows if row not in mine], name
            assert bool(mine) == (name not in WITHOUT_SITE), name
    with filled.reading() as connection:
        assert load_note(connection, PROPOSED_NOTE) == [[one, "rpt-1"] for one in NAMES if one != site]
        assert data.count(connection) == {}
        assert site_list_version(connection) > version, "whoever remembers something reads it anew"


def test_one_that_is_watched_stays_on_the_list(filled: Store) -> None:
    data = SiteData("alder", "standingwatch")
    gone = data.forget(filled, lambda _connection, _rows: None)
    assert "transmitters" not in gone
    with filled.reading() as connection:
        assert data.is_listed(connection)
        assert data.count(connection) == {}
        assert len(load_site_list(connection).rows) == 5


def test_stopped_in_the_middle_the_next_run_goes_on(filled: Store) -> None:
    data = SiteData("alder", "standingwatch")
    with filled.reading() as connection:
        counted = data.count(connection)

    class StoppedError(Exception):
        pass

    rows = 0

    def stop(more: int) -> None:
        nonlocal rows
        rows += more
        if rows >= 2:
            raise StoppedError

    with pytest.raises(StoppedError):
        data.forget(filled, lambda _connection, _rows: None, stop)
    with filled.reading() as connection:
        left = data.count(connection)
    assert left["readings"] == counted["readings"] - rows > 0
    assert {**left, "readings": 0} == {**counted, "readings": 0}
    data.forget(filled, lambda _connection, _rows: None)
    with filled.reading() as connection:
        assert data.count(connection) == {}


def test_a_failure_while_it_is_noted_deletes_nothing_of_what_is_short(filled: Store) -> None:
    data = SiteData("alder", "standingwatch")

    def fail(_connection: Connection, _rows: dict[str, int]) -> None:
        raise RuntimeError("no audit")

    with pytest.raises(RuntimeError, match="no audit"):
        data.forget(filled, fail)
    with filled.reading() as connection:
        left = data.count(connection)
    assert left["alarms"] == left["visits"] == 1, "nothing goes without a line in the audit"
