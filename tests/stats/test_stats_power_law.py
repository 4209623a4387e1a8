"""Power-law processes: by hand, against a general maximiser, invariances, refusals, coverage."""

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from test_stats_trend import fleet

from fleetlog import stats

FEW = settings(max_examples=25)
SEEDS = st.integers(0, 10**6)
ONE = ([1] * 5, [3.0, 8, 11, 17, 19], ([1], [0], [20]))


def log_likelihood(point, unit, time, windows):
    shape, scale = np.exp(point)
    _, start, stop = map(np.asarray, windows)
    rate = np.log(shape / scale) + (shape - 1) * np.log(np.asarray(time) / scale)
    return rate.sum() - ((stop / scale) ** shape - (start / scale) ** shape).sum()


def test_closed_form_of_one_unit():
    fit = stats.fit_power_law(*ONE)
    sum_of_logs = np.log(20 / np.array(ONE[1])).sum()
    assert fit.shape == pytest.approx(5 / sum_of_logs, rel=1e-12)
    assert fit.shape_unbiased == pytest.approx(4 / sum_of_logs, rel=1e-12)
    assert fit.scale == pytest.approx(20 / 5 ** (1 / fit.shape), rel=1e-12)
    assert fit.mean_count(20) == pytest.approx(5, rel=1e-12)
    assert fit.intensity(20) == pytest.approx(fit.shape * 5 / 20, rel=1e-12)
    ended = stats.fit_power_law([1] * 5, ONE[1], ([1], [0], [19]), truncation="failure")
    sum_of_logs = np.log(19 / np.array(ONE[1])).sum()
    assert ended.shape_unbiased == pytest.approx(3 / sum_of_logs, rel=1e-12)


@FEW
@given(SEEDS, st.sampled_from([0.6, 1.0, 2.5]))
def test_late_entry_and_gaps_against_a_general_maximiser(seed, shape):
    rows = fleet(seed, 8, shape)
    fit = stats.fit_power_law(*rows)
    found = minimize(
        lambda point: -log_likelihood(point, *rows),
        np.log([shape, 50.0]),
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000},
    )
    assert fit.log_likelihood == pytest.approx(-found.fun, rel=1e-9)
    assert_allclose([fit.shape, fit.scale], np.exp(found.x), rtol=1e-5)
    assert not fit.exact
    assert fit.shape_unbiased is None


def test_covariance_is_that_of_the_curvature():
    rows = fleet(4, 20, 1.7)
    fit = stats.fit_power_law(*rows)
    centre = np.array([fit.shape, fit.scale])
    step = centre * 1e-4
    curvature = np.empty((2, 2))

    def value(i, j, a, b):
        point = centre.copy()
        point[i] += a * step[i]
        point[j] += b * step[j]
        return log_likelihood(np.log(point), *rows)

    for i in range(2):
        for j in range(2):
            total = sum(a * b * value(i, j, a, b) for a in (-1, 1) for b in (-1, 1))
            curvature[i, j] = total / (4 * step[i] * step[j])
    assert_allclose(fit.covariance, np.linalg.inv(-curvature), rtol=1e-4)
    # The same by the slopes of the log of the mean count and of the rate.
    for name in ("mean_count", "intensity"):
        age = 37.0
        slope = np.empty(2)
        for i in range(2):
            logs = []
            for sign in (-1, 1):
                shape, scale = centre + sign * step * (np.arange(2) == i)
                count = (age / scale) ** shape
                logs.append(np.log(count if name == "mean_count" else shape / age * count))
            slope[i] = (logs[1] - logs[0]) / (2 * step[i])
        error = np.sqrt(slope @ fit.covariance @ slope)
        lower, upper = getattr(fit, f"{name}_interval")(age, level=0.9)
        assert np.log(upper / lower) == pytest.approx(2 * 1.6448536269514722 * error, rel=1e-5)


@FEW
@given(SEEDS, st.integers(-3, 6))
def test_unit_of_age_scales_through(seed, power):
    unit, time, (watched, start, stop) = fleet(seed, 8, 1.5)
    factor = 10.0**power
    one = stats.fit_power_law(unit, time, (watched, start, stop))
    other = stats.fit_power_law(unit, time * factor, (watched, start * factor, stop * factor))
    assert other.shape == pytest.approx(one.shape, rel=1e-6)
    assert other.scale == pytest.approx(one.scale * factor, rel=1e-6)
    assert_allclose(other.shape_interval(), one.shape_interval(), rtol=1e-6)
    assert other.goodness_of_fit(draws=1).statistic == pytest.approx(
        one.goodness_of_fit(draws=1).statistic, rel=1e-5
    )


