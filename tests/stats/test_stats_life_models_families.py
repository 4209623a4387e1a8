"""What holds for every life model: derivatives, definition, limits, invariances."""

import itertools

import numpy as np
import polars as pl
import pytest
import scipy.stats as outside
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.special import digamma, polygamma

from fleetlog import stats
from fleetlog.errors import InvalidLives, NoInteriorMaximum
from fleetlog.stats import _families
from fleetlog.stats._families import FAMILIES
from fleetlog.stats._gamma_tail import log_upper, upper_derivatives

MODELS = list(FAMILIES)
PLAIN = ["weibull", "lognormal", "loglogistic", "gamma"]
POINTS = {
    "weibull": [0.6, 4.5], "exponential": [4.5], "lognormal": [4.2, -0.4],
    "loglogistic": [0.9, 4.4], "gamma": [0.8, 3.6],
    "weibull-threshold": [0.5, 4.5, 2.0], "weibull-mixture": [-1.0, -0.2, 3.0, 0.9, 4.8],
    "weibull-susceptible": [-0.5, 0.5, 4.5],
}  # fmt: skip


def made_lives(size=120, seed=5):
    """Lives of rising hazard with late entry, censoring and weights; every third one inspected."""
    rng = np.random.default_rng(seed)
    failure = 120 * rng.weibull(1.9, size)
    seen, entry = rng.uniform(20, 200, size), rng.uniform(-60, 70, size).clip(0)
    end = np.minimum(failure, seen)
    kept = entry < end
    exit, event, entry = end[kept], (failure <= seen)[kept], entry[kept]  # noqa: A001
    start = np.floor(exit / 15) * 15
    between = event & (np.arange(exit.size) % 3 == 0) & (start >= entry)
    return {
        "exit": np.where(between, start + 15, exit),
        "event": event,
        "entry": entry,
        "weight": rng.integers(1, 4, exit.size),
        "lower": np.where(between, start, np.nan),
    }


def by_definition(life, lives):
    """Log-likelihood written out life by life from the answers of the distribution."""
    lower = lives["lower"]
    between = ~np.isnan(lower)
    inside = life.survival(np.where(between, lower, 0)) - life.survival(lives["exit"])
    with np.errstate(divide="ignore"):
        inside = np.log(np.where(between, inside, 1.0))
        exact = np.where(lives["event"], np.log(life.hazard(lives["exit"])), 0.0)
    exact = exact - life.cumulative_hazard(lives["exit"])
    each = np.where(between, inside, exact) + life.cumulative_hazard(lives["entry"])
    return float(each @ lives["weight"])


def numeric(function, point, step):
    """Central differences of a function of a point, one row per place."""
    rows = np.eye(len(point)) * step
    return np.stack([(function(point + row) - function(point - row)) / (2 * step) for row in rows])


@pytest.mark.parametrize("model", MODELS)
def test_derivatives_are_those_of_central_differences(model):
    family, point = FAMILIES[model], np.array(POINTS[model])
    log_age = np.log([10.0, 20.0, 60.0, 110.0, 240.0, 500.0])
    for terms in (family.hazards, family.log_hazards):
        value, gradient, hessian = terms(log_age, point)
        assert gradient.shape == (point.size, value.size)
        slope = numeric(lambda at, f=terms: f(log_age, at)[0], point, 1e-5)
        assert_allclose(gradient, slope, rtol=1e-7, atol=1e-9)
        bend = numeric(lambda at, f=terms: f(log_age, at)[1], point, 1e-5)
        assert_allclose(hessian, bend, rtol=1e-7, atol=1e-8)
    hazard = -np.log(0.7)
    _, gradient, hessian = family.log_quantile_derivatives(hazard, point)
    by = family.log_quantile_derivatives
    slope = numeric(lambda at: np.asarray(by(hazard, at)[0]), point, 1e-5)
    assert_allclose(gradient, slope, rtol=1e-7, atol=1e-9)
    assert_allclose(
        hessian, numeric(lambda at: by(hazard, at)[1], point, 1e-5), rtol=1e-6, atol=1e-9
    )


@pytest.mark.parametrize("model", MODELS)
def test_likelihood_and_hazards_are_those_of_the_distribution(model):
    family, point = FAMILIES[model], np.array(POINTS[model])
    life = family.life_at(point)
    ages = np.array([10.0, 60.0, 240.0])
    assert_allclose(
        family.hazards(np.log(ages), point)[0], life.cumulative_hazard(ages), rtol=1e-12
    )
    log_hazard = np.log(life.hazard(ages))
    assert_allclose(family.log_hazards(np.log(ages), point)[0], log_hazard, rtol=1e-12)


