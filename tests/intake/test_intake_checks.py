"""Each fault of a row holds it back with a sentence that says where and what; the rest stays."""

from datetime import date, timedelta

import pytest

from fleetlog import intake
from fleetlog.errors import InputError

NEXT_WEEK = (date.today() + timedelta(days=7)).isoformat()

# changes to a sound row, then the column, value, and words of the problem it must be held for
FAULTS = {
    "VIN too short": ({"vin": "GZ7VAPE15FF0009"}, "vin", "GZ7VAPE15FF0009", "17 characters"),
    "VIN with an O": ({"vin": "GZ7VAPE15FFO00941"}, "vin", "GZ7VAPE15FFO00941", "'O' in posit"),
    "VIN check digit": ({"vin": "GZ7VAPE10FF000941"}, "vin", "GZ7VAPE10FF000941", "check digit"),
    "VIN not in fleet": ({"vin": "GZ7VAPE17FF000940"}, "vin", "GZ7VAPE17FF000940", "fleet list"),
    "no VIN": ({"vin": None}, "vin", None, "is empty, and no unit number"),
    "date unreadable": ({"opened_on": "last week"}, "opened_on", "last week", "not a date"),
    "day not in calendar": ({"opened_on": "2021-02-30"}, "opened_on", "2021-02-30", "not a day"),
    "date missing": ({"opened_on": None}, "opened_on", None, "is empty"),
    "future": ({"opened_on": NEXT_WEEK}, "opened_on", NEXT_WEEK, "in the future"),
    "before 1950": ({"opened_on": "1949-12-31"}, "opened_on", "1949-12-31", "before 1950"),
    "closed before opened": (
        {"opened_on": "2021-03-04", "closed_on": "2021-03-03"},
        "closed_on", "2021-03-03", "before the day the order was opened, 2021-03-04",
    ),
    "odometer negative": ({"odometer": "-5"}, "odometer", "-5", "is negative"),
    "odometer words": ({"odometer": "unknown"}, "odometer", "unknown", "is not a number"),
    "RO number missing": ({"ro_no": None}, "ro_no", None, "is empty"),
    "shop missing": ({"shop": None}, "shop", None, "is empty"),
    "cost words": ({"line_cost": "free"}, "line_cost", "free", "is not a number"),
    "quantity zero": ({"qty": "0"}, "qty", "0.0", "not a quantity above zero"),
    "infinite hours": ({"labour_h": "inf"}, "labour_h", "inf", "is not a number"),
    "cylinder beyond": (
        {"position": "cyl 9"}, "position", "cyl 9", "cylinder 9, and engine family V8 has 8",
    ),
    "bank beyond": ({"position": None, "bank": "3"}, "bank", "3", "bank 3, and engine family V8"),
    "bank against cylinder": (
        {"position": None, "bank": "2", "cylinder": "1"},
        "bank", "2", "bank 2, and cylinder 1 of engine family V8 sits on bank 1",
    ),
}  # fmt: skip


def test_faults_hold_their_rows_and_no_others(store, load_rows, row):
    """One file with every fault once, between sound rows: each row on an order of its own."""
    rows = [
        row(
            ro_no="N0",
            closed_on=None,
            qty=None,
            labour_h=None,
            line_cost=None,
            bank=None,
            cylinder=None,
        )
    ]
    for number, (changes, *_) in enumerate(FAULTS.values(), start=1):
        rows.append(row(**{"ro_no": f"N{number}", **changes}))
    rows.append(row(ro_no="last"))
    result = load_rows(rows)
    assert result.rows_read == len(FAULTS) + 2
    assert (result.rows_kept, result.rows_held) == (2, len(FAULTS))
    held = intake.held_rows(store)
    assert held["file_name"].unique().to_list() == ["repairs.csv"]
    assert held["remedy"].is_not_null().all()
    for number, (name, (_, column, value, problem)) in enumerate(FAULTS.items()):
        found = held.filter(file_row=number + 3).select("column", "value", "problem").rows()
        assert [(c, v) for c, v, _ in found] == [(column, value)], name
        assert problem in found[0][2], name
    assert result.held_by_reason["rows"].sum() == len(FAULTS)


