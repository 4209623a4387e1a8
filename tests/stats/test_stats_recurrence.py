from fractions import Fraction

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose

from fleetlog import stats
from fleetlog.errors import InvalidLives

# Three vans: A watched over (0, 10], B over (0, 4] and (6, 10], C over (3, 8].
WINDOWS = (["A", "B", "B", "C"], [0, 0, 6, 3], [10, 4, 10, 8])


def mean(unit, time, **options):
    return stats.mean_cumulative_function(unit, time, WINDOWS, **options)


def test_by_hand():
    # At risk: t=2 A,B; t=5 A,C; t=7 A,B,C.
    curve = mean(["A", "A", "B"], [2, 5, 7])
    total = Fraction(1, 2) + Fraction(1, 2) + Fraction(1, 3)
    assert curve.at([1, 2, 5, 10]).tolist() == pytest.approx([0, 0.5, 1, float(total)])
    assert np.isnan(curve.at([10.5])[0])
    # Influence of each van: its own repairs less its share, at every repair while it is watched.
    a = Fraction(1, 2) - Fraction(1, 4) + Fraction(1, 2) - Fraction(1, 4) - Fraction(1, 9)
    b = -Fraction(1, 4) + Fraction(1, 3) - Fraction(1, 9)
    c = -Fraction(1, 4) - Fraction(1, 9)
    assert a + b + c == 0
    last = curve.table.filter(pl.col("time") == 7)
    assert last["std_err"][0] == pytest.approx(float(a**2 + b**2 + c**2) ** 0.5)
    assert last["at_risk"][0] == 3
    assert (curve.units, curve.events) == (3, 3)


def test_costs_of_1_are_counts():
    counts = mean(["A", "A", "B"], [2, 5, 7]).table
    costs = mean(["A", "A", "B"], [2, 5, 7], cost=[1, 1, 1]).table
    assert costs.drop("cost").equals(counts)


def test_costs_are_scaled_through():
    one = mean(["A", "A", "B"], [2, 5, 7], cost=[3, 4, 5]).table
    ten = mean(["A", "A", "B"], [2, 5, 7], cost=[30, 40, 50]).table
    for name in ("estimate", "std_err", "lower", "upper", "cost"):
        assert_allclose(one[name].fill_null(0) * 10, ten[name].fill_null(0), rtol=1e-12)


def test_two_repairs_at_once_are_two():
    table = mean(["A", "A"], [5, 5]).table.filter(pl.col("time") == 5)
    assert table["events"][0] == 2
    assert table["estimate"][0] == 1


def test_a_window_cut_in_two_changes_nothing():
    cut = (["A", "A", "B", "B", "C"], [0, 7, 0, 6, 3], [7, 10, 4, 10, 8])
    whole = mean(["A", "A", "B"], [2, 5, 7]).table
    parts = stats.mean_cumulative_function(["A", "A", "B"], [2, 5, 7], cut).table
    times = whole["time"].implode()
    assert_allclose(
        whole["std_err"], parts.filter(pl.col("time").is_in(times))["std_err"], rtol=1e-12
    )


def test_one_repair_each_at_most_is_a_cumulative_hazard():
    rng = np.random.default_rng(2)
    ages, event = rng.integers(1, 50, 60), rng.random(60) < 0.6
    unit = np.arange(60)
    curve = stats.mean_cumulative_function(unit[event], ages[event], (unit, 0 * ages, ages))
    hazard = stats.nelson_aalen(ages, event, cluster=unit)
    for name in ("time", "at_risk", "events", "estimate", "std_err"):
        assert_allclose(curve.table[name], hazard.table[name], rtol=1e-9, atol=1e-12)


def test_no_repairs_at_all():
    table = mean([], []).table
    assert table["estimate"].to_list() == [0, 0, 0]
    assert table["lower"].null_count() == 3


@pytest.mark.parametrize(
    ("unit", "time", "says"),
    [
        (["A", "B"], [2, 5], r"1 of 2 rows \(recurrences\) lie outside every window.*rows 1"),
        (["C"], [3], "outside every window"),
        (["D"], [5], "outside every window"),
        (["A"], [11], "outside every window"),
        (["A", "B"], [2], "unit has 2 values for 1 rows"),
    ],
)
def test_repairs_nobody_could_see_are_refused(unit, time, says):
    with pytest.raises(InvalidLives, match=says):
        mean(unit, time)


def test_a_repair_at_the_end_of_a_window_is_seen():
    assert mean(["C"], [8]).events == 1


@pytest.mark.parametrize(
    ("windows", "says"),
    [
        ((["A", "A"], [0, 4], [5, 9]), "overlap"),
        ((["A"], [5], [5]), "have start >= stop"),
        (([], [], []), "no windows"),
        ((["A"], [0], [np.nan]), "have no stop"),
    ],
)
def test_impossible_windows_are_refused(windows, says):
    with pytest.raises(InvalidLives, match=says):
        stats.mean_cumulative_function(["A"], [1], windows)