@pytest.mark.parametrize("shape", [0.05, 0.5, 1.0, 1.3, 4.0, 60.0, 2000.0])
def test_gamma_derivatives_by_shape_are_the_integrals_that_define_them(shape):
    # Adaptive quadrature of the density of log T, split about its peak.
    for share in (0.01, 0.4, 0.99, 1.01, 1.5, 6.0):
        x = share * max(shape, 1.0)
        top, peak = np.log(max(x, shape) * (1 + 60 / np.sqrt(shape)) + 60), np.log(shape)
        edges = np.unique(np.clip(np.r_[np.log(x), peak + np.linspace(-9, 9, 61) / np.sqrt(shape), top],
                                  np.log(x), top))  # fmt: skip
        level = shape * max(peak, np.log(x)) - max(shape, x)

        def moment(power, about, edges=edges, level=level):
            def f(u):
                return (u - about) ** power * np.exp(shape * u - np.exp(u) - level)

            return sum(
                quad(f, a, b, epsabs=0, epsrel=1e-11)[0]
                for a, b in itertools.pairwise(edges) if b > a
            )  # fmt: skip

        whole = moment(0, 0.0)
        mean = np.log(x) + moment(1, np.log(x)) / whole
        variance = moment(2, mean) / whole
        first, second = upper_derivatives(shape, np.array([x]))
        assert_allclose(first, mean - digamma(shape), rtol=1e-9, atol=1e-11)
        assert_allclose(second, variance - polygamma(1, shape), rtol=1e-8, atol=1e-11)


def test_the_gamma_tail_goes_on_where_it_underflows():
    # One whole shape has a closed form: exp(-x) (1 + x + x**2 / 2).
    x = np.array([1e-3, 1.0, 20.0, 650.0, 700.0, 5000.0])
    assert_allclose(log_upper(3.0, x), np.log1p(x + x**2 / 2) - x, rtol=1e-12, atol=1e-15)


@pytest.mark.parametrize("model", PLAIN)
def test_the_fit_is_where_the_likelihood_by_definition_is_largest(model):
    lives = made_lives()
    fit = stats.fit_life(**lives, model=model)
    assert fit.log_likelihood == pytest.approx(by_definition(fit.life, lives), rel=1e-11)
    values = np.array(list(fit.parameters.values()))

    def below(values):
        return -by_definition(type(fit.life)(*values), lives)

    slope = numeric(lambda v: np.asarray(below(v)), values, 1e-5 * values)
    assert_allclose(slope * np.array(list(fit.std_err.values())), 0, atol=1e-4)
    curvature = numeric(
        lambda v: numeric(lambda w: np.asarray(below(w)), v, 1e-3 * values.min()),
        values,
        1e-3 * values.min(),
    )
    assert_allclose(fit.covariance, np.linalg.inv(curvature), rtol=2e-3)


@pytest.mark.parametrize("model", PLAIN)
def test_limits_are_where_the_profile_has_fallen_by_half_chi_squared(model):
    lives = made_lives(60)
    fit = stats.fit_life(**lives, model=model)
    drop = 3.841458820694124 / 2  # 0.95 quantile of chi-squared with 1 degree of freedom
    kind, (one, other) = type(fit.life), fit.parameters

    def best(make):
        found = minimize(lambda x: -by_definition(make(x[0]), lives), [1.0], method="Nelder-Mead",
                         options={"xatol": 1e-9, "fatol": 1e-10})  # fmt: skip
        return -found.fun

    for name, rest in ((one, other), (other, one)):
        for limit in fit.parameter_interval(name):
            level = best(
                lambda x, n=name, r=rest, v=limit: kind(**{n: v, r: fit.parameters[r] * abs(x)})
            )
            assert level == pytest.approx(fit.log_likelihood - drop, abs=1e-6)
    for age in fit.quantile_interval(0.1):
        # A change of scale moves every quantile alike.
        def through(x, age=age):
            spread = abs(x) * fit.parameters["sigma" if model == "lognormal" else "shape"]
            if model == "lognormal":
                return kind(np.log(age) - spread * outside.norm.ppf(0.1), spread)
            return kind(spread, age / float(kind(spread, 1.0).quantile(0.1)))

        assert best(through) == pytest.approx(fit.log_likelihood - drop, abs=1e-6)


LIVES = {
    "weibull": (stats.Weibull(1.7, 90.0), outside.weibull_min(1.7, scale=90)),
    "lognormal": (stats.Lognormal(-0.3, 0.6), outside.lognorm(0.6, scale=np.exp(-0.3))),
    "loglogistic": (stats.Loglogistic(2.3, 90.0), outside.fisk(2.3, scale=90)),
    "gamma": (stats.Gamma(0.7, 90.0), outside.gamma(0.7, scale=90)),
    "exponential": (stats.Exponential(90.0), outside.expon(scale=90)),
}


