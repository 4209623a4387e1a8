import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize

from fleetlog import stats
from fleetlog.errors import InvalidLives, NoInteriorMaximum


def made_lives(size=300, seed=5):
    """Weibull lives with late entry, censoring and weights, in thousands of miles."""
    rng = np.random.default_rng(seed)
    failure = 120 * rng.weibull(1.9, size)
    seen, entry = rng.uniform(20, 200, size), rng.uniform(-60, 70, size).clip(0)
    end = np.minimum(failure, seen)
    kept = entry < end
    return {
        "exit": end[kept],
        "event": (failure <= seen)[kept],
        "entry": entry[kept],
        "weight": rng.integers(1, 4, size)[kept],
    }


def with_intervals(lives):
    """Every second failure known only to lie between two inspections 15 apart."""
    start = np.floor(lives["exit"] / 15) * 15
    between = lives["event"] & (np.arange(start.size) % 2 == 0) & (start >= lives["entry"])
    return lives | {
        "exit": np.where(between, start + 15, lives["exit"]),
        "lower": np.where(between, start, np.nan),
    }


def direct(lives, log_parameters):
    """Log-likelihood written out life by life, by the definition."""
    shape, scale = np.exp(log_parameters)
    cumulative = lambda age: (age / scale) ** shape  # noqa: E731
    lower = lives.get("lower", np.full(lives["exit"].size, np.nan))
    between = ~np.isnan(lower) & (lower < lives["exit"])
    low = np.where(between, lower, 0.0)
    inside = np.log(
        np.where(between, np.exp(-cumulative(low)) - np.exp(-cumulative(lives["exit"])), 1.0)
    )
    log_hazard = np.log(shape / scale) + (shape - 1) * np.log(lives["exit"] / scale)
    exact = lives["event"] * log_hazard - cumulative(lives["exit"])
    each = np.where(between, inside, exact) + cumulative(lives["entry"])
    return float(each @ lives["weight"])


@pytest.mark.parametrize("change", [lambda lives: lives, with_intervals])
def test_the_fit_is_where_the_likelihood_by_definition_is_largest(change):
    lives = change(made_lives())
    fit = stats.fit_life(**lives)
    best = np.log(list(fit.parameters.values()))
    assert fit.log_likelihood == pytest.approx(direct(lives, best), rel=1e-12)
    found = minimize(
        lambda point: -direct(lives, point),
        best + 0.05,
        method="Nelder-Mead",
        options={"xatol": 1e-10, "fatol": 1e-12},
    )
    assert_allclose(found.x, best, atol=1e-6)


@pytest.mark.parametrize("change", [lambda lives: lives, with_intervals])
def test_the_covariance_is_the_inverse_curvature(change):
    lives = change(made_lives())
    fit = stats.fit_life(**lives)
    best, step = np.log(list(fit.parameters.values())), 1e-4
    curvature = np.empty((2, 2))
    for i in range(2):
        for j in range(2):
            a, b = np.eye(2)[i] * step, np.eye(2)[j] * step
            curvature[i, j] = (
                direct(lives, best + a + b)
                - direct(lives, best + a - b)
                - direct(lives, best - a + b)
                + direct(lives, best - a - b)
            ) / (4 * step**2)
    values = np.array(list(fit.parameters.values()))
    expected = np.linalg.inv(-curvature) * np.outer(values, values)
    assert_allclose(fit.covariance, expected, rtol=1e-4)


def test_the_exponential_is_failures_over_time_lived():
    fit = stats.fit_life(
        [10, 20, 30], [True, False, True], entry=[0, 5, 10], weight=[1, 2, 1], model="exponential"
    )
    assert fit.parameters["mean"] == pytest.approx((10 + 2 * 15 + 20) / 2)
    assert fit.std_err["mean"] == pytest.approx(30 / np.sqrt(2))


def test_likelihood_limits_are_where_the_profile_has_fallen_by_half_chi_squared():
    lives = made_lives(80)
    fit = stats.fit_life(**lives)
    drop = 3.841458820694124 / 2  # 0.95 quantile of chi-squared with 1 degree of freedom

    def profile(at):
        found = minimize(
            lambda point: -direct(lives, at(point[0])), [0.5], method="Nelder-Mead",
            options={"xatol": 1e-9, "fatol": 1e-10},
        )  # fmt: skip
        return -found.fun

    for shape in fit.parameter_interval("shape"):
        value = profile(lambda free, s=shape: np.array([np.log(s), np.log(100) + free]))
        assert value == pytest.approx(fit.log_likelihood - drop, abs=1e-6)
    for age in fit.quantile_interval(0.1):
        value = profile(
            lambda free, t=age: np.array([free, np.log(t) - np.log(-np.log(0.9)) * np.exp(-free)])
        )
        assert value == pytest.approx(fit.log_likelihood - drop, abs=1e-6)


