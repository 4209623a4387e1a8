"""What vehicles are found by is true of the store after whatever happened to it."""

import duckdb
import pytest

from fleetlog import analyses, intake
from fleetlog.analyses.choices import find_vehicles
from fleetlog.lives import rebuild_all
from fleetlog.store import Store
from fleetlog.store.store import migrations
from fleetlog.vin import check_digit

BUILT = ("meter_reading", "vehicle_span", "vehicle_pace", "order_distance")


def ask(store: Store, query: str) -> list[tuple]:
    return store.frame(query).rows()


def assert_findable(store: Store) -> None:
    """Every row of a load has its mark and its name on a page, and nothing else has."""
    named = "SELECT load_id, names_of, mark_of(name) AS mark, row_no FROM row_name"
    written = """SELECT load_id, names_of, unnest(string_split(names, chr(10))) AS name
                 FROM name_page"""
    assert ask(store, named) != []
    for there, wanted in (
        ("SELECT load_id, names_of, mark, row_no FROM name_mark", named),
        (written, "SELECT load_id, names_of, name FROM row_name"),
    ):
        assert ask(store, f"({there}) EXCEPT ALL ({wanted})") == []
        assert ask(store, f"({wanted}) EXCEPT ALL ({there})") == []
    # One number for each vehicle, the same in all that was built of it.
    numbers = " UNION ".join(f"SELECT vin, built_no FROM {table}" for table in BUILT)
    counted = f"SELECT count(*), count(DISTINCT vin), count(DISTINCT built_no) FROM ({numbers})"
    pairs, vins, built = ask(store, counted)[0]
    assert pairs == vins == built > 0


def names(store: Store, key: str) -> list[tuple]:
    return find_vehicles(store, key).select("vin", "matched").rows()


def test_a_load_and_its_undoing_keep_names_true(store, load_rows, row, vins):
    load_rows([row(ro_no="N100"), row(ro_no="N200", vin=vins[1])])
    assert_findable(store)
    later = load_rows([row(ro_no="N100", cause="worn"), row(ro_no="N300")], name="b.csv")
    assert_findable(store)
    assert names(store, "n100") == [(vins[0], "RO N100 (North Yard)")]
    assert names(store, "300") == [(vins[0], "RO N300 (North Yard)")]
    intake.undo_load(store, later.load_id)
    assert_findable(store)
    assert names(store, "n100") == [(vins[0], "RO N100 (North Yard)")]
    assert names(store, "300") == []


def test_a_vehicle_with_another_name_is_found_by_that_alone(store, tmp_path, vins):
    lists = tmp_path / "renamed.csv"
    lists.write_text(
        "vin,unit_no,plate,engine_family,model_year,in_service_on\n"
        f"{vins[0]},New 7,XY-777,V8,2015,2015-03-01\n"
    )
    loaded = intake.load(store, lists, kind="vehicles")
    assert_findable(store)
    assert names(store, "new 7") == [(vins[0], "its unit number")]
    assert names(store, "xy 777") == [(vins[0], "its plate")]
    assert names(store, "U1") == []
    assert names(store, "PL 1") == []
    intake.undo_load(store, loaded.load_id)
    assert_findable(store)
    assert names(store, "u1") == [(vins[0], "its unit number")]
    assert names(store, "New 7") == []


def test_a_plate_without_letters_or_figures_is_no_name(store, tmp_path, vins):
    lists = tmp_path / "bare.csv"
    lists.write_text(
        "vin,unit_no,plate,engine_family,model_year,in_service_on\n"
        f"{vins[0]},U1,--,V8,2015,2015-03-01\n"
    )
    intake.load(store, lists, kind="vehicles")
    assert_findable(store)
    assert names(store, "") == []
    assert names(store, "-") == []


def test_an_order_of_a_vehicle_that_is_gone_names_none(store, load_rows, row, vins):
    load_rows([row(ro_no="N100")])
    assert names(store, "N100") == [(vins[0], "RO N100 (North Yard)")]
    intake.undo_load(store, 2)
    assert names(store, "N100") == []


def test_names_that_share_a_mark_are_told_apart(store, vins):
    with store.write() as connection:
        connection.execute(
            "INSERT INTO name_mark SELECT load_id, names_of, mark_of('GHOST'), row_no FROM name_mark"
        ).fetchall()
    assert names(store, "ghost") == []
    assert names(store, "u2") == [(vins[1], "its unit number")]


def test_a_name_of_two_lines_keeps_the_others_apart(store, load_rows, row, vins):
    load_rows([row(ro_no="N1\nN2"), row(ro_no="N300", vin=vins[1])])
    assert_findable(store)
    assert names(store, "n300") == [(vins[1], "RO N300 (North Yard)")]


def test_rows_brought_in_after_all_and_a_rebuild_keep_names_true(store, load_rows, row, tmp_path):
    stem = "GZ7VAPE10FF000777"
    vin = stem[:8] + check_digit(stem) + stem[9:]
    held = load_rows([row(ro_no="N1"), row(ro_no="N777", vin=vin)])
    assert held.rows_held == 1
    lists = tmp_path / "more.csv"
    lists.write_text(
        f"vin,unit_no,engine_family,model_year,in_service_on\n{vin},U77,V8,2015,2015-03-01\n"
    )
    intake.load(store, lists, kind="vehicles")
    intake.retry_held(store, held.load_id)
    assert_findable(store)
    assert names(store, "N777") == [(vin, "RO N777 (North Yard)")]
    rebuild_all(store)
    assert_findable(store)
    assert analyses.vehicle_record(store, "N777").orders.height == 1


def test_an_older_store_finds_what_a_new_one_does(store, load_rows, row, vins):
    load_rows([row(ro_no="N100"), row(ro_no="N200", vin=vins[1], component="Lifter")])
    keys = ("N100", "u2", "PL 3", vins[4], vins[1][9:], "20", "AP", "none")
    wanted = [names(store, key) for key in keys]
    record = analyses.vehicle_record(store, "N200")
    finding = next(step for step in migrations() if step.name == "finding")
    with duckdb.connect(str(store.path)) as connection:
        for table in BUILT:
            connection.execute(f"ALTER TABLE {table} DROP COLUMN built_no")
        for what in (
            "MACRO TABLE marks_of", "MACRO TABLE pages_of", "VIEW row_name", "TABLE name_mark",
            "TABLE name_page", "MACRO mark_of", "MACRO bare_plate", "MACRO on_one_line",
        ):  # fmt: skip
            connection.execute(f"DROP {what}")
        connection.execute("DELETE FROM schema_migration WHERE version >= $1", [finding.version])
    with pytest.raises(duckdb.CatalogException):
        store.frame("FROM name_mark")
    opened = Store.open(store.path)
    assert_findable(opened)
    assert [names(opened, key) for key in keys] == wanted
    again = analyses.vehicle_record(opened, "N200")
    assert again.summary == record.summary
    for name in ("orders", "lines", "parts", "meters"):
        assert getattr(again, name).equals(getattr(record, name)), name
    load_rows([row(ro_no="N400", vin=vins[2])], name="later.csv")
    assert_findable(opened)