@pytest.mark.parametrize("name", LIVES)
def test_distributions_are_those_of_scipy(name):
    life, peer = LIVES[name]
    ages = peer.ppf([1e-6, 0.1, 0.5, 0.9, 0.999])
    assert_allclose(life.survival(ages), peer.sf(ages), rtol=1e-10)
    assert_allclose(life.failed(ages), peer.cdf(ages), rtol=1e-10)
    assert_allclose(life.hazard(ages), peer.pdf(ages) / peer.sf(ages), rtol=1e-9)
    assert_allclose(
        life.quantile([0.0, 1e-6, 0.1, 0.5, 0.9]), peer.ppf([0.0, 1e-6, 0.1, 0.5, 0.9]), rtol=1e-10
    )
    assert life.mean == pytest.approx(peer.mean(), rel=1e-12)
    by_quadrature = stats.Life.mean_up_to(life, ages[1:4])
    assert_allclose(life.mean_up_to(ages[1:4]), by_quadrature, rtol=1e-9)
    assert life.mean_up_to(0.0) == 0
    assert life.mean_up_to(peer.ppf(0.5) * 1e9) == pytest.approx(life.mean, rel=1e-9)


COMPOSED = {
    "threshold": (
        stats.ThresholdWeibull(1.6, 70.0, 30.0),
        lambda t: np.exp(-((np.maximum(t - 30.0, 0) / 70.0) ** 1.6)),
    ),
    "no threshold": (stats.ThresholdWeibull(1.6, 70.0, 0.0), outside.weibull_min(1.6, scale=70).sf),
    "susceptible": (
        stats.SusceptibleWeibull(0.4, 1.6, 70.0),
        lambda t: 0.6 + 0.4 * outside.weibull_min.sf(t, 1.6, scale=70),
    ),
    "all susceptible": (
        stats.SusceptibleWeibull(1.0, 1.6, 70.0),
        outside.weibull_min(1.6, scale=70).sf,
    ),
    "mixture": (
        stats.WeibullMixture(0.3, 0.7, 8.0, 3.5, 120.0),
        lambda t: (
            0.3 * outside.weibull_min.sf(t, 0.7, scale=8)
            + 0.7 * outside.weibull_min.sf(t, 3.5, scale=120)
        ),
    ),
}


@pytest.mark.parametrize("name", COMPOSED)
def test_composed_distributions_are_made_of_scipys(name):
    life, survival = COMPOSED[name]
    ages = np.array([0.0, 5.0, 29.0, 31.0, 90.0, 160.0])
    assert_allclose(life.survival(ages), survival(ages), rtol=1e-12)
    assert_allclose(life.failed(ages), 1 - survival(ages), rtol=1e-10, atol=1e-15)
    inner, step = ages[1:], 1e-4
    density = (survival(inner - step) - survival(inner + step)) / (2 * step)
    assert_allclose(life.hazard(inner), density / survival(inner), rtol=1e-6, atol=1e-12)
    shares = np.array([0.01, 0.2, 0.39])
    assert_allclose(life.failed(life.quantile(shares)), shares, rtol=1e-12)
    assert_allclose(
        life.mean_up_to(ages),
        [quad(survival, 0, t, epsabs=1e-11, points=[30] if t > 30 else None)[0] for t in ages],
        rtol=1e-8,
    )
    if name == "susceptible":
        assert life.mean == np.inf
        assert life.quantile(0.41) == np.inf
        assert life.hazard(np.inf) == 0
        assert life.survival(1e9) == pytest.approx(0.6)
    else:
        assert life.mean == pytest.approx(
            quad(survival, 0, 30)[0] + quad(survival, 30, 2e3, limit=200)[0], rel=1e-8
        )


def test_composed_distributions_take_several_parameters_at_once():
    several = stats.WeibullMixture(
        np.array([0.3, 0.6]),
        np.array([0.7, 1.1]),
        np.array([8.0, 9.0]),
        3.5,
        np.array([120.0, 90.0]),
    )
    one = stats.WeibullMixture(0.6, 1.1, 9.0, 3.5, 90.0)
    for question in ("survival", "hazard", "mean_up_to"):
        answer = getattr(several, question)(np.array([[10.0], [100.0]]))
        assert_allclose(answer[:, 1], getattr(one, question)([10.0, 100.0]), rtol=1e-12)
    assert several.quantile(0.2)[1] == pytest.approx(one.quantile(0.2))


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (
            lambda: stats.ThresholdWeibull(1, 2, -1),
            "threshold is -1: pass a finite number, 0 or above",
        ),
        (lambda: stats.SusceptibleWeibull(1.2, 1, 2), "share is 1.2: pass a share above 0"),
        (lambda: stats.WeibullMixture(0, 1, 2, 3, 4), "share is 0"),
        (lambda: stats.WeibullMixture(0.5, 1, 2, 3, np.inf), "late_scale is inf"),
    ],
)
def test_impossible_parameters_of_composed_distributions(make, says):
    with pytest.raises(ValueError, match=says):
        make()


