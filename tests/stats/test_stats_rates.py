import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
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


def test_standardised_ratios_by_hand():
    # 3 seen, 1 expected: exp(-1) (1 + 1 + 1/2) is the chance of fewer, and 1/6 exp(-1) of three.
    e = np.exp(-1)
    exact = stats.standardised_ratio(3, 1.0, method="exact")
    assert exact.ratio == 3
    assert exact.p_excess == pytest.approx(1 - 2.5 * e)
    assert exact.p_value == pytest.approx(2 * (1 - 2.5 * e))
    middle = stats.standardised_ratio(3, 1.0)
    assert middle.p_excess == pytest.approx(1 - 2.5 * e - e / 12)
    assert_allclose([middle.lower, middle.upper], stats.rate_interval(3, 1, method="mid-p"))
    none = stats.standardised_ratio(0, 2.0, method="exact")
    assert (none.ratio, none.lower, none.p_excess) == (0, 0, 1)
    assert none.p_value == pytest.approx(2 * np.exp(-2))


@pytest.mark.parametrize("method", ["exact", "mid-p"])
@settings(max_examples=50)
@given(
    observed=st.integers(0, 500),
    expected=st.floats(0.01, 500),
    level=st.sampled_from([0.5, 0.9, 0.95, 0.999]),
)
def test_limits_leave_out_1_just_where_the_p_value_is_small(method, observed, expected, level):
    found = stats.standardised_ratio(observed, expected, method=method, level=level)
    assume(abs(found.p_value - (1 - level)) > 1e-9)
    assert (found.lower > 1 or found.upper < 1) == (found.p_value < 1 - level)
    assert found.lower <= found.upper


@pytest.mark.parametrize("method", ["exact", "mid-p"])
def test_more_events_raise_ratio_and_limits_and_lower_the_chance(method):
    found = stats.standardised_ratio(np.arange(40), 7.5, method=method)
    for name in ("ratio", "lower", "upper"):
        assert np.all(np.diff(getattr(found, name))[1:] > 0), name
    assert np.all(np.diff(found.p_excess) < 0)


def test_mid_p_limits_lie_inside_the_exact_ones():
    k = np.arange(60)
    exact = stats.standardised_ratio(k, 10.0, method="exact")
    middle = stats.standardised_ratio(k, 10.0)
    assert np.all(middle.lower >= exact.lower)
    assert np.all(middle.upper < exact.upper)


def test_cells_are_found_alone_as_together_and_in_any_order():
    rng = np.random.default_rng(4)
    expected = rng.gamma(2, 3, 500)
    observed = rng.poisson(expected)
    together = stats.standardised_ratio(observed, expected).table
    order = rng.permutation(500)
    assert stats.standardised_ratio(observed[order], expected[order]).table.equals(together[order])
    alone = stats.standardised_ratio(observed[7], expected[7])
    assert together.row(7) == (
        alone.observed, alone.expected, alone.ratio, alone.lower, alone.upper, alone.p_value,
        alone.p_excess,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("observed", "expected", "says"),
    [
        ([1, 2], [1.0, 0.0], r"1 of 2 rows have no finite expected above 0 \(rows 1"),
        ([1, 2], [np.nan, -1.0], "2 of 2 rows"),
        ([1.5], [1.0], "fraction as observed"),
        ([-1], [1.0], "counts of 0 or more"),
    ],
)
def test_cells_that_cannot_be_compared_are_refused(observed, expected, says):
    with pytest.raises(InvalidLives, match=says):
        stats.standardised_ratio(observed, expected)


def test_unknown_methods_of_ratios_are_refused():
    for ask in (
        lambda: stats.standardised_ratio(1, 1, method="wald"),
        lambda: stats.rate_ratio(1, 1, 1, 1, method="wald"),
    ):
        with pytest.raises(ValueError, match="'exact' or 'mid-p'"):
            ask()


@pytest.mark.parametrize("method", ["exact", "mid-p"])
@settings(max_examples=50)
@given(
    k=st.integers(0, 60),
    other_k=st.integers(0, 60),
    exposure=st.floats(0.1, 50),
    other_exposure=st.floats(0.1, 50),
)
def test_turning_a_rate_ratio_round_turns_its_limits_round(
    method, k, other_k, exposure, other_exposure
):
    one = stats.rate_ratio(k, exposure, other_k, other_exposure, method=method)
    two = stats.rate_ratio(other_k, other_exposure, k, exposure, method=method)
    assert one.p_value == pytest.approx(two.p_value, rel=1e-6)
    with np.errstate(divide="ignore"):
        assert_allclose([one.lower, one.upper], [1 / two.upper, 1 / two.lower], rtol=1e-6)
    # Hours or minutes, the ratio is the same.
    minutes = stats.rate_ratio(k, 60 * exposure, other_k, 60 * other_exposure, method=method)
    assert_allclose([minutes.lower, minutes.upper], [one.lower, one.upper], rtol=1e-9)
    if k + other_k:
        assert one.lower <= one.ratio <= one.upper
    assume(abs(one.p_value - 0.05) > 1e-9)
    assert (one.lower > 1 or one.upper < 1) == (one.p_value < 0.05)


