"""Distance and torque."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetlog.errors import InputError
from fleetlog.units import (
    TORQUE_UNITS,
    Torque,
    convert_distance,
    convert_torque,
    distance_factor,
    parse_torque,
    parse_torques,
)

READABLE = [
    ("95 in-lb", 95, "in-lb"),
    ("95 in/lbs", 95, "in-lb"),
    ("95in lbs.", 95, "in-lb"),
    ("95 inlb", 95, "in-lb"),
    ("95INLBS", 95, "in-lb"),
    ("85ftlb", 85, "ft-lb"),
    ("120 inch-pounds", 120, "in-lb"),
    ("10 lbf·in", 10, "in-lb"),
    ("85 ft lb", 85, "ft-lb"),
    ("85 Ft. Lbs.", 85, "ft-lb"),
    ("12 lb-ft", 12, "ft-lb"),
    ("7.4 FT-LB", 7.4, "ft-lb"),
    ("25 foot pounds", 25, "ft-lb"),
    ("25-ft-lb", 25, "ft-lb"),
    ("150 Nm", 150, "N m"),
    ("150Nm", 150, "N m"),
    ("8.5 N·m", 8.5, "N m"),
    ("8.5 N.m", 8.5, "N m"),
    (".5 newton metres", 0.5, "N m"),
]
UNREADABLE = ["", "95", "in-lb", "95 lb", "1,200 in-lb", "7,5 Nm", "85 ft", "-5 Nm", "85 ft-lb x2"]


@pytest.mark.parametrize(("text", "value", "unit"), READABLE)
def test_reads_what_technicians_write(text, value, unit):
    assert parse_torque(text) == Torque(value, unit)


@pytest.mark.parametrize("text", UNREADABLE)
def test_refuses_what_it_cannot_read(text):
    with pytest.raises(InputError, match="is not a torque; write a number"):
        parse_torque(text)


@pytest.mark.parametrize(
    "text", ["85-90 ft-lb", "85 ft-lb to 90 ft-lb", "10 \u2013 12 Nm", "8..10 N m"]
)
def test_refuses_a_range(text):
    with pytest.raises(InputError, match="a range; write the one value"):
        parse_torque(text)
    assert parse_torques(pl.Series([text])).null_count().sum_horizontal().item() == 3


def test_a_column_gives_what_each_text_gives():
    texts = [text for text, _, _ in READABLE] + UNREADABLE + [None]
    frame = parse_torques(pl.Series(texts))
    missing = [None] * (len(UNREADABLE) + 1)
    assert frame["value"].to_list() == [value for _, value, _ in READABLE] + missing
    assert frame["unit"].to_list() == [unit for _, _, unit in READABLE] + missing
    expected = [Torque(value, unit).newton_metres for _, value, unit in READABLE]
    assert frame["newton_metres"][: len(READABLE)].to_list() == pytest.approx(expected)
    assert frame["newton_metres"][len(READABLE) :].null_count() == len(missing)


def test_an_empty_column():
    frame = parse_torques(pl.Series([], dtype=pl.String))
    assert frame.schema == {"value": pl.Float64, "unit": pl.String, "newton_metres": pl.Float64}


@given(
    value=st.floats(1e-3, 1e6),
    start=st.sampled_from(TORQUE_UNITS),
    end=st.sampled_from(TORQUE_UNITS),
)
def test_torque_there_and_back(value, start, end):
    there = convert_torque(value, start, end)
    assert convert_torque(there, end, start) == pytest.approx(value, rel=1e-12)


def test_twelve_inch_pounds_are_one_foot_pound():
    assert convert_torque(12, "in-lb", "ft-lb") == pytest.approx(1, rel=1e-15)


@given(value=st.floats(0, 1e7))
def test_distance_there_and_back(value):
    there = convert_distance(value, "mi", "km")
    assert convert_distance(there, "km", "mi") == pytest.approx(value, rel=1e-12)
    assert convert_distance(value, "km", "km") == value


def test_unknown_units_are_refused():
    with pytest.raises(InputError, match="'nmi' is not a distance unit"):
        distance_factor("nmi", "km")
    with pytest.raises(InputError, match="'kgf m' is not a torque unit"):
        convert_torque(1, "kgf m", "N m")
