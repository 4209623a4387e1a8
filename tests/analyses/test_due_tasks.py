"""When a vehicle has gone so much further: the pace, and the limits of the day."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from fleetlog.analyses.due_tasks import Pace, days_until, pace_of

Z = norm.ppf(0.975)
paces = st.builds(
    Pace, st.floats(1, 500), st.integers(60, 366), st.floats(0, 1e5), st.floats(0, 1e3)
)


@given(st.floats(1, 1e5), paces)
def test_at_its_limits_the_distance_is_at_the_edge_of_what_may_be_driven(distance, pace):
    days, lower, upper = days_until(distance, pace)
    assert days == pytest.approx(distance / pace.per_day)
    assert 0 < lower <= days * (1 + 1e-9)
    for limit, sign in ((lower, 1), (upper, -1)):
        if limit is None or limit > 1e7:
            continue
        spread = np.sqrt(pace.steady * limit + pace.drift * limit**2)
        assert pace.per_day * limit + sign * Z * spread == pytest.approx(distance, rel=1e-4)
    if upper is None:
        # Even at the latest the pace may be nought: no promise of arrival.
        assert pace.per_day <= Z * np.sqrt(pace.drift) * (1 + 1e-9)


@given(st.floats(1, 1e5), paces, st.floats(0.1, 10))
def test_another_unit_of_distance_gives_the_same_days(distance, pace, factor):
    other = Pace(pace.per_day * factor, pace.over_days, pace.steady * factor**2,
                 pace.drift * factor**2)  # fmt: skip
    assert days_until(distance, pace)[:2] == pytest.approx(days_until(distance * factor, other)[:2])


def test_a_pace_without_spread_has_no_limits():
    assert days_until(1_000, Pace(50, 300, None, None)) == (20, None, None)


def test_the_spread_of_a_steady_walk_is_found_again():
    """A walk of independent days, sd 12 mi: variance 144 a day and no drift, by the moments.

    The sums are those that lives/sql/orders.sql keeps, worked out here with NumPy.
    """
    rng = np.random.default_rng(7)
    days = np.arange(0, 20_000, 5)
    distance = np.concatenate([[0], np.cumsum(rng.normal(40 * 5, 12 * np.sqrt(5), len(days) - 1))])

    def sums(reach):
        a, t, b = days[: -2 * reach], days[reach:-reach], days[2 * reach :]
        h = (t - a) * (b - t) / (b - a)
        line = distance[: -2 * reach] + (distance[2 * reach :] - distance[: -2 * reach]) * (
            (t - a) / (b - a)
        )
        r = distance[reach:-reach] - line
        return (r * r).sum(), h.sum(), (h * h).sum(), len(h)

    near_rr, near_h, near_hh, near_n = sums(1)
    far_rr, far_h, far_hh, _ = sums(4)
    pace = pace_of(
        {"per_day": 40.0, "over_days": 366, "near_n": near_n, "near_rr": near_rr,
         "near_h": near_h, "near_hh": near_hh, "far_rr": far_rr, "far_h": far_h,
         "far_hh": far_hh}
    )  # fmt: skip
    assert pace.steady == pytest.approx(144, rel=0.1)
    # What is left is the pace's own error: 144 / 366 days.
    assert pace.drift == pytest.approx(144 / 366, abs=2.0)


@pytest.mark.parametrize("per_day", [None, 0.0, -3.0])
def test_a_vehicle_that_does_not_move_has_no_pace(per_day):
    assert pace_of({"per_day": per_day}) is None