def test_two_rates_without_events_tell_nothing():
    nothing = stats.rate_ratio(0, 10, 0, 5)
    assert np.isnan(nothing.ratio)
    assert (nothing.lower, nothing.upper, nothing.p_value) == (0, np.inf, 1)
    assert stats.rate_ratio(4, 10, 0, 5).ratio == np.inf


def test_exact_rate_ratio_limits_cut_off_equal_tails():
    found = stats.rate_ratio(9, 20.0, 4, 30.0)
    for ratio, tail in ((found.lower, binom.sf(8, 13, p(found.lower))), (found.upper, binom.cdf(9, 13, p(found.upper)))):  # fmt: skip
        assert tail == pytest.approx(0.025), ratio


def p(ratio):
    return ratio * 20 / (ratio * 20 + 30)


def test_chance_alone_shows_no_overdispersion():
    rng = np.random.default_rng(9)
    expected = rng.gamma(3, 5, 3000)
    found = stats.overdispersion(rng.poisson(0.7 * expected), expected, winsorised=0)
    assert found.factor == pytest.approx(1, abs=0.08)  # three standard errors, sqrt(2 / 3000)
    assert found.centre == pytest.approx(0.7, rel=0.02)
    assert found.p_value > 0.001
    assert found.between < 0.1


def test_what_lies_between_cells_is_found():
    rng = np.random.default_rng(10)
    trials = rng.integers(100, 1000, 3000)
    share = rng.normal(0.3, 0.05, 3000)
    found = stats.overdispersion(
        rng.binomial(trials, share), trials, kind="proportion", winsorised=0
    )
    assert found.between == pytest.approx(0.05, rel=0.1)
    assert found.p_value < 1e-6
    # A known centre gives the same, but for the one degree of freedom.
    known = stats.overdispersion(
        rng.binomial(trials, share), trials, kind="proportion", centre=0.3, winsorised=0
    )
    assert known.between == pytest.approx(0.05, rel=0.1)
    assert (found.df, known.df) == (2999, 3000)


def test_winsorising_keeps_one_wild_cell_from_hiding_itself():
    observed = [10, 9, 11, 10, 12, 8, 10, 9, 11, 10, 10, 80]
    plain = stats.overdispersion(observed, [10.0] * 12, centre=1.0, winsorised=0)
    pulled = stats.overdispersion(observed, [10.0] * 12, centre=1.0)
    assert pulled.factor < 1 < plain.factor
    assert pulled.statistic == plain.statistic


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (([3], [1.0]), "at least two"),
        (([0, 0], [1.0, 2.0]), "no events"),
        (([1, 2], [1.0, 0.0]), "no finite size above 0"),
        (([1, 2], [1.0]), "one of each per cell"),
    ],
)
def test_cells_that_show_no_variation_are_refused(arguments, says):
    with pytest.raises(InvalidLives, match=says):
        stats.overdispersion(*arguments)


def test_more_successes_than_trials_are_refused():
    with pytest.raises(InvalidLives, match="more successes"):
        stats.overdispersion([3, 1], [2, 4], kind="proportion")
    with pytest.raises(ValueError, match="share from 0"):
        stats.overdispersion([3, 1], [2, 4], winsorised=0.5)
    with pytest.raises(ValueError, match="'proportion' or 'rate'"):
        stats.overdispersion([3, 1], [2, 4], kind="odds")


@pytest.mark.slow
def test_mid_p_limits_of_a_rate_hold_the_truth_at_the_level_on_average():
    # The whole distribution is summed, so there is no chance in this check.
    k, means = np.arange(200), np.linspace(2, 60, 581)
    chance = poisson.pmf(k[:, None], means)
    held = {}
    for method in ("mid-p", "exact"):
        lower, upper = stats.rate_interval(k, 1.0, method=method)
        inside = (lower[:, None] <= means) & (means <= upper[:, None])
        held[method] = (chance * inside).sum(axis=0)
    assert held["mid-p"].mean() == pytest.approx(0.95, abs=0.01)
    assert held["exact"].min() >= 0.95
    assert held["exact"].mean() > held["mid-p"].mean()


@pytest.mark.slow
def test_wilson_limits_hold_the_truth_at_the_level_on_average():
    k = np.arange(41)
    lower, upper = stats.proportion_interval(k, 40)
    low, high = stats.proportion_interval(k, 40, method="exact")
    shares = np.linspace(0.02, 0.98, 193)
    chance = binom.pmf(k[:, None], 40, shares)
    wilson = (chance * ((lower[:, None] <= shares) & (shares <= upper[:, None]))).sum(axis=0)
    exact = (chance * ((low[:, None] <= shares) & (shares <= high[:, None]))).sum(axis=0)
    assert wilson.mean() == pytest.approx(0.95, abs=0.01)
    assert exact.min() >= 0.95
