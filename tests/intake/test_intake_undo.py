"""Undoing a load leaves the store as it was before it, whatever was loaded and in any order."""

import itertools
import shutil
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleetlog import intake
from fleetlog.errors import InputError
from fleetlog.store import Store

TICKET = itertools.count(1)


def test_undo_gives_back_what_was_superseded(store, load_rows, row, state, differing):
    load_rows([row(), row(ro_no="N2")])
    before = state(store)
    revision = store.revision()
    result = load_rows([row(cause="worn"), row(ro_no="N3")], name="b.csv")
    undone = intake.undo_load(store, result.load_id, undone_by="foreman")
    assert (undone.rows_removed, undone.orders_without_vehicle) == (2, 0)
    assert differing(before, state(store)) == []
    assert store.revision() == revision + 2
    assert store.frame("SELECT load_id, undone_by FROM undone_load").rows() == [(4, "foreman")]
    with pytest.raises(InputError, match="there is no load 4"):
        intake.undo_load(store, 4)
    assert load_rows([row(cause="worn"), row(ro_no="N3")], name="b.csv").load_id == 5


def test_undo_of_the_earlier_load_leaves_the_later_version(store, load_rows, row):
    load_rows([row(part_no="P1"), row(component="Rocker arm")])
    load_rows([row(part_no="Q1"), row(component="Rocker arm")], name="b.csv")
    intake.undo_load(store, 3)
    assert store.frame("SELECT ro_no FROM repair_order")["ro_no"].to_list() == ["N1"]
    assert store.frame("SELECT part_no FROM repair_line")["part_no"].to_list() == ["Q1"]
    again = load_rows([row(part_no="P1"), row(component="Rocker arm")])
    assert not again.already_loaded
    assert (again.rows_kept, again.orders_changed) == (2, 1)


def test_undo_of_a_list_says_what_now_lacks_it(store, load_rows, row):
    load_rows([row()])
    undone = intake.undo_load(store, 2)
    assert (undone.kind, undone.orders_without_vehicle) == ("vehicles", 1)
    assert intake.undo_load(store, 1).vehicles_without_family == 0
    assert len(store.frame("FROM component_position")) == 0


cells = st.fixed_dictionaries(
    {
        "shop": st.just("North Yard"),
        "ro_no": st.sampled_from(["1", "2", ""]),
        "line_no": st.sampled_from(["", "", "1", "2", "x"]),
        "place": st.integers(0, 4),
        "opened_on": st.sampled_from(["2021-03-04", "2021-03-04", "2021-03-05", "soon"]),
        "component": st.sampled_from(["Lifter", "Spark plug", "Rocker arm", "rags", ""]),
        "part_no": st.sampled_from(["A", "B", ""]),
        "cause": st.sampled_from(["", "worn", "lifter collapsed"]),
        "odometer": st.sampled_from(["84120", "84,120", "-1", "x", ""]),
    }
)
tables = st.lists(cells, min_size=1, max_size=7)


def load_table(store, rows, vins):
    """Load one table; place 4 is a VIN that the fleet does not have."""
    frame = pl.DataFrame(rows).with_columns(
        vin=pl.col("place").replace_strict(dict(enumerate([*vins[:4], "GZ7"])))
    )
    path = store.path.with_name(f"t{next(TICKET)}.csv")
    frame.drop("place").write_csv(path)
    return intake.load(store, path, kind="repairs")


@pytest.fixture
def own_copy(fleet_file, tmp_path):
    def copy():
        return Store.open(shutil.copy(fleet_file, tmp_path / f"{next(TICKET)}.fleetlog"))

    return copy


@settings(max_examples=4, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(first=tables, second=tables)
def test_undoing_the_last_load_restores_the_store(own_copy, vins, state, differing, first, second):
    store = own_copy()
    load_table(store, first, vins)
    before = state(store)
    result = load_table(store, second, vins)
    assert result.rows_read == result.rows_kept + result.rows_held + result.rows_identical
    if not result.already_loaded:
        intake.undo_load(store, result.load_id)
    assert differing(before, state(store)) == []


@settings(max_examples=4, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(loaded=st.lists(tables, min_size=2, max_size=3), order=st.randoms(use_true_random=False))
def test_undoing_all_in_any_order_empties_the_store(
    own_copy, vins, state, differing, loaded, order
):
    store = own_copy()
    before = state(store)
    numbers = [load_table(store, rows, vins).load_id for rows in loaded]
    remaining = sorted(set(numbers))
    order.shuffle(remaining)
    for number in remaining:
        intake.undo_load(store, number)
        lines = store.frame("SELECT count(*) FROM repair_line ANTI JOIN repair_order USING (ro_id)")
        assert lines.item() == 0, "no line without its order"
    assert differing(before, state(store)) == []


@settings(max_examples=4, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=tables)
def test_every_row_is_counted_once_and_the_same_file_changes_nothing(
    own_copy, vins, state, differing, rows
):
    store = own_copy()
    result = load_table(store, rows, vins)
    assert result.rows_read == len(rows)
    assert result.rows_read == result.rows_kept + result.rows_held + result.rows_identical
    kept_or_held = store.frame(
        "SELECT count(*) FROM source_row WHERE load_id = $load", {"load": result.load_id}
    ).item()
    assert kept_or_held == result.rows_kept + result.rows_held
    held = intake.held_rows(store, result.load_id)
    assert held["file_row"].n_unique() == result.rows_held
    assert held.select(pl.col("problem", "remedy").is_not_null().all()).row(0) == (True, True)
    before = state(store)
    again = intake.load(store, Path(store.path.with_name(result.file_name)), kind="repairs")
    assert again.already_loaded
    assert (again.rows_kept, again.rows_held) == (0, result.rows_held)
    assert differing(before, state(store)) == []
