"""Trend tests: by hand, invariances, direction, refusals, and how often they cry wolf."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from fleetlog import stats
from fleetlog.errors import InvalidLives

TESTS = (stats.laplace_trend, stats.military_handbook_trend, stats.lewis_robinson_trend)
EVERY = pytest.mark.parametrize("test", TESTS)
FEW = settings(max_examples=25)


def fleet(seed, units=6, shape=1.0):
    """Units with late entry and, some, a gap; ages from a power law of their own scale."""
    rng = np.random.default_rng(seed)
    watched, start, stop, unit, time = [], [], [], [], []
    for one in range(units):
        edges = np.sort(rng.uniform(0, 100, 4))
        if rng.integers(2):
            edges[0] = 0.0
        for a, b in [(0, 1), (2, 3)] if rng.integers(2) else [(0, 3)]:
            watched.append(one)
            start.append(edges[a])
            stop.append(edges[b])
            low, high = edges[a] ** shape, edges[b] ** shape
            number = rng.poisson(4 * (high - low) / 50**shape)
            time.extend((low + rng.random(number) * (high - low)) ** (1 / shape))
            unit.extend([one] * number)
    return np.array(unit), np.array(time), tuple(map(np.array, (watched, start, stop)))


def test_laplace_by_hand():
    # Watched to 10: mean 5, variance 100/12. Two repairs at 8 and 6: surplus 4.
    test = stats.laplace_trend([1, 1], [8, 6], ([1], [0], [10]))
    assert test.statistic == pytest.approx(4**2 / (2 * 100 / 12))
    assert test.p_value == pytest.approx(chi2.sf(test.statistic, 1))
    assert (test.df, test.direction, test.recurrences, test.truncating) == (1, "rising", 2, 0)
    assert test.groups["observed"].to_list() == [0, 2]
    assert test.groups["expected"].to_list() == [1, 1]


def test_laplace_with_a_gap_by_hand():
    # Watched over (0, 2] and (4, 6]: mean 3, mean square (8/3 + (216 - 64)/3) / 4 = 40/3.
    test = stats.laplace_trend([1, 1], [1, 6], ([1, 1], [0, 4], [2, 6]))
    assert test.statistic == pytest.approx((1 + 6 - 6) ** 2 / (2 * (40 / 3 - 9)))


def test_military_handbook_with_a_gap_by_hand():
    # Watched time in all 4, before the repairs 1 and 3.
    test = stats.military_handbook_trend([1, 1], [1, 5], ([1, 1], [0, 4], [2, 6]))
    assert test.statistic == pytest.approx(2 * (np.log(4 / 1) + np.log(4 / 3)))
    tail = chi2.cdf(test.statistic, 4), chi2.sf(test.statistic, 4)
    assert test.p_value == pytest.approx(2 * min(tail))
    assert test.df == 4


def test_lewis_robinson_is_laplace_over_the_spread_of_times_between():
    ages = np.array([3.0, 5, 11, 12, 20])
    rows = ([1] * 5, ages, ([1], [0], [24]))
    between = np.diff(ages, prepend=0)
    spread = between.std(ddof=1) / between.mean()
    plain, scaled = stats.laplace_trend(*rows), stats.lewis_robinson_trend(*rows)
    assert scaled.statistic == pytest.approx(plain.statistic / spread**2)
    # Late entry: the time to the first repair was not seen from its start.
    late = ([1] * 5, ages, ([1], [2], [24]))
    between = np.diff(ages)
    spread = between.std(ddof=1) / between.mean()
    assert stats.lewis_robinson_trend(*late).statistic == pytest.approx(
        stats.laplace_trend(*late).statistic / spread**2
    )


@EVERY
def test_a_watch_that_ends_at_a_repair_sets_that_repair_aside(test):
    ages = [3.0, 5, 11, 12, 20]
    ended = test([1] * 5, ages, ([1], [0], [20]), truncation="failure")
    assert (ended.recurrences, ended.truncating) == (4, 1)
    if test is not stats.lewis_robinson_trend:
        same = test([1] * 4, ages[:4], ([1], [0], [20]))
        assert ended.statistic == pytest.approx(same.statistic)


@EVERY
@FEW
@given(st.integers(0, 10**6), st.integers(-3, 6))
def test_unit_of_age_and_order_of_rows_do_not_matter(test, seed, power):
    unit, time, (watched, start, stop) = fleet(seed, 8)
    rng = np.random.default_rng(seed)
    events, rows = rng.permutation(unit.size), rng.permutation(watched.size)
    factor = 10.0**power
    one = test(unit, time, (watched, start, stop))
    other = test(
        unit[events],
        time[events] * factor,
        (watched[rows], *(x[rows] * factor for x in (start, stop))),
    )
    assert other.statistic == pytest.approx(one.statistic, rel=1e-6)
    assert other.direction == one.direction


@EVERY
@FEW
@given(st.integers(0, 10**6), st.floats(1, 99))
def test_a_window_cut_anywhere_changes_no_trend(test, seed, age):
    unit, time, (watched, start, stop) = fleet(seed, 8)
    inside = np.flatnonzero((start < age - 1e-3) & (age + 1e-3 < stop))
    cut_stop = stop.copy()
    cut_stop[inside] = age
    cut = (
        np.concatenate([watched, watched[inside]]),
        np.concatenate([start, np.full(inside.size, age)]),
        np.concatenate([cut_stop, stop[inside]]),
    )
    whole = test(unit, time, (watched, start, stop))
    assert test(unit, time, cut).statistic == pytest.approx(whole.statistic, rel=1e-9)


@EVERY
@pytest.mark.parametrize(("shape", "says"), [(0.4, "falling"), (2.5, "rising")])
def test_a_clear_trend_is_found(test, shape, says):
    found = test(*fleet(3, 30, shape))
    assert found.direction == says
    assert found.p_value < 1e-3


@EVERY
@pytest.mark.parametrize(
    ("rows", "options", "says"),
    [
        (([1], [5], ([1], [0], [9])), {}, "There are 1 recurrences: a trend needs at least 2"),
        (([], [], ([1], [0], [9])), {}, "There are 0 recurrences"),
        (([1, 1], [5, 9], ([1], [0], [9])), {"truncation": "failure"}, "besides those that ended"),
        (([1, 1], [5, 7], ([1], [0], [9])), {"truncation": "failure"}, "does not end at a rec"),
        (([1, 1], [5, 9], ([1, 2], [0, 0], [9, 9])), {"truncation": "failure"}, "does not end"),
        (([1, 1], [5, 7], ([1], [0], [9])), {"truncation": "both"}, "pass 'time' or 'failure'"),
        (([1, 1], [5, np.nan], ([1], [0], [9])), {}, "have no time"),
    ],
)
def test_what_shows_no_trend_is_refused(test, rows, options, says):
    with pytest.raises(ValueError, match=says):
        test(*rows, **options)


def test_lewis_robinson_wants_times_between():
    with pytest.raises(InvalidLives, match="There are 2 times between recurrences"):
        stats.lewis_robinson_trend([1, 1], [5, 7], ([1], [0], [9]))
    with pytest.raises(InvalidLives, match="are all alike"):
        stats.lewis_robinson_trend([1, 1, 1], [2, 4, 6], ([1], [0], [9]))


@pytest.mark.slow
def test_trend_tests_cry_wolf_at_their_rate():
    held = dict.fromkeys(("laplace", "handbook"), 0)
    samples = 2000
    for seed in range(samples):
        rows = fleet(seed, 5)
        held["laplace"] += stats.laplace_trend(*rows).p_value < 0.05
        held["handbook"] += stats.military_handbook_trend(*rows).p_value < 0.05
    for name, count in held.items():
        assert count / samples == pytest.approx(0.05, abs=0.02), (name, count / samples)


@pytest.mark.slow
def test_regular_repairs_fool_laplace_but_not_lewis_and_robinson():
    # Renewals with gamma times of shape 4 (coefficient of variation 1/2) and of shape 0.4.
    rng = np.random.default_rng(5)
    samples = 1500
    for shape in (4.0, 0.4):
        plain = scaled = 0
        for _ in range(samples):
            ages = np.cumsum(rng.gamma(shape, 1 / shape, 400))
            ages = ages[ages <= 60]
            rows = ([1] * ages.size, ages, ([1], [0], [60]))
            plain += stats.laplace_trend(*rows).p_value < 0.05
            scaled += stats.lewis_robinson_trend(*rows).p_value < 0.05
        # Four standard errors are 0.023, and the test is a large-sample one.
        assert scaled / samples == pytest.approx(0.05, abs=0.035), (shape, scaled / samples)
        assert abs(plain / samples - 0.05) > 0.03, (shape, plain / samples)