def test_wald_limits_are_symmetric_on_the_log():
    fit = stats.fit_life(**made_lives())
    lower, upper = fit.parameter_interval("shape", method="wald")
    assert np.sqrt(lower * upper) == pytest.approx(fit.parameters["shape"])
    low, high = fit.quantile_interval(0.1, method="wald")
    assert np.sqrt(low * high) == pytest.approx(float(fit.quantile(0.1)))


@pytest.mark.parametrize("method", ["likelihood", "wald"])
def test_a_quantile_and_a_parameter_that_coincide_have_the_same_limits(method):
    # The scale is the age by which 1 - 1/e have failed.
    fit = stats.fit_life(**made_lives())
    assert_allclose(
        fit.quantile_interval(-np.expm1(-1.0), method=method),
        fit.parameter_interval("scale", method=method),
        rtol=1e-8,
    )


def test_higher_levels_have_wider_limits():
    fit = stats.fit_life(**made_lives())
    inner, outer = fit.quantile_interval(0.5, level=0.5), fit.quantile_interval(0.5, level=0.99)
    assert outer[0] < inner[0] < float(fit.quantile(0.5)) < inner[1] < outer[1]


class TestInvariance:
    def test_unit(self):
        lives = made_lives()
        one = stats.fit_life(**lives)
        scaled = lives | {"exit": lives["exit"] * 1609.344, "entry": lives["entry"] * 1609.344}
        two = stats.fit_life(**scaled)
        assert two.parameters["shape"] == pytest.approx(one.parameters["shape"], rel=1e-9)
        assert two.parameters["scale"] == pytest.approx(one.parameters["scale"] * 1609.344)
        assert_allclose(
            two.quantile_interval(0.1), np.array(one.quantile_interval(0.1)) * 1609.344, rtol=1e-7
        )

    def test_weights_are_copies(self):
        lives = made_lives()
        copies = {
            name: np.repeat(column, lives["weight"])
            for name, column in lives.items()
            if name != "weight"
        }
        one, two = stats.fit_life(**lives), stats.fit_life(**copies)
        assert one.log_likelihood == pytest.approx(two.log_likelihood, rel=1e-12)
        assert_allclose(one.covariance, two.covariance, rtol=1e-8)
        assert (one.n, one.events) == (two.n, two.events)
        assert one.aicc == pytest.approx(two.aicc)

    def test_a_life_split_where_it_was_watched(self):
        lives = made_lives()
        cut = (lives["entry"] < 40) & (lives["exit"] > 40)
        split = {
            "exit": np.concatenate([np.full(cut.sum(), 40.0), lives["exit"]]),
            "event": np.concatenate([np.zeros(cut.sum(), dtype=bool), lives["event"]]),
            "entry": np.concatenate([lives["entry"][cut], np.where(cut, 40, lives["entry"])]),
            "weight": np.concatenate([lives["weight"][cut], lives["weight"]]),
        }
        one, two = stats.fit_life(**lives), stats.fit_life(**split)
        assert two.parameters == pytest.approx(one.parameters, rel=1e-9)
        assert two.log_likelihood == pytest.approx(one.log_likelihood, rel=1e-12)

    def test_entry_at_0_is_no_entry(self):
        lives = made_lives()
        del lives["entry"]
        born = stats.fit_life(**lives, entry=np.zeros(lives["exit"].size))
        assert born.parameters == pytest.approx(stats.fit_life(**lives).parameters, rel=1e-12)

    def test_a_narrow_interval_is_an_exact_age(self):
        lives = made_lives()
        near = stats.fit_life(
            **lives, lower=np.where(lives["event"], lives["exit"] * (1 - 1e-6), np.nan)
        )
        assert near.parameters == pytest.approx(stats.fit_life(**lives).parameters, rel=1e-5)
        exact = stats.fit_life(**lives, lower=np.where(lives["event"], lives["exit"], np.nan))
        assert exact.parameters == pytest.approx(stats.fit_life(**lives).parameters, rel=1e-12)

    @pytest.mark.parametrize("model", ["weibull", "exponential"])
    def test_copies_within_clusters_leave_the_covariance_alone(self, model):
        lives = with_intervals(made_lives())
        cluster = np.arange(lives["exit"].size) // 3
        one = stats.fit_life(**lives, cluster=cluster, model=model)
        twice = {name: np.tile(column, 2) for name, column in lives.items()}
        two = stats.fit_life(**twice, cluster=np.tile(cluster, 2), model=model)
        assert_allclose(one.covariance, two.covariance, rtol=1e-8)
        apart = stats.fit_life(
            **twice, cluster=np.concatenate([cluster, cluster + 10**6]), model=model
        )
        assert_allclose(one.covariance, 2 * apart.covariance, rtol=1e-8)