def composed_lives(model, size=150, seed=3, censored_to=320.0):
    """Lives of the model's own kind, with censoring, weights and, every fourth, late entry."""
    rng = np.random.default_rng(seed)
    early = rng.random(size) < 0.35
    life = {
        "weibull-threshold": 30 + 90 * rng.weibull(1.7, size),
        "weibull-susceptible": np.where(early, 90 * rng.weibull(1.7, size), 1e9),
        "weibull-mixture": np.where(early, 12 * rng.weibull(0.9, size), 150 * rng.weibull(4, size)),
    }[model]
    seen = rng.uniform(20, censored_to, size)
    end = np.ceil(np.minimum(life, seen))
    entry = np.where(np.arange(size) % 4 == 0, rng.integers(0, 25, size), 0)
    kept = entry < end
    return {
        "exit": end[kept], "event": (life <= seen)[kept], "entry": entry[kept],
        "weight": rng.integers(1, 3, size)[kept], "lower": np.full(kept.sum(), np.nan),
    }  # fmt: skip


COMPOSED_MODELS = ["weibull-threshold", "weibull-susceptible", "weibull-mixture"]


@pytest.mark.parametrize("model", COMPOSED_MODELS)
def test_composed_fits_are_where_the_likelihood_by_definition_is_largest(model):
    lives = composed_lives(model)
    fit = stats.fit_life(**lives, model=model)
    assert fit.log_likelihood == pytest.approx(by_definition(fit.life, lives), rel=1e-11)
    values, kind = np.array(list(fit.parameters.values())), type(fit.life)
    found = minimize(
        lambda factors: -by_definition(kind(*(values * np.exp(factors))), lives),
        np.full(values.size, 0.003), method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-11, "maxiter": 4000, "maxfev": 4000},
    )  # fmt: skip
    assert_allclose(found.x, 0, atol=2e-5)
    steps = 1e-4 * values
    curvature = np.empty((values.size, values.size))
    for i, a in enumerate(np.diag(steps)):
        for j, b in enumerate(np.diag(steps)):
            corners = [
                by_definition(kind(*(values + u * a + v * b)), lives) * u * v
                for u in (1, -1)
                for v in (1, -1)
            ]
            curvature[i, j] = -sum(corners) / (4 * steps[i] * steps[j])
    assert_allclose(fit.covariance, np.linalg.inv(curvature), rtol=2e-2)
    single = stats.fit_life(**lives)
    assert fit.log_likelihood > single.log_likelihood


@pytest.mark.parametrize("model", ["weibull-threshold", "weibull-susceptible"])
def test_limits_of_three_parameters_are_where_the_profile_has_fallen(model):
    lives = composed_lives(model)
    fit = stats.fit_life(**lives, model=model)
    drop = 3.841458820694124 / 2  # 0.95 quantile of chi-squared with 1 degree of freedom
    kind, names = type(fit.life), list(fit.parameters)

    def best(make):
        def below(at):
            try:
                return -by_definition(make(np.exp(at)), lives)
            except ValueError:
                return np.inf

        found = minimize(below, [0.0, 0.0], method="Nelder-Mead",
                         options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 2000})  # fmt: skip
        return -found.fun

    others = [name for name in names if name != "shape"]
    for limit in fit.parameter_interval("shape"):
        level = best(
            lambda f, v=limit: kind(
                shape=v, **{n: fit.parameters[n] * g for n, g in zip(others, f, strict=True)}
            )
        )
        assert level == pytest.approx(fit.log_likelihood - drop, abs=1e-5)
    free = [name for name in names if name != "scale"]
    for age in fit.quantile_interval(0.1):

        def through(f, age=age):
            rest = {n: fit.parameters[n] * g for n, g in zip(free, f, strict=True)}
            start = rest.get("threshold", 0.0)
            return kind(
                scale=(age - start) / (float(kind(scale=1.0, **rest).quantile(0.1)) - start), **rest
            )

        assert best(through) == pytest.approx(fit.log_likelihood - drop, abs=1e-5)


def test_limits_of_a_mixture_are_nested_and_hold_the_estimate():
    fit = stats.fit_life(**composed_lives("weibull-mixture"), model="weibull-mixture")
    inner, outer = (fit.quantile_interval(0.05, level=level) for level in (0.5, 0.9))
    assert outer[0] < inner[0] < float(fit.quantile(0.05)) < inner[1] < outer[1]
    lower, upper = fit.parameter_interval("share", method="wald")
    logit = lambda x: np.log(x / (1 - x))  # noqa: E731
    assert (logit(lower) + logit(upper)) / 2 == pytest.approx(logit(fit.parameters["share"]))
    assert fit.quantile(0.5) > fit.parameters["scale"]


