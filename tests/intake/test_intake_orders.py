"""Repair orders across rows, blocks and loads: what is the same, what changed, what is new."""

import pytest

from fleetlog import intake
from fleetlog.errors import InputError


def lines_of(store):
    return store.frame(
        "SELECT ro_no, line_no, description, part_no"
        " FROM repair_line JOIN repair_order USING (ro_id) ORDER BY ro_no, line_no"
    ).rows()


def test_rows_of_one_order_form_it(store, load_rows, row):
    result = load_rows(
        [
            row(),
            row(component="Rocker arm", technician="KD"),
            row(ro_no="N2"),
            row(shop="Hill Shop"),
        ]
    )
    assert (result.orders_new, result.rows_kept) == (3, 4)
    orders = store.frame("SELECT ro_id, shop, ro_no, technician FROM repair_order ORDER BY ro_id")
    assert orders.rows() == [
        (1, "North Yard", "N1", None), (2, "North Yard", "N2", None), (3, "Hill Shop", "N1", None),
    ]  # fmt: skip


def test_identical_neighbours_are_two_lines_and_a_later_block_repeats_them(store, load_rows, row):
    result = load_rows([row(), row(), row(ro_no="N2"), row(), row(), row()])
    assert (result.rows_read, result.rows_kept, result.rows_identical) == (6, 4, 2)
    assert [line[:2] for line in lines_of(store)] == [("N1", 1), ("N1", 2), ("N1", 3), ("N2", 1)]


def test_a_held_row_does_not_part_a_block(store, load_rows, row):
    result = load_rows([row(), row(odometer="-1"), row(), row(qty=2), row(qty=3)])
    assert (result.rows_kept, result.rows_held, result.rows_identical) == (4, 1, 0)


def test_numbered_lines_repeat_by_their_number(store, load_rows, row):
    result = load_rows(
        [row(line_no=1), row(line_no=2), row(line_no=1), row(line_no=2, part_no="Q9")]
    )
    assert (result.rows_kept, result.rows_identical, result.rows_held) == (2, 1, 1)
    held = intake.held_rows(store)
    assert held["file_row"].to_list() == [5]
    assert held["value"].to_list() == ["2"]
    assert "in row 3 with other content" in held["problem"].item()


def test_order_on_two_vehicles_or_days_is_held_whole(store, load_rows, row, vins):
    result = load_rows(
        [
            row(),
            row(vin=vins[1]),
            row(ro_no="N2"),
            row(ro_no="N2", opened_on="2021-03-05"),
            row(ro_no="N3"),
        ]
    )
    assert (result.rows_kept, result.rows_held, result.orders_new) == (1, 4, 1)
    held = intake.held_rows(store)
    assert held["column"].to_list() == ["vin", "vin", "opened_on", "opened_on"]
    assert held["value"].to_list() == [vins[0], vins[1], "2021-03-04", "2021-03-05"]


@pytest.mark.parametrize("numbered", [True, False])
def test_same_rows_in_another_file_change_nothing(
    store, load_rows, row, state, differing, numbered
):
    rows = [row(), row(), row(component="Rocker arm"), row(ro_no="N2"), row(ro_no="N3", vin="?")]
    if numbered:
        rows = [{**cells, "line_no": place} for place, cells in enumerate(rows)]
    load_rows(rows)
    before = state(store)
    again = load_rows(rows)
    assert again.already_loaded
    assert (again.load_id, again.rows_kept, again.rows_identical, again.rows_held) == (3, 0, 4, 1)
    assert differing(before, state(store)) == []
    shuffled = load_rows([rows[3], *rows[:3], rows[4]], name="other.csv")
    assert not shuffled.already_loaded
    assert (shuffled.rows_kept, shuffled.rows_identical, shuffled.rows_held) == (0, 4, 1)
    after = state(store)
    assert differing(before, after) == ["held_row", "load", "source_row"]
    assert len(intake.held_rows(store)) == 2


def test_changed_head_makes_a_new_version(store, load_rows, row):
    load_rows([row(), row(component="Rocker arm"), row(ro_no="N2")])
    result = load_rows(
        [row(cause="worn out"), row(component="Rocker arm"), row(ro_no="N2")], name="b.csv"
    )
    assert (result.orders_new, result.orders_changed) == (0, 1)
    assert (result.rows_kept, result.rows_identical) == (1, 2)
    assert store.frame("SELECT cause FROM repair_order WHERE ro_no = 'N1'").item() == "worn out"
    versions = store.frame(
        "SELECT load_id, superseded_by FROM loaded_repair_order WHERE ro_id = 1 ORDER BY load_id"
    ).rows()
    assert versions == [(3, 4), (4, None)]
    assert len(lines_of(store)) == 3


