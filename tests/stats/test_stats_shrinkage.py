import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.stats import beta, betabinom, binom, gamma, nbinom, poisson
from statsmodels.discrete.discrete_model import NegativeBinomial

from fleetlog import stats
from fleetlog.errors import InvalidLives, NoInteriorMaximum

RNG = np.random.default_rng(11)
EXPECTED = RNG.gamma(2.0, 4.0, 60)
OBSERVED = RNG.poisson(EXPECTED * RNG.gamma(4.0, 0.3, 60))
TRIALS = RNG.integers(1, 60, 80)
SUCCESSES = RNG.binomial(TRIALS, RNG.beta(2.0, 6.0, 80))


def test_the_gamma_is_the_one_that_makes_the_counts_likeliest():
    # Gamma-mixed Poisson counts are negative binomial: SciPy's density, a search without slopes.
    def unlikely(point):
        shape, rate = np.exp(point)
        return -nbinom.logpmf(OBSERVED, shape, rate / (rate + EXPECTED)).sum()

    theirs = minimize(
        unlikely, [0, 0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}
    )
    found = stats.shrink_rates(OBSERVED, EXPECTED)
    assert_allclose(list(found.prior.values()), np.exp(theirs.x), rtol=1e-5)
    assert found.mean == pytest.approx(found.prior["shape"] / found.prior["rate"])
    assert found.between == pytest.approx(np.sqrt(found.prior["shape"]) / found.prior["rate"])
    gained = poisson.logpmf(OBSERVED, EXPECTED * OBSERVED.sum() / EXPECTED.sum()).sum() + theirs.fun
    assert found.p_value == pytest.approx(0.5 * (1 - _chi_squared_1(-2 * gained)), abs=1e-9)


def _chi_squared_1(value):
    return gamma.cdf(value / 2, 0.5)


def test_the_gamma_is_that_of_negative_binomial_regression():
    # statsmodels 0.15, variance mean + alpha mean^2, constant only.
    model = NegativeBinomial(OBSERVED, np.ones_like(EXPECTED), exposure=EXPECTED)
    constant, alpha = model.fit(disp=0, maxiter=500, gtol=1e-5).params
    found = stats.shrink_rates(OBSERVED, EXPECTED)
    assert found.mean == pytest.approx(np.exp(constant), rel=1e-4)
    assert (found.between / found.mean) ** 2 == pytest.approx(alpha, rel=1e-3)


def test_the_beta_is_the_one_that_makes_the_counts_likeliest():
    def unlikely(point):
        return -betabinom.logpmf(SUCCESSES, TRIALS, *np.exp(point)).sum()

    theirs = minimize(
        unlikely, [0, 0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}
    )
    found = stats.shrink_proportions(SUCCESSES, TRIALS)
    assert_allclose(list(found.prior.values()), np.exp(theirs.x), rtol=1e-5)
    a, b = found.prior.values()
    assert found.mean == pytest.approx(a / (a + b))
    assert found.between == pytest.approx(beta.std(a, b))


@pytest.mark.parametrize("cell", [0, 7, 33])
def test_what_is_said_of_a_cell_by_direct_integration(cell):
    rates = stats.shrink_rates(OBSERVED, EXPECTED, level=0.9)
    prior = gamma(rates.prior["shape"], scale=1 / rates.prior["rate"])
    _agrees(
        rates, cell, lambda x: prior.pdf(x) * poisson.pmf(OBSERVED[cell], x * EXPECTED[cell]), 12.0
    )
    proportions = stats.shrink_proportions(SUCCESSES, TRIALS, level=0.9)
    curve = beta(*proportions.prior.values())
    _agrees(
        proportions, cell, lambda x: curve.pdf(x) * binom.pmf(SUCCESSES[cell], TRIALS[cell], x), 1.0
    )


def _agrees(found, cell, density, top):
    row = found.table.row(cell, named=True)

    def area(low, high, f=density):
        return sum(
            quad(f, a, b, epsabs=0, epsrel=1e-10, limit=200)[0]
            for a, b in ((low, (low + high) / 2), ((low + high) / 2, high))
        )

    whole = area(0, found.mean) + area(found.mean, top)
    mean = area(0, found.mean, lambda x: x * density(x)) + area(
        found.mean, top, lambda x: x * density(x)
    )
    assert row["estimate"] == pytest.approx(mean / whole, rel=1e-7)
    assert area(0, row["lower"]) / whole == pytest.approx(0.05, rel=1e-6)
    assert area(row["upper"], top) / whole == pytest.approx(0.05, rel=1e-6)
    assert row["chance_above"] == pytest.approx(area(found.mean, top) / whole, rel=1e-6)


@settings(max_examples=40)
@given(
    arrays(int, st.shared(st.integers(2, 30), key="n"), elements=st.integers(0, 40)),
    arrays(float, st.shared(st.integers(2, 30), key="n"), elements=st.floats(0.5, 30)),
)
def test_every_rate_lies_between_its_own_and_the_common_one(observed, expected):
    assume(observed.any())
    found = stats.shrink_rates(observed, expected)
    _lies_between(found)
    # The unit of exposure changes the unit of the rates and nothing else.
    minutes = stats.shrink_rates(observed, 60 * expected)
    assert_allclose(60 * minutes.table["estimate"], found.table["estimate"], rtol=1e-4)
    assert (minutes.reason is None) == (found.reason is None)