class TestRefusals:
    def test_no_failures(self):
        with pytest.raises(NoInteriorMaximum, match="No life failed"):
            stats.fit_life([1, 2], [False, False])

    def test_one_distinct_age(self):
        with pytest.raises(NoInteriorMaximum, match=r"one distinct age at failure \(5\)"):
            stats.fit_life([5, 5, 4], [True, True, False])
        fit = stats.fit_life([5, 5, 4], [True, True, False], model="exponential")
        assert fit.parameters["mean"] == pytest.approx(7)

    def test_late_entries_that_leave_no_maximum(self):
        # All failed just after coming under watch: the hazard falls faster than any Weibull's.
        with pytest.raises(NoInteriorMaximum, match=r"keeps rising|could not be raised"):
            stats.fit_life(
                [1.01, 10.1, 101, 1010, 9000], [True] * 4 + [False], entry=[1, 10, 100, 1000, 1]
            )

    def test_one_interval_for_all(self):
        with pytest.raises(NoInteriorMaximum):
            stats.fit_life([5, 5], [True, True], lower=[1, 1])

    @pytest.mark.parametrize(
        ("lower", "says"),
        [
            ([3, np.nan, np.nan], "have lower > exit"),
            ([0.5, np.nan, np.nan], "have lower < entry"),
            ([np.nan, np.nan, 2], "have an interval but no failure"),
        ],
    )
    def test_impossible_intervals(self, lower, says):
        with pytest.raises(InvalidLives, match=says):
            stats.fit_life([2, 3, 4], [True, True, False], entry=[1, 0, 0], lower=lower)

    def test_unknown_words(self):
        with pytest.raises(ValueError, match="pass one of weibull, exponential"):
            stats.fit_life([1, 2], [True, True], model="normal")
        fit = stats.fit_life([1, 2], [True, True])
        with pytest.raises(ValueError, match="pass one of shape, scale"):
            fit.parameter_interval("mean")
        with pytest.raises(ValueError, match="pass 'likelihood' or 'wald'"):
            fit.quantile_interval(0.1, method="exact")
        with pytest.raises(ValueError, match="fraction failed"):
            fit.quantile_interval(1.5)

    def test_a_profile_likelihood_of_dependent_lives(self):
        fit = stats.fit_life([1, 2, 3, 4], [True] * 4, cluster=[1, 1, 2, 2])
        with pytest.raises(ValueError, match="takes lives as independent"):
            fit.quantile_interval(0.1, method="likelihood")
        assert fit.quantile_interval(0.1) == fit.quantile_interval(0.1, method="wald")


class TestAnswers:
    def test_a_fit_and_its_life_say_the_same(self):
        fit = stats.fit_life(**made_lives())
        life = stats.Weibull(**fit.parameters)
        ages = np.array([10.0, 50.0, 150.0])
        for question in ("survival", "failed", "hazard", "cumulative_hazard"):
            assert_allclose(getattr(fit, question)(ages), getattr(life, question)(ages))
        assert_allclose(fit.quantile([0.1, 0.5]), life.quantile([0.1, 0.5]))
        assert_allclose(fit.conditional_failure(ages, 20), life.conditional_failure(ages, 20))
        assert fit.mean == pytest.approx(life.mean)

    @pytest.mark.parametrize(
        "life", [stats.Weibull(shape=2.4, scale=120_000), stats.Exponential(mean=80_000)]
    )
    def test_a_life_agrees_with_itself(self, life):
        ages = np.array([0.0, 1e3, 5e4, 2e5])
        assert_allclose(life.survival(ages) + life.failed(ages), 1)
        assert_allclose(life.cumulative_hazard(life.quantile([0.01, 0.9])), -np.log([0.99, 0.1]))
        given_survival = 1 - life.survival(ages + 1e4) / life.survival(ages)
        assert_allclose(life.conditional_failure(ages, 1e4), given_survival, rtol=1e-10)
        slope = (life.cumulative_hazard(ages[1:] + 1) - life.cumulative_hazard(ages[1:] - 1)) / 2
        assert_allclose(life.hazard(ages[1:]), slope, rtol=1e-6)
        by_quadrature = stats.Life.mean_up_to(life, ages)
        assert_allclose(life.mean_up_to(ages), by_quadrature, rtol=1e-9)
        assert_allclose(life.mean_up_to(1e9), life.mean, rtol=1e-12)

    @pytest.mark.parametrize("bad", [0, -1, np.nan, np.inf])
    def test_impossible_parameters_are_refused(self, bad):
        with pytest.raises(ValueError, match="shape is"):
            stats.Weibull(shape=bad, scale=1)
        with pytest.raises(ValueError, match="mean is"):
            stats.Exponential(mean=bad)

    def test_draws_have_the_spread_of_the_fit_and_repeat(self):
        fit = stats.fit_life(**made_lives())
        drawn = fit.draws(20_000, seed=1).parameters
        for name, error in fit.std_err.items():
            logs = np.log(drawn[name])
            assert logs.std() == pytest.approx(error / fit.parameters[name], rel=0.03)
        assert_allclose(drawn["shape"], fit.draws(20_000, seed=1).parameters["shape"])