@FEW
@given(SEEDS, st.floats(1, 99))
def test_order_and_cuts_change_nothing(seed, age):
    unit, time, (watched, start, stop) = fleet(seed, 8, 1.5)
    inside = np.flatnonzero((start < age - 1e-3) & (age + 1e-3 < stop))
    cut_stop = stop.copy()
    cut_stop[inside] = age
    cut = (
        np.concatenate([watched, watched[inside]])[::-1],
        np.concatenate([start, np.full(inside.size, age)])[::-1],
        np.concatenate([cut_stop, stop[inside]])[::-1],
    )
    one = stats.fit_power_law(unit, time, (watched, start, stop))
    other = stats.fit_power_law(unit[::-1], time[::-1], cut)
    assert_allclose(list(other.parameters.values()), list(one.parameters.values()), rtol=1e-9)
    assert other.goodness_of_fit(draws=9, seed=1).statistic == pytest.approx(
        one.goodness_of_fit(draws=9, seed=1).statistic, rel=1e-7
    )


def test_alike_units_are_one_process_of_a_higher_rate():
    # Crow 1974: K units watched to one age count as one unit with K times the rate.
    unit, time = [1, 2, 3, 1, 2], ONE[1]
    three = stats.fit_power_law(unit, time, ([1, 2, 3], [0, 0, 0], [20, 20, 20]))
    one = stats.fit_power_law(*ONE)
    assert three.exact
    assert three.shape == pytest.approx(one.shape)
    assert three.shape_interval() == pytest.approx(one.shape_interval())
    ours, theirs = three.mtbf(), one.mtbf()
    assert (ours.estimate, ours.lower, ours.upper) == pytest.approx(
        (3 * theirs.estimate, 3 * theirs.lower, 3 * theirs.upper)
    )


def test_goodness_of_fit_says_when_the_law_does_not_fit():
    rng = np.random.default_rng(2)
    fits = stats.fit_power_law([1] * 60, rng.random(60) ** 0.5 * 9, ([1], [0], [9]))
    assert fits.goodness_of_fit(draws=199, seed=4) == fits.goodness_of_fit(draws=199, seed=4)
    assert fits.goodness_of_fit(draws=199).p_value > 0.05
    humps = np.concatenate([rng.uniform(1, 1.2, 30), rng.uniform(8, 8.5, 30)])
    two = stats.fit_power_law([1] * 60, humps, ([1], [0], [9]))
    assert two.goodness_of_fit(draws=199).p_value == 1 / 200


@pytest.mark.parametrize(
    ("rows", "options", "says"),
    [
        (([1], [5], ([1], [0], [9])), {}, "There are 1 recurrences.*at least 2 for time"),
        (([], [], ([1], [0], [9])), {}, "There are 0 recurrences"),
        (([1, 1], [5, 9], ([1], [0], [9])), {"truncation": "failure"}, "at least 3 for failure"),
        (([1, 2], [9, 9], ([1, 2], [0, 0], [9, 9])), {}, "All recurrences are at the last age"),
        (([1, 1], [5.1, 5.2], ([1], [5], [9])), {}, "crowd so early or so late"),
        (([1, 1], [5, 12], ([1], [0], [9])), {}, "outside every window"),
        (([1, 1], [5, 7], ([1], [0], [9])), {"truncation": "failure"}, "does not end at a rec"),
        (([1, 1], [5, 7], ([1], [9], [9])), {}, "start >= stop"),
    ],
)
def test_what_determines_no_power_law_is_refused(rows, options, says):
    with pytest.raises(ValueError, match=says):
        stats.fit_power_law(*rows, **options)


def test_lists_series_and_arrays_are_alike():
    unit, time = ["A", "B", "A"], [3, 8, 11]
    windows = (["A", "B"], [0, 2], [20, 15])
    as_series = tuple(map(pl.Series, windows))
    for ask in (stats.fit_power_law, stats.laplace_trend, stats.military_handbook_trend):
        one = ask(unit, time, windows)
        other = ask(pl.Series(unit), pl.Series(time), as_series)
        third = ask(np.array(unit), np.array(time, dtype=float), tuple(map(np.array, windows)))
        for name in ("shape", "scale") if ask is stats.fit_power_law else ("statistic", "p_value"):
            assert getattr(one, name) == pytest.approx(getattr(other, name), rel=1e-12)
            assert getattr(one, name) == pytest.approx(getattr(third, name), rel=1e-12)


