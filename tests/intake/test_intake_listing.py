"""One row an order, its parts in one cell: each part becomes a line."""

import polars as pl
import pytest

from fleetlog import intake
from fleetlog.errors import InputError


def lines(store):
    return store.frame(
        "SELECT l.*, o.ro_no FROM repair_line l JOIN repair_order o USING (ro_id)"
        " ORDER BY ro_no, file_row, row_part"
    )


@pytest.mark.parametrize("mark", [";", "|", "\n", " , ", " + "])
def test_each_listed_part_becomes_a_line(store, load_rows, row, mark):
    result = load_rows(
        [
            row(component=mark.join(["Lifter", "Rocker arm", "Valve cover gasket"])),
            row(ro_no="N2", component="Water pump", position=None),
        ]
    )
    assert (result.rows_read, result.rows_kept) == (2, 2)
    assert lines(store)["component"].to_list() == [
        "valvetrain.lifter",
        "valvetrain.rocker-arm",
        "seals.valve-cover-gasket",
        "cooling.water-pump",
    ]
    assert lines(store)["line_no"].to_list() == [1, 2, 3, 1]
    assert "list several parts" in result.remarks[0]


def test_lists_beside_each_other_pair_up_and_single_words_hold_for_all(store, load_rows, row):
    load_rows(
        [
            row(
                component="Lifter; Rocker arm",
                position="cyl 3 intake",
                part_no="AA1; BB2",
                qty="2; 1",
                line_cost="12.50; 30",
            )
        ]
    )
    found = lines(store)
    assert found["part_no"].to_list() == ["AA1", "BB2"]
    assert found["qty"].to_list() == [2.0, 1.0]
    assert found["cylinder"].to_list() == [3, 3]
    assert found["action"].to_list() == ["replaced", "replaced"]


def test_a_single_amount_stays_with_the_first_part_and_says_so(store, load_rows, row):
    result = load_rows([row(component="Lifter; Rocker arm", line_cost="42.50")])
    assert lines(store)["cost"].to_list()[0] is not None
    assert lines(store)["cost"].to_list()[1] is None
    note = store.frame("SELECT * FROM row_note")
    assert result.notes == 1
    assert note["column"].to_list() == ["line_cost"]
    assert note["was"].to_list() == ["42.50"]
    assert "2 parts" in note["why"][0]


def test_lists_of_unequal_length_hold_the_whole_row(store, load_rows, row):
    result = load_rows(
        [
            row(component="Lifter; Rocker arm; Camshaft", part_no="AA1; BB2"),
            row(ro_no="N2", component="Lifter; Camshaft"),
        ]
    )
    assert (result.rows_kept, result.rows_held) == (1, 1)
    held = intake.held_rows(store)
    assert held["column"].to_list() == ["part_no"]
    assert held["value"].to_list() == ["AA1; BB2"]
    assert set(lines(store)["ro_no"]) == {"N2"}


def test_a_fault_in_one_part_holds_the_whole_row(store, load_rows, row):
    result = load_rows(
        [
            row(component="Lifter; Rocker arm", qty="1; many"),
            row(ro_no="N2", component="Lifter; Rocker arm", qty="1; 2"),
        ]
    )
    assert (result.rows_kept, result.rows_held) == (1, 1)
    assert set(lines(store)["ro_no"]) == {"N2"}
    assert store.frame("SELECT ro_no FROM repair_order")["ro_no"].to_list() == ["N2"]


def test_a_comma_within_the_name_of_one_part_parts_nothing(store, load_rows, row):
    result = load_rows(
        [
            row(component="GASKET, VALVE COVER", position=None),
            row(ro_no="N2", component="PUMP, WATER", position=None),
        ]
    )
    assert result.remarks == ()
    assert lines(store)["component"].to_list() == [
        "seals.valve-cover-gasket",
        "cooling.water-pump",
    ]


def test_counts_written_beside_the_parts_are_quantities(store, load_rows, row):
    load_rows([row(component="4 x Lifter; Rocker arm (2); Spark plug x8; Camshaft", position=None)])
    assert lines(store)["qty"].to_list() == [4.0, 2.0, 8.0, None]
    assert lines(store)["component"].null_count() == 0


def test_the_same_rows_again_bring_nothing(store, load_rows, row):
    rows = [
        row(component="Lifter; Lifter; Camshaft"),
        row(ro_no="N2", component="Lifter; Camshaft"),
    ]
    load_rows(rows)
    before = lines(store)
    again = load_rows([*rows, rows[0]], name="again.csv")
    assert (again.rows_kept, again.rows_identical) == (0, 3)
    assert lines(store).equals(before)


def test_the_map_names_the_mark(store, load_rows, row):
    made = [row(component="Lifter / Unknown thing / Camshaft")]
    load_rows(made, columns=intake.ColumnMap(shop="North Yard", list_mark=" / "))
    assert lines(store).height == 3
    with pytest.raises(InputError, match="list_mark is empty"):
        intake.ColumnMap(list_mark="")


def test_blank_places_of_a_list_make_no_lines(store, load_rows, row):
    load_rows([row(component="; Lifter;; Camshaft;")])
    assert lines(store)["component"].to_list() == ["valvetrain.lifter", "valvetrain.camshaft"]


def test_an_empty_place_of_a_list_keeps_its_place(store, load_rows, row):
    load_rows([row(component="Lifter; Rocker arm; Camshaft", part_no="; BB2;", qty="1; 2; 3")])
    assert lines(store)["part_no"].to_list() == [None, "BB2", None]
    assert lines(store)["qty"].to_list() == [1.0, 2.0, 3.0]


def test_undoing_takes_all_lines_of_a_row_out(store, load_rows, row, state, differing):
    before = state(store)
    result = load_rows([row(component="Lifter; Rocker arm")])
    intake.undo_load(store, result.load_id)
    assert differing(before, state(store)) == []


def test_components_are_those_of_the_catalogue(store):
    """The codes that these tests name do exist."""
    codes = store.frame("SELECT code FROM component")["code"]
    assert (
        pl.Series(["valvetrain.lifter", "seals.valve-cover-gasket", "cooling.water-pump"])
        .is_in(codes.implode())
        .all()
    )
