"""The site list in the store: numbers are kept for ever, the version rises only with a change."""

from __future__ import annotations

import threading
from dataclasses import replace

import numpy as np
from sqlalchemy.exc import IntegrityError

from standingwatch.inventory import InventoryRow
from standingwatch.store.connect import Store
from standingwatch.store.sites import (
    ListChange,
    SiteList,
    load_site_list,
    replace_site_list,
    site_list_version,
)

A = InventoryRow("alder-ridge", "rpt-1", 155.34, rated_power_w=100.0, antenna_line="east")
B = InventoryRow("alder-ridge", "rpt-2", 155.7)
C = InventoryRow("birch-hill", "rpt-1", 453.2, feeder_loss_db=1.25, pa_protection="foldback")


def put(store: Store, *rows: InventoryRow) -> ListChange:
    with store.writing() as connection:
        return replace_site_list(connection, rows, 1_000)


def listed(store: Store) -> SiteList:
    with store.reading() as connection:
        return load_site_list(connection)


def test_empty_before_the_first(store: Store) -> None:
    sites = listed(store)
    assert (sites.rows, sites.version, len(sites.keys)) == ((), 0, 0)
    assert sites.position_of_key.tolist() == [-1]


def test_rows_come_back_whole_and_in_order(store: Store) -> None:
    assert put(store, C, A, B) == ListChange(3, 0, 0)
    sites = listed(store)
    assert sites.rows == (C, A, B)
    assert len(set(sites.keys.tolist())) == 3
    assert sites.position_of_key[sites.keys].tolist() == [0, 1, 2]
    assert np.count_nonzero(sites.position_of_key >= 0) == 3


def test_two_processes_that_start_together_from_one_file(store: Store) -> None:
    """The second waits for the first, and finds that all is done."""
    found: list[ListChange | Exception] = []

    def second() -> None:
        try:
            found.append(put(store, A, B))
        except IntegrityError as error:
            found.append(error)

    other = threading.Thread(target=second)
    with store.writing() as connection:
        assert replace_site_list(connection, (A, B), 1_000) == ListChange(2, 0, 0)
        other.start()
        other.join(0.3)
    other.join(20)
    assert found == [ListChange(0, 0, 0)]
    assert listed(store).version == 1


def test_the_same_list_again_changes_nothing(store: Store) -> None:
    put(store, A, B)
    before = listed(store)
    assert put(store, A, B) == ListChange(0, 0, 0)
    assert listed(store).version == before.version == 1


def test_a_changed_row_keeps_its_number(store: Store) -> None:
    put(store, A, B)
    before = listed(store)
    changed = replace(A, rated_power_w=50.0)
    assert put(store, changed, B) == ListChange(0, 1, 0)
    after = listed(store)
    assert after.rows == (changed, B)
    assert after.keys.tolist() == before.keys.tolist()
    assert after.version == before.version + 1


def test_a_removed_one_keeps_its_number_until_it_returns(store: Store) -> None:
    put(store, A, B, C)
    before = listed(store)
    assert put(store, A, C) == ListChange(0, 0, 1)
    without = listed(store)
    assert without.rows == (A, C)
    assert without.keys.tolist() == before.keys[[0, 2]].tolist()
    assert without.position_of_key[before.keys[0]] == 0
    assert before.keys[1] not in without.keys
    new = InventoryRow("cedar-point", "rpt-1", 154.1)
    assert put(store, A, C, new) == ListChange(1, 0, 0)
    assert listed(store).keys[2] not in before.keys
    assert put(store, A, C, new, B) == ListChange(1, 0, 0)
    after = listed(store)
    assert after.rows == (A, C, new, B)
    assert after.keys[3] == before.keys[1]
    assert after.version == 4


def test_removing_what_is_removed_already_is_no_change(store: Store) -> None:
    put(store, A, B)
    put(store, A)
    assert put(store, A) == ListChange(0, 0, 0)
    with store.reading() as connection:
        assert site_list_version(connection) == 2


def test_one_name_at_two_sites_is_two_transmitters(store: Store) -> None:
    put(store, A, C)
    sites = listed(store)
    assert sites.keys[0] != sites.keys[1]


def test_another_order_alone_is_seen(store: Store) -> None:
    put(store, A, B)
    assert put(store, B, A) == ListChange(0, 0, 0)
    assert listed(store).rows == (B, A)