def test_lines_without_numbers_match_by_content_then_by_part(store, load_rows, row):
    load_rows([row(part_no="A"), row(part_no="B"), row(component="Rocker arm", part_no="C")])
    result = load_rows(
        [
            row(part_no="B"),  # as it stands
            row(part_no="A2"),  # the other lifter, changed
            row(component="Water pump", position=None, failure_mode="seized"),  # new
        ],
        name="b.csv",
    )
    assert (result.rows_kept, result.rows_identical, result.orders_changed) == (2, 1, 1)
    assert lines_of(store) == [
        ("N1", 1, "Lifter", "A2"), ("N1", 2, "Lifter", "B"), ("N1", 3, "Rocker arm", "C"),
        ("N1", 4, "Water pump", None),
    ]  # fmt: skip


def test_numbered_lines_change_in_place_and_absent_ones_stay(store, load_rows, row):
    load_rows([row(line_no=1, part_no="A"), row(line_no=2, part_no="B")])
    load_rows([row(line_no=2, part_no="B2"), row(line_no=7, part_no="G")], name="b.csv")
    assert [(line[1], line[3]) for line in lines_of(store)] == [(1, "A"), (2, "B2"), (7, "G")]


def test_columns_that_a_file_lacks_keep_what_is_known(store, load_rows, row):
    load_rows([row(technician="KD", part_lot="L1", odometer="84120")])
    lesser = {k: v for k, v in row(cause="worn").items() if k != "odometer"}
    result = load_rows([lesser], name="b.csv")
    assert result.orders_changed == 1
    order = store.frame("SELECT technician, odometer, cause FROM repair_order").row(0)
    assert order == ("KD", 84_120, "worn")
    assert store.frame("SELECT part_lot FROM repair_line").item() == "L1"


def test_held_rows_come_in_once_what_they_lacked_is_there(store, load_rows, row):
    vin = "GZ7VAPE17FF000940"
    first = load_rows([row(), row(ro_no="N2", vin=vin)])
    assert first.rows_held == 1
    load_rows(
        [{"vin": vin, "engine_family": "V8", "in_service_on": "2015-01-01"}],
        kind="vehicles",
        name="more.csv",
    )
    second = load_rows([row(), row(ro_no="N2", vin=vin)])
    assert not second.already_loaded
    assert (second.rows_kept, second.rows_identical, second.rows_held) == (1, 1, 0)
    assert len(intake.held_rows(store)) == 0, "only the last load of a file counts"
    assert len(intake.held_rows(store, first.load_id)) == 1


def test_vehicles_families_and_meters_by_their_keys(store, load_rows, vins):
    vehicle = {
        "vin": vins[0],
        "unit_no": "U1",
        "plate": "PL 1",
        "engine_family": "V8",
        "model_year": "2015",
        "in_service_on": "2015-03-01",
    }
    same = load_rows([vehicle, vehicle], kind="vehicles")
    assert (same.rows_kept, same.rows_identical) == (0, 2)
    changed = load_rows([{**vehicle, "depot": "Hill"}], kind="vehicles", name="b.csv")
    assert changed.rows_kept == 1
    found = store.frame("SELECT vin, depot FROM vehicle WHERE depot IS NOT NULL").rows()
    assert found == [(vins[0], "Hill")]
    reading = {"vin": vins[0], "read_on": "2021-01-01", "odometer": "100", "source": "fuelling"}
    load_rows([reading], kind="meters", name="m.csv")
    more = load_rows([reading, {**reading, "source": "inspection"}], kind="meters", name="n.csv")
    assert (more.rows_kept, more.rows_identical) == (1, 1)


def test_result_says_what_was_done(store, load_rows, row):
    said = []
    path_result = load_rows([{**row(), "Bay": "4"}, row(ro_no="N2", odometer="-1")])
    assert path_result.unmatched_columns == ("Bay",)
    assert path_result.held_by_reason.rows() == [("odometer", "is negative", 1)]
    assert path_result.seconds > 0
    found = intake.loads(store).row(0, named=True)
    assert (found["rows_read"], found["rows_kept"], found["rows_held"]) == (2, 1, 1)
    with pytest.raises(InputError, match="there is no load 99"):
        intake.held_rows(store, 99)
    assert said == []


def test_map_is_checked(store, load_rows, row, tmp_path):
    def with_map(text):
        (tmp_path / "map.toml").write_text(text)
        return load_rows([row()], columns=tmp_path / "map.toml")

    refused = {
        "nonsense =": "not valid TOML",
        'colour = "red"': "colour is not part of a map",
        'date_order = "xyz"': "give one of 'dmy', 'mdy', 'ymd'",
        'delimiter = ",,"': "the one character",
        "header_row = 0": "rows are counted from 1",
        'header_row = "4"': "give a whole number",
        "shop = 4": "give text in quotes",
        'kind = "vehicles"': "the column map is for vehicles, not for repairs",
        '[columns]\nro_no = "Ticket"': "puts ro_no under 'Ticket', which is not there",
        '[columns]\nticket = "ro_no"': "ticket is not a field of repairs",
        '[columns]\nro_no = "ro_no"': "no column for opened_on",
        '[columns]\nro_no = "ro_no"\nopened_on = "opened_on"': "no column names the shop",
    }
    for text, message in refused.items():
        with pytest.raises(InputError, match=message):
            with_map(text)
    with pytest.raises(InputError, match=r"no\.toml cannot be read"):
        load_rows([row()], columns=tmp_path / "no.toml")