@settings(max_examples=40)
@given(
    arrays(int, st.shared(st.integers(2, 30), key="n"), elements=st.integers(0, 20)),
    arrays(int, st.shared(st.integers(2, 30), key="n"), elements=st.integers(1, 20)),
)
def test_every_proportion_lies_between_its_own_and_the_common_one(successes, failures):
    assume(successes.any())
    found = stats.shrink_proportions(successes, successes + failures)
    _lies_between(found)
    # Counting failures instead turns everything round.
    other = stats.shrink_proportions(failures, successes + failures)
    assert_allclose(1 - other.table["estimate"], found.table["estimate"], rtol=1e-4, atol=1e-6)


def _lies_between(found):
    raw, estimate, lower, upper = (
        found.table[name].to_numpy() for name in ("raw", "estimate", "lower", "upper")
    )
    assert np.all(estimate >= np.minimum(raw, found.mean) - 1e-9)
    assert np.all(estimate <= np.maximum(raw, found.mean) + 1e-9)
    assert np.all(lower <= upper)


def test_larger_cells_keep_more_of_their_own():
    found = stats.shrink_rates([2, 20, 200, 5, 0, 90], [1.0, 10.0, 100.0, 9.0, 2.0, 60.0])
    own = found.table["own_share"].to_numpy()
    assert np.all(np.diff(own[:3]) > 0)
    assert np.all((own > 0) & (own < 1))


def test_alike_cells_are_all_given_the_common_value_and_said_to_be():
    found = stats.shrink_rates([10, 11, 9, 10], [10.0] * 4)
    assert "no more than by chance" in found.reason
    assert found.between == 0
    assert found.p_value == 1
    assert found.table["estimate"].to_list() == [1.0] * 4
    assert_allclose(found.table.select("lower", "upper").row(2), stats.rate_interval(40, 40))
    assert found.table["chance_above"].null_count() == 4
    proportions = stats.shrink_proportions([5, 6, 4], [10, 10, 10])
    assert "no more than by chance" in proportions.reason
    assert proportions.table["estimate"].to_list() == [0.5] * 3
    # One trial per cell cannot tell cells apart.
    for size in range(2, 60):
        single = stats.shrink_proportions([1] + [0] * (size - 1), [1] * size)
        assert "no more than by chance" in single.reason


def test_order_is_kept_and_does_not_matter():
    order = np.random.default_rng(3).permutation(60)
    found = stats.shrink_rates(OBSERVED, EXPECTED).table
    turned = stats.shrink_rates(OBSERVED[order], EXPECTED[order]).table
    assert turned["observed"].to_list() == OBSERVED[order].tolist()
    assert_allclose(turned["estimate"], found["estimate"].to_numpy()[order], rtol=1e-9)


@pytest.mark.parametrize("shrink", [stats.shrink_rates, stats.shrink_proportions])
@pytest.mark.parametrize("observed", [[1, 9, 3], [5, 5, 5]])
def test_impossible_levels_are_refused(shrink, observed):
    with pytest.raises(ValueError, match="confidence level"):
        shrink(observed, [10, 10, 10], level=95)


def test_lists_and_frames_are_taken():
    table = stats.shrink_rates(OBSERVED, EXPECTED).table
    again = stats.shrink_rates(table["observed"], table["size"])
    assert again.table.equals(table)
    assert stats.shrink_rates(OBSERVED.tolist(), EXPECTED.tolist()).table.equals(table)


@pytest.mark.parametrize(
    ("observed", "expected", "error", "says"),
    [
        ([1, 2], [1.0, 0.0], InvalidLives, "1 of 2 rows have no finite expected above 0"),
        ([1, 2], [1.0, np.nan], InvalidLives, "no finite expected above 0"),
        ([1, 2.5], [1.0, 2.0], InvalidLives, "fraction as observed"),
        ([1, 2], [1.0], InvalidLives, "one of each per cell"),
        ([1], [1.0], InvalidLives, "at least two"),
        ([1, 30_000_000], [1.0, 3.0], InvalidLives, "leave it out"),
        ([0, 0], [1.0, 3.0], NoInteriorMaximum, "No cell has an event"),
    ],
)
def test_cells_that_cannot_be_shrunk_are_refused(observed, expected, error, says):
    with pytest.raises(error, match=says):
        stats.shrink_rates(observed, expected)


@pytest.mark.parametrize(
    ("k", "n", "error", "says"),
    [
        ([3, 1], [2, 4], InvalidLives, "more successes than trials"),
        ([1, 1], [0, 4], InvalidLives, "no finite n above 0"),
        ([0, 0], [5, 4], NoInteriorMaximum, "ended alike"),
        ([5, 4], [5, 4], NoInteriorMaximum, "ended alike"),
        ([5, 0], [5, 4], NoInteriorMaximum, "all or nothing"),
    ],
)
def test_proportions_that_cannot_be_shrunk_are_refused(k, n, error, says):
    with pytest.raises(error, match=says):
        stats.shrink_proportions(k, n)


@pytest.mark.slow
def test_shrunk_limits_hold_the_true_ratios_of_many_cells():
    rng = np.random.default_rng(12)
    held, closer = [], []
    for _ in range(40):
        expected = rng.gamma(2, 3, 500)
        truth = rng.gamma(5.0, 0.2, 500)
        table = stats.shrink_rates(rng.poisson(truth * expected), expected, level=0.9).table
        lower, upper = table["lower"].to_numpy(), table["upper"].to_numpy()
        held.append(np.mean((lower <= truth) & (truth <= upper)))
        errors = [np.mean((table[name].to_numpy() - truth) ** 2) for name in ("estimate", "raw")]
        closer.append(errors[0] / errors[1])
    # 20,000 cells: three standard errors are 0.006, and the gamma is estimated.
    assert np.mean(held) == pytest.approx(0.9, abs=0.01)
    assert np.max(closer) < 0.7