def test_a_limit_that_the_data_do_not_set_is_the_end_of_the_range():
    # The threshold is there, but none at all is nearly as likely: the lower limit is 0.
    ages = 4 + 100 * (-np.log1p(-(np.arange(40) + 0.5) / 40)) ** (1 / 1.9)
    fit = stats.fit_life(ages, np.ones(40, dtype=bool), model="weibull-threshold")
    lower, upper = fit.parameter_interval("threshold")
    assert fit.log_likelihood - stats.fit_life(ages, np.ones(40, dtype=bool)).log_likelihood < 1.9
    assert lower == 0
    assert fit.parameters["threshold"] < upper <= ages[0]


@pytest.mark.parametrize("model", COMPOSED_MODELS)
def test_invariances_of_composed_models(model):
    lives = {k: v for k, v in composed_lives(model).items() if k != "lower"}
    fit = stats.fit_life(**lives, model=model)
    rows = np.random.default_rng(8).permutation(lives["exit"].size)
    same(fit, stats.fit_life(**{k: v[rows] for k, v in lives.items()}, model=model))
    copies = {k: np.repeat(v, lives["weight"]) for k, v in lives.items() if k != "weight"}
    same(fit, stats.fit_life(**copies, model=model))
    held = (lives["entry"] < 100) & (lives["exit"] > 100)
    split = {
        k: np.concatenate([
            {"exit": np.full(held.sum(), 100.0), "event": np.zeros(held.sum(), dtype=bool)}.get(k, v[held]),
            np.where(held, 100, v) if k == "entry" else v,
        ])
        for k, v in lives.items()
    }  # fmt: skip
    same(fit, stats.fit_life(**split, model=model), rel=1e-6)
    moved = lives | {"exit": lives["exit"] * 1609.344, "entry": lives["entry"] * 1609.344}
    longer = stats.fit_life(**moved, model=model)
    assert_allclose(longer.quantile([0.05, 0.3]), fit.quantile([0.05, 0.3]) * 1609.344, rtol=1e-6)
    table = TestTable().counted(lives)
    same(fit, stats.fit_life_from_table(*table, model=model), rel=1e-8)


@pytest.mark.parametrize("model", ["gamma", *COMPOSED_MODELS])
def test_a_search_that_begins_on_few_ages_ends_at_the_same_fit(model, monkeypatch):
    lives = made_lives() if model == "gamma" else composed_lives(model)
    whole = stats.fit_life(**lives, model=model)
    monkeypatch.setattr(_families, "FEW_AGES", 25)
    assert (
        _families.Data(np.log(np.arange(1.0, 99)), np.ones(98), *[np.zeros(0)] * 5)
        .coarse()
        .log_age.size
        <= 26
    )
    same(whole, stats.fit_life(**lives, model=model), rel=1e-8)


@pytest.mark.parametrize("model", MODELS)
def test_copies_within_clusters_leave_the_covariance_alone(model):
    lives = composed_lives(model) if model in COMPOSED_MODELS else made_lives()
    cluster = np.arange(lives["exit"].size) // 3
    one = stats.fit_life(**lives, cluster=cluster, model=model)
    twice = {name: np.tile(column, 2) for name, column in lives.items()}
    two = stats.fit_life(**twice, cluster=np.tile(cluster, 2), model=model)
    assert_allclose(one.covariance, two.covariance, rtol=1e-6)
    independent = stats.fit_life(**lives, model=model)
    assert one.parameters == independent.parameters
    ratio = np.diag(one.covariance) / np.diag(independent.covariance)
    assert ((ratio > 0.1) & (ratio < 10)).all()
    assert not np.allclose(one.covariance, independent.covariance, rtol=1e-2)


