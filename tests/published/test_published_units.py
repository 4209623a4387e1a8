"""Units against NIST Special Publication 811 (2008), appendix B.8."""

import pytest

from fleetlog.units import convert_distance, convert_torque


def test_mile():
    # "mile (mi): kilometer, 1.609 344", exact.
    assert convert_distance(1, "mi", "km") == 1.609344


@pytest.mark.parametrize(
    ("unit", "printed"),
    # "pound-force foot (lbf . ft): newton meter, 1.355 818"; "pound-force inch: 0.112 984 8".
    [("ft-lb", 1.355818), ("in-lb", 0.1129848)],
)
def test_torque(unit, printed):
    digits = len(str(printed).partition(".")[2])
    assert round(convert_torque(1, unit, "N m"), digits) == printed


def test_a_usual_small_fastener():
    # 89 in-lb is written as 7.4 ft-lb and 10 N m: common practice, no source.
    assert convert_torque(89, "in-lb", "ft-lb") == pytest.approx(7.4, abs=0.05)
    assert convert_torque(89, "in-lb", "N m") == pytest.approx(10, abs=0.1)
