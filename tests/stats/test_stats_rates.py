import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import binom, binomtest, false_discovery_control, poisson

from fleetlog import stats
from fleetlog.errors import InvalidLives

CASES = [(0, 10), (1, 10), (3, 10), (10, 10), (81, 263), (0, 1)]


@pytest.mark.parametrize(("k", "n"), CASES)
@pytest.mark.parametrize("method", ["wilson", "exact"])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_proportions_agree_with_scipy(k, n, method, level):
    theirs = binomtest(k, n).proportion_ci(confidence_level=level, method=method)
    ours = stats.proportion_interval(k, n, method=method, level=level)
    assert_allclose(ours, (theirs.low, theirs.high), rtol=1e-9, atol=1e-12)


def test_exact_proportion_limits_cut_off_equal_tails():
    lower, upper = stats.proportion_interval(3, 10, method="exact")
    assert binom.sf(2, 10, lower) == pytest.approx(0.025)
    assert binom.cdf(3, 10, upper) == pytest.approx(0.025)


def test_exact_rate_limits_cut_off_equal_tails():
    lower, upper = stats.rate_interval(7, 2.5)
    assert poisson.sf(6, lower * 2.5) == pytest.approx(0.025)
    assert poisson.cdf(7, upper * 2.5) == pytest.approx(0.025)


@pytest.mark.parametrize("k", [1, 2, 7, 400, 50_000])
def test_mid_p_limits_count_half_of_what_was_seen(k):
    lower, upper = stats.rate_interval(k, 2.0, method="mid-p")
    half = lambda mean: poisson.pmf(k, mean) / 2  # noqa: E731
    assert poisson.sf(k, 2 * lower) + half(2 * lower) == pytest.approx(0.025, rel=1e-6)
    assert poisson.cdf(k - 1, 2 * upper) + half(2 * upper) == pytest.approx(0.025, rel=1e-6)


def test_no_events():
    # exp(-m) = 0.025, and exp(-m) / 2 = 0.025
    assert_allclose(stats.rate_interval(0, 1), (0, -np.log(0.025)))
    assert_allclose(stats.rate_interval(0, 1, method="mid-p"), (0, -np.log(0.05)))


def test_arrays_broadcast():
    lower, upper = stats.proportion_interval([1, 3], 10)
    assert_allclose([lower[1], upper[1]], stats.proportion_interval(3, 10))
    lower, upper = stats.rate_interval([[1], [3]], [10.0, 20.0], method="mid-p")
    assert lower.shape == upper.shape == (2, 2)
    assert_allclose([lower[1, 0], upper[1, 0]], stats.rate_interval(3, 10, method="mid-p"))


@pytest.mark.parametrize(("k", "n"), [(11, 10), (0, 0), (-1, 5), (np.nan, 5), (1, np.inf)])
def test_impossible_proportions_are_refused(k, n):
    with pytest.raises(InvalidLives):
        stats.proportion_interval(k, n)


@pytest.mark.parametrize(("k", "exposure"), [(1, 0), (1, -1), (-1, 5), (1, np.nan), (1, np.inf)])
def test_impossible_rates_are_refused(k, exposure):
    with pytest.raises(InvalidLives):
        stats.rate_interval(k, exposure)


def test_unknown_methods_are_refused():
    with pytest.raises(ValueError, match="'wilson' or 'exact'"):
        stats.proportion_interval(1, 2, method="wald")
    with pytest.raises(ValueError, match="'exact' or 'mid-p'"):
        stats.rate_interval(1, 2, method="wald")
    with pytest.raises(ValueError, match="confidence level"):
        stats.rate_interval(1, 2, level=95)


def test_false_discoveries_agree_with_scipy():
    p = np.random.default_rng(1).random(200) ** 2
    assert_allclose(stats.benjamini_hochberg(p), false_discovery_control(p))
    assert stats.benjamini_hochberg([]).size == 0


@pytest.mark.parametrize("p", [[0.1, np.nan], [1.2], [-0.1], [[0.1]]])
def test_impossible_p_values_are_refused(p):
    with pytest.raises(InvalidLives):
        stats.benjamini_hochberg(p)