class TestComposedRefusals:
    rng = np.random.default_rng(11)
    # A Weibull that would have begun before age 0.
    early = -8 + 100 * (-np.log1p(-(np.arange(300) + 0.5) / 300)) ** (1 / 2.5)
    falling = 100 * rng.weibull(0.5, 300), np.ones(300, dtype=bool)

    def test_no_threshold(self):
        with pytest.raises(NoInteriorMaximum, match=r"without a threshold: fit the weibull model"):
            ages = self.early[self.early > 0]
            stats.fit_life(ages, np.ones(ages.size, dtype=bool), model="weibull-threshold")

    def test_a_threshold_that_only_rises(self):
        with pytest.raises(NoInteriorMaximum, match=r"nears the first failure .*fit the weibull"):
            stats.fit_life(*self.falling, model="weibull-threshold")

    def test_all_can_fail(self):
        with pytest.raises(NoInteriorMaximum, match=r"a share of 1.*fit the weibull"):
            stats.fit_life(*self.falling, model="weibull-susceptible")

    def test_one_kind_only(self):
        ages = np.arange(1, 7) * 10.0
        with pytest.raises(NoInteriorMaximum, match="fit the weibull model"):
            stats.fit_life(ages, [True] * 6, model="weibull-mixture")

    @pytest.mark.parametrize(
        ("model", "needed"), list(zip(COMPOSED_MODELS, (3, 3, 5), strict=True))
    )
    def test_few_failures(self, model, needed):
        with pytest.raises(NoInteriorMaximum, match=rf"There are 2 .*at least {needed}.*weibull"):
            stats.fit_life([5, 7, 9], [True, True, False], model=model)

    def test_a_share_that_never_fails_has_no_quantile(self):
        fit = stats.fit_life(**composed_lives("weibull-susceptible"), model="weibull-susceptible")
        assert fit.quantile(0.9) == np.inf
        with pytest.raises(ValueError, match="a smaller share can ever fail"):
            fit.quantile_interval(0.9)
        assert fit.mean == np.inf


@pytest.mark.parametrize("shape", [0.4, 1.0, 1.0000001, 1.8])
def test_a_loglogistic_mean_up_to_an_age_has_no_gap_at_shape_1(shape):
    life = stats.Loglogistic(shape, 50.0)
    ages = np.array([1e-3, 10.0, 50.0, 4e4])
    assert_allclose(life.mean_up_to(ages), stats.Life.mean_up_to(life, ages), rtol=1e-9)
    assert np.isinf(life.mean) == (shape <= 1)


def test_mu_may_be_any_number_and_the_rest_is_checked():
    assert stats.Lognormal(-2.0, 0.5).quantile(0.5) == pytest.approx(np.exp(-2))
    with pytest.raises(ValueError, match=r"mu is nan: pass a finite number$"):
        stats.Lognormal(np.nan, 0.5)
    with pytest.raises(ValueError, match="sigma is 0: pass a finite number above 0"):
        stats.Lognormal(1.0, 0)
    with pytest.raises(ValueError, match="shape is"):
        stats.Gamma(np.array([1.0, -1.0]), 3.0)


@pytest.mark.parametrize("model", PLAIN)
def test_drawn_lives_follow_the_fit(model):
    fit = stats.fit_life(**made_lives(), model=model)
    drawn = fit.draws(5000, seed=1)
    assert float(np.median(drawn.quantile(0.1))) == pytest.approx(
        float(fit.quantile(0.1)), rel=0.03
    )
    lower, upper = fit.quantile_interval(0.1, method="wald")
    assert_allclose(np.quantile(drawn.quantile(0.1), [0.025, 0.975]), [lower, upper], rtol=0.05)


@st.composite
def lives_to_fit(draw):
    """Lives with ties, late entry, censoring and weights, of which enough failed."""
    size = draw(st.integers(12, 30))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    exit = rng.integers(5, 60, size).astype(float)  # noqa: A001
    event = rng.random(size) < 0.6
    event[:6], exit[:6] = True, [12, 19, 27, 33, 41, 48]
    entry = np.where(rng.random(size) < 0.3, np.floor(exit * rng.random(size) * 0.4), 0.0)
    return {"exit": exit, "event": event, "entry": entry, "weight": rng.integers(1, 4, size)}


def same(one, two, rel=1e-7):
    assert two.parameters == pytest.approx(one.parameters, rel=rel)
    assert two.log_likelihood == pytest.approx(one.log_likelihood, rel=1e-9)


@pytest.mark.parametrize("model", ["exponential", *PLAIN])
@settings(max_examples=12)
@given(
    lives=lives_to_fit(), seed=st.integers(0, 99), cut=st.floats(3, 40), scale=st.floats(0.01, 5e3)
)
def test_invariances(model, lives, seed, cut, scale):
    fit = stats.fit_life(**lives, model=model)
    rows = np.random.default_rng(seed).permutation(lives["exit"].size)
    same(fit, stats.fit_life(**{k: v[rows] for k, v in lives.items()}, model=model))

    copies = {k: np.repeat(v, lives["weight"]) for k, v in lives.items() if k != "weight"}
    same(fit, stats.fit_life(**copies, model=model))

    held = (lives["entry"] < cut) & (lives["exit"] > cut)
    before = {"exit": np.full(held.sum(), cut), "event": np.zeros(held.sum(), dtype=bool)}
    split = {
        k: np.concatenate([before.get(k, v[held]), np.where(held, cut, v) if k == "entry" else v])
        for k, v in lives.items()
    }
    same(fit, stats.fit_life(**split, model=model))

    moved = lives | {"exit": lives["exit"] * scale, "entry": lives["entry"] * scale}
    longer = stats.fit_life(**moved, model=model)
    assert_allclose(longer.quantile([0.05, 0.5]), fit.quantile([0.05, 0.5]) * scale, rtol=1e-6)
    assert_allclose(
        longer.quantile_interval(0.1, method="wald"),
        np.array(fit.quantile_interval(0.1, method="wald")) * scale,
        rtol=1e-6,
    )

    born = {k: v for k, v in lives.items() if k != "entry"}
    zero = stats.fit_life(**born, entry=np.zeros(lives["exit"].size), model=model)
    same(stats.fit_life(**born, model=model), zero)


