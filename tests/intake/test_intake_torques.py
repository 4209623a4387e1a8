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