def test_vehicle_known_by_its_unit_or_plate(store, load_rows, row, vins):
    result = load_rows(
        [
            row(ro_no="1", vin="GZ7VAPE10FF000002", unit_no="u2", plate=None),
            row(ro_no="2", vin=None, unit_no=None, plate="pl 3"),
            row(ro_no="3", vin=None, unit_no="U1", plate="PL 2"),
        ]
    )
    found = store.frame("SELECT ro_no, vin FROM repair_order ORDER BY ro_no").rows()
    assert found == [("1", vins[1]), ("2", vins[2])]
    assert result.notes == 2
    notes = store.frame("SELECT file_row, was, became, why FROM row_note ORDER BY file_row")
    assert notes["became"].to_list() == [vins[1], vins[2]]
    assert "position 9" in notes["why"][0]
    assert "is another vehicle than the plate" in intake.held_rows(store)["problem"].to_list()


def test_odometers_with_units_and_separators(store, load_rows, row):
    """1 mi = 1.609344 km exactly (NIST SP 811, appendix B): 135 377 km = 84 119.37 mi."""
    written = ["84,120 mi", "135 377 km", "135.377 km", "84120.4", "1e5", "84120 miles"]
    rows = [row(ro_no=str(place), odometer=text) for place, text in enumerate(written)]
    load_rows(rows)
    found = store.frame("SELECT odometer, odometer_written FROM repair_order ORDER BY ro_no")
    assert found["odometer"].to_list() == [84_120, 84_119, 84, 84_120, 100_000, 84_120]
    assert found["odometer_written"].to_list() == written


def test_unit_of_the_file_is_converted(store, load_rows, row):
    load_rows([row(odometer="160934.4")], columns=intake.ColumnMap(distance_unit="km"))
    load_rows(
        [{**row(ro_no="2", odometer=None), "Odometer km": "160934.4"}],
        name="b.csv",
        columns=intake.ColumnMap(
            columns={
                **dict.fromkeys([], ""),
                **{name: name for name in row() if name != "odometer"},
                "odometer": "Odometer km",
            }
        ),
    )
    assert store.frame("SELECT odometer FROM repair_order")["odometer"].to_list() == [100_000] * 2


def test_decimal_comma_is_found_or_given(store, load_rows, row):
    result = load_rows([row(ro_no="1", line_cost="1.234,50"), row(ro_no="2", line_cost="12,5")])
    assert any("decimal comma" in remark for remark in result.remarks)
    load_rows(
        [row(ro_no="3", line_cost="1.234")],
        name="b.csv",
        columns=intake.ColumnMap(decimal_mark=","),
    )
    load_rows([row(ro_no="4", line_cost="$1,234.50")], name="c.csv")
    found = store.frame(
        "SELECT ro_no, l.cost::DOUBLE c FROM repair_line l JOIN repair_order"
        " USING (ro_id) ORDER BY ro_no"
    )
    assert found["c"].to_list() == [1234.5, 12.5, 1234, 1234.5]


def opened(store):
    return store.frame("SELECT opened_on FROM repair_order ORDER BY ro_no")["opened_on"].to_list()


def dated(row, texts):
    return [row(ro_no=str(place), opened_on=text) for place, text in enumerate(texts)]


def test_day_or_month_first_is_read_from_the_whole_column(store, load_rows, row):
    result = load_rows(
        dated(
            row,
            [
                "03/04/2021",
                "03/25/2021",
                "2021-03-05",
                "5 Mar 2021",
                "March 6, 2021",
                "20210307",
                "3/8/21 14:05",
            ],
        )
    )
    assert opened(store) == [date(2021, 3, d) for d in (4, 25, 5, 5, 6, 7, 8)]
    assert any("month first" in remark for remark in result.remarks)


def test_dates_that_nothing_decides_are_asked_about(store, load_rows, row, state, differing):
    before = state(store)
    with pytest.raises(
        InputError,
        match=r"repairs\.csv: the dates under 'opened_on', such as "
        r"'03/04/2021', can be read .* which is it\?",
    ):
        load_rows(dated(row, ["03/04/2021", "05/06/2021"]))
    assert differing(before, state(store)) == []
    load_rows(dated(row, ["03/04/2021", "05/06/2021"]), columns=intake.ColumnMap(date_order="dmy"))
    assert opened(store) == [date(2021, 4, 3), date(2021, 6, 5)]