class TestTable:
    def counted(self, lives, at=slice(None)):
        """Counts by age with rows in no order and ages that repeat."""
        exit, entry, weight = (lives[k][at] for k in ("exit", "entry", "weight"))  # noqa: A001
        none = np.zeros(exit.size)
        return (
            np.concatenate([exit, entry]),
            np.concatenate([none, weight]),
            np.concatenate([weight, none]),
            np.concatenate([weight * lives["event"][at], none]),
        )

    @pytest.mark.parametrize("model", ["exponential", *PLAIN])
    @settings(max_examples=8)
    @given(lives=lives_to_fit())
    def test_counts_give_the_same_fit_as_lives_and_tables_add_up(self, model, lives):
        fit = stats.fit_life(**lives, model=model)
        table = stats.fit_life_from_table(*self.counted(lives), model=model)
        same(fit, table, rel=1e-9)
        assert_allclose(table.covariance, fit.covariance, rtol=1e-6)
        assert (table.n, table.events) == (fit.n, fit.events)
        assert table.aicc == pytest.approx(fit.aicc)
        parts = [self.counted(lives, at) for at in (slice(0, 7), slice(7, None))]
        both = [np.concatenate(columns) for columns in zip(*parts, strict=True)]
        same(fit, stats.fit_life_from_table(*both, model=model), rel=1e-9)

    @pytest.mark.parametrize(
        ("table", "says"),
        [
            (([0, 5], [2, 0], [0, 1], [0, 1]), "2 lives entered and 1 left"),
            (([0, 5], [2, 0], [1, 1], [0, 1]), "more lives leaving than at risk"),
            (([0, 5], [2, 0], [0, 1], [0, 2]), "more events than lives that left"),
            (([0, 5], [0, 2], [0, 2], [0, 1]), "more lives leaving than at risk"),
            (([0, 5], [2, 0], [0, 2], [[0, 0], [1, 1]]), "a column per cause"),
        ],
    )
    def test_impossible_counts(self, table, says):
        with pytest.raises(InvalidLives, match=says):
            stats.fit_life_from_table(*table)

    def test_too_few_failures(self):
        with pytest.raises(NoInteriorMaximum, match="No life failed"):
            stats.fit_life_from_table([0, 5], [2, 0], [0, 2], [0, 0])


class TestComparison:
    def test_the_table_follows_from_the_fits(self):
        lives = made_lives()
        found = stats.compare_life_models(**lives, models=["exponential", *PLAIN])
        table = found.table
        assert table["aicc"].is_sorted()
        assert set(table["model"]) == {"exponential", *PLAIN}
        for row in table.iter_rows(named=True):
            fit = stats.fit_life(**lives, model=row["model"])
            assert row["aicc"] == pytest.approx(fit.aicc, rel=1e-12)
            assert row["log_likelihood"] == pytest.approx(fit.log_likelihood, rel=1e-12)
            assert row["parameters"] == len(fit.parameters)
            assert found.fits[row["model"]].parameters == pytest.approx(fit.parameters)
        assert table["difference"][0] == 0
        assert table["weight"].sum() == pytest.approx(1)
        ratio = table["weight"][1] / table["weight"][0]
        assert np.log(ratio) == pytest.approx(-table["difference"][1] / 2)
        assert found.thin is None
        assert found.best == table["model"][0]

    @pytest.mark.parametrize("true", ["lognormal", "weibull"])
    def test_the_model_that_made_many_lives_is_found(self, true):
        rng = np.random.default_rng(4)
        life = rng.lognormal(4, 0.7, 2000) if true == "lognormal" else 80 * rng.weibull(2.5, 2000)
        seen = rng.uniform(20, 200, 2000)
        found = stats.compare_life_models(np.minimum(life, seen), life <= seen, models=PLAIN)
        assert found.best == true

    def test_a_refused_model_keeps_its_row_and_reason(self):
        found = stats.compare_life_models(
            [5, 5, 4, 9], [True, True, False, False], models=["weibull", "exponential"]
        )
        last = found.table.row(-1, named=True)
        assert last["model"] == "weibull"
        assert last["aicc"] is None
        assert last["weight"] is None
        assert "one distinct age at failure" in last["note"]
        assert list(found.fits) == ["exponential"]

    def test_a_thin_sample_is_not_decided(self):
        found = stats.compare_life_models([5, 6, 7, 9], [True, True, True, False], models=PLAIN)
        assert found.best is None
        assert found.thin.startswith("3 failures are too few")
        assert found.table.filter(pl.col("note").is_null())["aicc"].null_count() == 0

    def test_lives_too_few_for_the_criterion_say_so(self):
        found = stats.compare_life_models([5, 6, 7], [True, True, True], models=["weibull"])
        assert found.table["aicc"].to_list() == [None]
        assert "too few" in found.table["note"][0]

    @pytest.mark.parametrize("models", [[], ["weibull", "normal"], ["weibull", "weibull"]])
    def test_odd_lists_of_models(self, models):
        with pytest.raises(ValueError, match="models is"):
            stats.compare_life_models([1, 2, 3], [True] * 3, models=models)

    def test_unusable_lives_are_refused_as_such(self):
        with pytest.raises(InvalidLives, match="no exit"):
            stats.compare_life_models([1, np.nan], [True, True])