def test_units_without_recurrences_lower_the_rate_and_leave_the_shape():
    # Watched to one age, eight units instead of two have a quarter of the mean count.
    unit, time = [1, 2, 1, 2], [3.0, 8, 11, 17]
    two = stats.fit_power_law(unit, time, ([1, 2], [0, 0], [20, 20]))
    eight = stats.fit_power_law(unit, time, (list(range(1, 9)), [0] * 8, [20] * 8))
    assert eight.shape == pytest.approx(two.shape, rel=1e-12)
    assert eight.mean_count(20) == pytest.approx(two.mean_count(20) / 4, rel=1e-12)
    assert (two.units, eight.units, eight.recurrences) == (2, 8, 4)


def test_ages_that_make_no_sense_are_refused():
    fit = stats.fit_power_law(*ONE)
    assert fit.mean_count(0) == 0
    for ask in (fit.intensity, fit.intensity_interval, fit.mean_count_interval):
        with pytest.raises(ValueError, match="above 0"):
            ask(0)
    with pytest.raises(ValueError, match="0 or more"):
        fit.mean_count([1, -1])
    for ask in (fit.shape_interval, fit.mtbf):
        with pytest.raises(ValueError, match="confidence level"):
            ask(level=1)
    with pytest.raises(ValueError, match="draws is 0"):
        fit.goodness_of_fit(draws=0)


def held(samples, make, truth):
    """Share of samples in which each interval holds the truth, and of fits not rejected."""
    count = dict.fromkeys(truth, 0)
    for seed in range(samples):
        rows, options = make(np.random.default_rng(seed))
        fit = stats.fit_power_law(*rows, **options)
        current = fit.mtbf()
        limits = {
            "shape": fit.shape_interval(),
            "mtbf": (current.lower, current.upper),
            "count": fit.mean_count_interval(50),
        }
        true = {
            "shape": 1.6,
            "mtbf": 1 / (1.6 / fit.end * (fit.end / 30) ** 1.6),
            "count": (50 / 30) ** 1.6,
        }
        for name in truth:
            count[name] += limits[name][0] <= true[name] <= limits[name][1]
    return {name: value / samples for name, value in count.items()}


@pytest.mark.slow
@pytest.mark.parametrize("number", [3, 5, 20])
def test_exact_limits_of_failure_truncation(number):
    def make(rng):
        ages = 30 * np.cumsum(rng.exponential(size=number)) ** (1 / 1.6)
        return ([1] * number, ages, ([1], [0], [ages[-1]])), {"truncation": "failure"}

    # Exact: four standard errors in 2,000 samples are 0.02.
    shares = held(2000, make, ("shape", "mtbf"))
    assert shares["shape"] == pytest.approx(0.95, abs=0.02), shares
    assert shares["mtbf"] == pytest.approx(0.95, abs=0.02), shares


@pytest.mark.slow
def test_exact_limits_of_time_truncation():
    def make(rng):
        number = 0
        while number < 2:
            number = rng.poisson((120 / 30) ** 1.6)
        ages = 120 * rng.random(number) ** (1 / 1.6)
        return ([1] * number, ages, ([1], [0], [120])), {}

    # The limits of the time between failures are cautious, as the number is whole.
    shares = held(2000, make, ("shape", "mtbf"))
    assert shares["shape"] == pytest.approx(0.95, abs=0.02), shares
    assert 0.94 < shares["mtbf"] < 0.985, shares


@pytest.mark.slow
def test_likelihood_and_wald_limits_with_late_entry_and_gaps():
    def make(rng):
        start = np.where(rng.random(12) < 0.5, 0.0, rng.uniform(5, 40, 12))
        stop = start + rng.uniform(20, 60, 12)
        low, high = (start / 30) ** 1.6, (stop / 30) ** 1.6
        number = rng.poisson(high - low)
        unit = np.repeat(np.arange(12), number)
        ages = 30 * (low[unit] + rng.random(unit.size) * (high - low)[unit]) ** (1 / 1.6)
        return (unit, ages, (np.arange(12), start, stop)), {}

    shares = held(2000, make, ("shape", "mtbf", "count"))
    for name, share in shares.items():
        assert share == pytest.approx(0.95, abs=0.02), (name, shares)


@pytest.mark.slow
def test_p_values_of_fit_are_even_with_late_entry_and_gaps():
    # Under the law, a p-value below 0.1 comes in one of ten samples.
    low = [
        stats.fit_power_law(*fleet(seed, 6, 1.4)).goodness_of_fit(draws=99, seed=seed).p_value
        <= 0.1
        for seed in range(1000)
    ]
    assert np.mean(low) == pytest.approx(0.1, abs=0.04)