def test_dates_both_ways_are_kept_only_where_one_reading_is_left(store, load_rows, row):
    result = load_rows(dated(row, ["25/03/2021", "03/26/2021", "04/04/2021", "03/04/2021"]))
    assert opened(store) == [date(2021, 3, 25), date(2021, 3, 26), date(2021, 4, 4)]
    assert result.rows_held == 1
    assert "two dates" in intake.held_rows(store)["problem"].item()


def test_date_against_the_order_of_the_map(store, load_rows, row):
    load_rows(dated(row, ["25/03/2021"]), columns=intake.ColumnMap(date_order="mdy"))
    assert "not a date in the order mdy" in intake.held_rows(store)["problem"].item()


@pytest.mark.parametrize(
    "text", ["=1+1", "+44", "-x", "@SUM(A1)", "'; DROP TABLE vehicle; --", "<script>", "../../etc"]
)
def test_text_is_only_data(store, load_rows, row, text):
    load_rows([row(cause=text, part_no=text, technician=text)])
    found = store.frame(
        "SELECT o.cause, l.part_no, o.technician FROM repair_line l JOIN"
        " repair_order o USING (ro_id)"
    )
    assert found.row(0) == (text, text, text)


def test_headings_are_only_data(store, load_rows, row):
    result = load_rows([{**row(), '"; DROP TABLE raw; --': "x", "{columns}": "y"}])
    assert result.rows_kept == 1
    assert result.unmatched_columns == ('"; DROP TABLE raw; --', "{columns}")


def test_neither_yes_nor_no_is_noted_and_left_empty(store, load_rows, row):
    result = load_rows(
        [row(road_tested="Y"), row(ro_no="2", road_tested="no"), row(ro_no="3", road_tested="bit")]
    )
    assert (result.rows_kept, result.notes) == (3, 1)
    found = store.frame("SELECT road_tested FROM repair_order ORDER BY ro_no")["road_tested"]
    assert sorted(found.to_list(), key=str) == [False, None, True]
    note = store.frame('SELECT file_row, "column", was, why FROM row_note').row(0)
    assert note == (4, "road_tested", "bit", "is neither yes nor no")


def test_part_that_nothing_names_is_kept_uncoded(store, load_rows, row):
    result = load_rows([row(component="shop supplies")])
    assert result.rows_kept == 1
    assert result.lines_coded == {"columns": 0, "text": 0, "nothing": 1}
    line = store.frame("SELECT description, component, coded_from FROM repair_line").row(0)
    assert line == ("shop supplies", None, "nothing")


def test_part_that_the_engine_does_not_have_is_kept_uncoded_and_noted(store, load_rows, row, vins):
    load_rows([row(vin=vins[4], component="Spark plug", position=None)])
    assert store.frame("SELECT component FROM repair_line").item() is None
    note = store.frame('SELECT "column", was, why FROM row_note').row(0)
    assert note == (
        "component", "Spark plug", "ignition.spark-plug does not exist on engine family D6",
    )  # fmt: skip


def test_line_is_coded_from_its_columns(store, load_rows, row):
    load_rows([row()])
    line = store.frame(
        "SELECT component, bank, cylinder, side, slot, action, reason, failure_mode,"
        " coded_from FROM repair_line"
    ).row(0)
    assert line == (
        "valvetrain.lifter",
        1,
        3,
        "intake",
        1,
        "replaced",
        "failed",
        "collapsed",
        "columns",
    )


def test_line_is_coded_from_its_narrative_where_columns_are_silent(store, load_rows, row):
    silent = dict.fromkeys(("component", "position", "action", "reason", "failure_mode"))
    result = load_rows(
        [
            row(**silent, cause="lifter collapsed", correction="Replaced intake lifter cyl 3."),
            row(**silent, cause="lifter collapsed", correction="Replaced intake lifter cyl 3."),
            row(
                ro_no="N2",
                component="Spark plug",
                position="cyl 1",
                action=None,
                correction="Replaced intake lifter cyl 3.",
            ),
        ]
    )
    assert result.lines_coded == {"columns": 1, "text": 1, "nothing": 1}
    lines = store.frame(
        "SELECT component, cylinder, action, coded_from FROM repair_line ORDER BY file_row"
    ).rows()
    assert lines[0] == ("valvetrain.lifter", 3, "replaced", "text")
    assert lines[1][0] is None, "one narrative tells of one piece of work"
    assert lines[2] == ("ignition.spark-plug", 1, None, "columns"), "it speaks of another part"


