"""Torques that technicians wrote down: read with their unit, tied to their order, or held."""

import pytest

from fleetlog import analyses, intake
from fleetlog.errors import InputError


@pytest.fixture
def with_order(records):
    vin = records.vehicle("GZ7VAKE1XPF104729", unit_no="U1")
    records.order(
        vin, 100, 40_000, {"component": "valvetrain.camshaft", "bank": 2, "side": "exhaust"}
    )
    records.meter(vin, 200, 60_000)
    return records.build()


def load(store, tmp_path, *rows, name="torques.csv"):
    path = tmp_path / name
    path.write_text("\n".join(["RO,Bolt,Tightened to", *rows]) + "\n", encoding="utf-8")
    return intake.load(store, path, kind="torques", columns=intake.ColumnMap(shop="North Yard"))


def test_torques_are_kept_as_written_and_in_newton_metres(with_order, tmp_path):
    load(with_order, tmp_path, "1,cam cap bolt 1,89 in-lb", "1,valve cover bolt,12 N m")
    torques = analyses.vehicle_record(with_order, "U1").torques
    assert torques.select("fastener", "value", "unit").rows() == [
        ("cam cap bolt 1", 89.0, "in-lb"), ("valve cover bolt", 12.0, "N m"),
    ]  # fmt: skip
    # NIST SP 811, appendix B: 1 lbf in = 1.129 848 E-01 N m.
    assert torques["newton_metres"][0] == pytest.approx(89 * 0.1129848, rel=1e-6)


def test_what_cannot_be_tied_or_read_is_held(with_order, tmp_path):
    result = load(
        with_order,
        tmp_path,
        "99,cam cap bolt 1,89 in-lb",
        "1,cam cap bolt 2,tight",
        "1,cam cap bolt 3,0 N m",
        "1,cam cap bolt 4,10 N m",
    )
    assert (result.rows_kept, result.rows_held) == (1, 3)
    held = intake.held_rows(with_order)
    assert held.select("file_row", "column", "value").rows() == [
        (2, "RO", "99"), (3, "Tightened to", "tight"), (4, "Tightened to", "0 N m"),
    ]  # fmt: skip


def test_again_changed_and_undone(with_order, tmp_path):
    load(with_order, tmp_path, "1,cam cap bolt 1,89 in-lb")
    assert (
        load(with_order, tmp_path, "1,cam cap bolt 1,89 in-lb", name="again.csv").rows_identical
        == 1
    )
    changed = load(with_order, tmp_path, "1,cam cap bolt 1,95 in-lb", name="changed.csv")
    assert analyses.vehicle_record(with_order, "U1").torques["value"].to_list() == [95.0]
    intake.undo_load(with_order, changed.load_id)
    assert analyses.vehicle_record(with_order, "U1").torques["value"].to_list() == [89.0]


def test_without_a_shop_the_file_is_refused(with_order, tmp_path):
    path = tmp_path / "torques.csv"
    path.write_text("RO,Bolt,Tightened to\n1,a,10 N m\n", encoding="utf-8")
    with pytest.raises(InputError, match="shop"):
        intake.load(with_order, path, kind="torques")


def torqued(records, *, fellows):
    vin = records.vehicle("GZ7VAKE1XPF104729", unit_no="U1")
    for number in range(fellows + 1):
        records.order(
            vin, 100 + 10 * number, 40_000 + 500 * number, {"component": "cooling.water-pump"}
        )
    records.meter(vin, 300, 60_000)
    return records.build()


def test_a_torque_twelve_times_its_fellows_is_doubted_and_kept(records, tmp_path):
    store = torqued(records, fellows=4)
    result = load(
        store,
        tmp_path,
        "1,Cam cap bolt 1,89 in-lb",
        "2,cam cap  bolts,85 in-lb",
        "3,CAM CAP BOLT 7,90 in-lb",
        "4,cam-cap bolt,92 in-lb",
        "5,cam cap bolt,90 ft-lb",
    )
    assert result.rows_kept == 5
    record = analyses.vehicle_record(store, "U1")
    # By hand: the others' median is (89 + 90) / 2 = 89.5 in-lb; 90 ft-lb are 1080 in-lb.
    ratio = 1080 / 89.5
    assert record.torques["value"].to_list() == [90.0, 92.0, 90.0, 85.0, 89.0]
    assert record.torques["doubt"].to_list() == [
        f"{ratio:.3g} times the median of 4 fellows ({89.5 * 0.1129848:.3g} N m): "
        "perhaps meant as in-lb",
        None, None, None, None,
    ]  # fmt: skip
    assert any("1 torque about twelve times" in said for said in record.summary)
    assert any("1 torque" in said and "fleetlog vehicle" in said for said in result.remarks)


def test_a_twelfth_of_its_fellows_is_doubted_too(records, tmp_path):
    store = torqued(records, fellows=3)
    load(store, tmp_path, "1,lug nut,100 ft-lb", "2,lug nuts,100 ft-lb", "3,lug nut,98 ft-lb",
         "4,lug nut,100 in-lb")  # fmt: skip
    doubts = analyses.vehicle_record(store, "U1").torques["doubt"].to_list()
    assert [doubt is not None for doubt in doubts] == [True, False, False, False]
    assert "perhaps meant as ft-lb" in doubts[0]


@pytest.mark.parametrize(
    ("fellows", "last"),
    [(2, "90 ft-lb"), (3, "62 ft-lb"), (3, "114 ft-lb"), (3, "25 in-lb")],
    ids=["two fellows are too few", "8 times", "15.2 times", "a quarter"],
)
def test_what_is_no_slip_is_not_doubted(records, tmp_path, fellows, last):
    store = torqued(records, fellows=fellows)
    same = [f"{number + 1},cap bolt,90 in-lb" for number in range(fellows)]
    result = load(store, tmp_path, *same, f"{fellows + 1},cap bolt,{last}")
    assert analyses.vehicle_record(store, "U1").torques["doubt"].null_count() == fellows + 1
    assert result.remarks == ()


def test_another_fastener_is_no_fellow(records, tmp_path):
    store = torqued(records, fellows=3)
    load(store, tmp_path, "1,cap bolt,90 in-lb", "2,cap bolt,90 in-lb", "3,cap bolt,90 in-lb",
         "4,head bolt,90 ft-lb")  # fmt: skip
    assert analyses.vehicle_record(store, "U1").torques["doubt"].null_count() == 4
