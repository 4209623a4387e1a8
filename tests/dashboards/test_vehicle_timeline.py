"""The timeline of one vehicle: every order once, told apart by colour and mark."""

from dataclasses import replace
from datetime import date

import pytest

from dashboards.figures import caption_of, timeline_figure
from dashboards.pages import vehicle_state
from fleetlog import analyses

VIN = "GZ7VAKE1XPF104729"


@pytest.fixture(scope="module")
def record(new_records):
    records = new_records()
    records.vehicle(VIN)
    records.order(VIN, 100, 10_000, {"component": "charging.alternator"}, ro_no="<b>1</b>")
    records.order(VIN, 200, 20_000, {"component": "air.filter", "reason": "planned"})
    records.order(VIN, 250, 3_000, {"component": "air.filter", "reason": "unknown"})
    records.meter(VIN, 300, 30_000)
    return analyses.vehicle_record(records.build(), VIN)


@pytest.mark.parametrize("mode", ["light", "dark"])
def test_every_order_is_drawn_once_and_kinds_differ_in_colour_and_mark(record, mode):
    figure = timeline_figure(record, mode)
    kinds = [trace for trace in figure.data if "(" in trace.name and "aside" not in trace.name]
    assert sum(len(trace.x) for trace in kinds) == record.orders.height == 3
    assert len({trace.marker.color for trace in kinds}) == len(kinds) == 3
    assert len({trace.marker.symbol for trace in kinds}) == 3
    assert "3 orders" in caption_of(figure)
    assert "1 order" in caption_of(figure).split("worked out")[1]
    # The reading of 3,000 mi amid 20,000 is set aside, and marked where it was written.
    aside = next(trace for trace in figure.data if "aside" in trace.name)
    assert list(aside.y) == [3_000]


def test_text_of_the_records_is_no_markup(record):
    figure = timeline_figure(record)
    said = str([trace.customdata for trace in figure.data])
    assert "&lt;b&gt;1&lt;/b&gt;" in said


def test_a_vehicle_without_orders_says_so(new_records):
    records = new_records()
    records.vehicle(VIN)
    records.meter(VIN, 300, 30_000)
    empty = analyses.vehicle_record(records.build(), VIN)
    assert "No order" in caption_of(timeline_figure(empty))
    assert "no service rules" in str(vehicle_state.due_section(empty))


def test_an_overdue_task_is_told_in_words_and_by_a_mark(record):
    start = date(2016, 1, 1)
    row = dict.fromkeys(record.due.columns) | {
        "task": "brake fluid", "origin": "legal", "safety_critical": True, "state": "overdue",
        "every_days": 730, "left_days": -20, "due_on": start, "due_on_lower": start,
        "due_on_upper": start, "note": "",
    }  # fmt: skip

    shown = str(vehicle_state.due_section(replace(record, due=type(record.due)([row]))))
    assert "▲ overdue" in shown
    assert "brake fluid, safety-critical" in shown
    assert "\N{MINUS SIGN}20 days" in shown
    assert start.isoformat() in shown