def test_vehicle_faults(store, load_rows, vins):
    sound = {"vin": "GZ7VAPE17FF000940", "engine_family": "V8", "in_service_on": "2015-03-01"}
    result = load_rows(
        [
            {**sound, "model_year": None, "retired_on": None, "observed_from_on": None},
            {**sound, "vin": "GZ7VAPE10FF000941"},
            {**sound, "engine_family": "W12"},
            {**sound, "observed_from_on": "2014-01-01"},
            {**sound, "retired_on": "2014-01-01"},
            {**sound, "model_year": "15"},
            {**sound, "model_year": "2016"},
        ],
        kind="vehicles",
    )
    assert (result.rows_kept, result.rows_held) == (1, 6)
    problems = intake.held_rows(store)["problem"].to_list()
    for words in (
        "check digit",
        "not an engine family of the store",
        "before the start of service",
        "before the first day",
        "not a model year",
        "same key as row 2",
    ):
        assert sum(words in problem for problem in problems) == 1, words


def test_engine_family_faults(store, load_rows):
    sound = {
        "code": "X",
        "title": "x",
        "cylinders": 4,
        "banks": 1,
        "cylinder_banks": "1 1 1 1",
        "intake_valves": 2,
        "exhaust_valves": 2,
        "camshafts_per_bank": 2,
        "camshaft_location": "head",
        "fuel": "petrol",
        "displacement_l": 1.9,
    }
    result = load_rows(
        [
            {**sound, "code": "A"},
            {**sound, "code": "B", "cylinder_banks": "1 1 1"},
            {**sound, "code": "C", "cylinder_banks": "2 2 1 1", "banks": 2},
            {**sound, "code": "D", "fuel": "coal"},
            {**sound, "code": "E", "cylinder_banks": "one"},
        ],
        kind="engine-families",
    )
    assert (result.rows_kept, result.rows_held) == (1, 4)
    problems = intake.held_rows(store)["problem"].to_list()
    assert "cylinder_banks has 3 entries for 4 cylinders" in problems[0]
    assert "cylinder 1 is not on bank 1" in problems[1]
    assert problems[2] == "is not one of petrol, diesel, gas, electric"
    assert "does not give each cylinder its bank" in problems[3]


def test_meter_and_rule_faults(store, load_rows, vins):
    meters = load_rows(
        [
            {"unit_no": "U1", "read_on": "2021-01-01", "odometer": "100", "engine_hours": None},
            {"unit_no": "U77", "read_on": "2021-01-01", "odometer": "100"},
            {"unit_no": "U1", "read_on": "2021-01-02", "odometer": None},
        ],
        kind="meters",
    )
    assert (meters.rows_kept, meters.rows_held) == (1, 2)
    assert store.frame("SELECT vin FROM meter").item() == vins[0]
    rules = load_rows(
        [
            {
                "engine_family": "V8",
                "task": "oil",
                "component": "engine oil",
                "origin": "maker",
                "every_distance": "10000",
                "every_days": "365",
                "safety_critical": "no",
            },
            {
                "engine_family": "V8",
                "task": "pads",
                "component": "brakes.pads",
                "origin": "maker",
                "every_days": "365",
                "safety_critical": "no",
            },
            {"engine_family": "V8", "task": "wipe", "origin": "maker"},
            {
                "engine_family": "V8",
                "task": "x",
                "component": "flux",
                "origin": "maker",
                "every_days": "10",
            },
            {"engine_family": "Q", "task": "x", "origin": "driver", "every_days": "10"},
            {
                "engine_family": "V8",
                "task": "brakes",
                "origin": "legal",
                "every_days": "365",
                "safety_critical": "perhaps",
            },
        ],
        kind="service-rules",
        name="rules.csv",
    )
    assert (rules.rows_kept, rules.rows_held) == (2, 4)
    kept = store.frame("SELECT component, safety_critical FROM service_rule ORDER BY task").rows()
    assert kept == [("lubrication.engine-oil", False), ("brakes.pads", True)]