def test_one_cluster_says_nothing():
    with pytest.raises(InvalidLives, match="of one cluster"):
        stats.fit_life([1, 2, 3], [True] * 3, cluster=[1, 1, 1])


GOOD = {
    "exit": [3.0, 5.0, 5.0, 8.0, 9.0, 11.0],
    "event": [True, True, False, True, False, True],
    "entry": [0, 1, 2, 0, 0, 3],
    "weight": [1, 2, 1, 1, 1, 1],
}


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize(
    ("spoiled", "says"),
    [
        ({"exit": [3.0, np.nan, 5.0, np.nan, 9.0, 11.0]}, r"2 of 6 rows have no exit.*rows 1, 3"),
        ({"exit": [3.0, -1.0, 5.0, 8.0, 9.0, 11.0]}, "1 of 6 rows have a negative exit"),
        ({"exit": [3.0, np.inf, 5.0, 8.0, 9.0, 11.0]}, "1 of 6 rows have an infinite exit"),
        ({"entry": [3, 1, 2, 0, 0, 3]}, r"1 of 6 rows have entry >= exit \(rows 0"),
        ({"weight": [1, 0, 1, 1, 1, 1]}, "1 of 6 rows have a weight of 0"),
        ({"event": [1, 1, 0, 1, 0, 1]}, "one true or false per row"),
        ({"event": [True, False]}, "has 2 values for 6 rows"),
        ({"event": [False] * 6}, "No life failed"),
    ],
)
def test_every_model_refuses_unusable_lives(model, spoiled, says):
    with pytest.raises(ValueError, match=says):
        stats.fit_life(**(GOOD | spoiled), model=model)


@pytest.mark.parametrize("change", [tuple, np.asarray, lambda column: pl.Series("x", column)])
def test_lists_arrays_and_series_mean_the_same(change):
    given = {name: change(column) for name, column in GOOD.items()}
    one, two = stats.fit_life(**GOOD, model="lognormal"), stats.fit_life(**given, model="lognormal")
    assert one.parameters == two.parameters
    assert stats.compare_life_models(**given).table.equals(stats.compare_life_models(**GOOD).table)
    assert stats.probability_plot(**given).points.equals(stats.probability_plot(**GOOD).points)


def test_no_model_drops_out_of_the_comparison():
    found = stats.compare_life_models(**GOOD)
    assert set(found.table["model"]) == set(MODELS)
    refused = found.table.filter(pl.col("log_likelihood").is_null())
    assert refused.height == len(MODELS) - len(found.fits)
    assert refused["note"].null_count() == 0


@pytest.mark.parametrize(
    "life",
    [
        stats.Lognormal(4.0, 0.4), stats.Loglogistic(3.0, 50.0), stats.Gamma(4.0, 20.0),
        stats.ThresholdWeibull(2.0, 50.0, 30.0), stats.WeibullMixture(0.1, 0.6, 5.0, 4.0, 100.0),
        stats.SusceptibleWeibull(1.0, 3.0, 50.0),
    ],
)  # fmt: skip
def test_replacement_policies_take_every_life(life):
    policy = stats.age_replacement(life, cost_planned=1, cost_failure=8)

    def rate(age):
        return (1 + 7 * float(life.failed(age))) / float(life.mean_up_to(age))

    assert policy.cost_rate == pytest.approx(rate(policy.age), rel=1e-9)
    assert rate(policy.age * 0.98) > policy.cost_rate
    assert rate(policy.age * 1.02) > policy.cost_rate
    assert policy.run_to_failure_cost_rate == pytest.approx(8 / float(life.mean))
