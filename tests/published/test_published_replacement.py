"""The replacement age against the textbook condition, integrated directly.

Barlow and Proschan 1965, section 4.2: at the best age T the hazard h satisfies
``h(T) * integral of S over 0..T - F(T) = c_p / (c_f - c_p)``, and the least cost rate is
``(c_f - c_p) * h(T)``. Renewal functions and block replacement: the same, sections 3.2 and 4.3.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose
from relife.lifetime_models import Weibull
from relife.policies import AgeReplacementPolicy
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import lambertw

from fleetlog import stats


def integrated(shape, limit):
    """Integral of the survival of a Weibull of scale 1, in pieces, by adaptive quadrature."""
    edges = np.concatenate([[0], np.geomspace(1e-6, 1, 30) * limit])
    return sum(
        quad(lambda t: np.exp(-(t**shape)), a, b, epsabs=0, epsrel=1e-13)[0]
        for a, b in pairwise(edges)
    )


@pytest.mark.parametrize("shape", [1.3, 1.5, 2.0, 2.5, 3.7, 6.0])
@pytest.mark.parametrize("ratio", [3.0, 5.0, 20.0, 300.0])
def test_the_best_age_meets_the_condition_of_the_textbook(shape, ratio):
    def condition(age):
        hazard, failed = shape * age ** (shape - 1), -np.expm1(-(age**shape))
        return hazard * integrated(shape, age) - failed - 1 / (ratio - 1)

    age = brentq(condition, 1e-4, 30.0, xtol=1e-15, rtol=1e-14)
    policy = stats.age_replacement(stats.Weibull(shape, 1.0), cost_planned=1.0, cost_failure=ratio)
    if age**shape > -np.log(1e-6):
        assert policy.age is None
        assert "rises too little" in policy.reason
        return
    assert policy.age == pytest.approx(age, rel=1e-8)
    assert policy.cost_rate == pytest.approx((ratio - 1) * shape * age ** (shape - 1), rel=1e-8)
    assert policy.run_to_failure_cost_rate == pytest.approx(
        ratio / integrated(shape, 50.0 if shape > 2 else 1e4), rel=1e-8
    )


@pytest.mark.parametrize("shape", [2.0, 3.0, 4.5])
@pytest.mark.parametrize("ratio", [4.0, 10.0])
def test_the_best_age_of_relife(shape, ratio):
    # relife integrates on a fixed grid, which errs for shapes up to about 1.5 and for ages far
    # from 1; here both are kept away from.
    policy = AgeReplacementPolicy(Weibull(shape, 1.0))
    theirs = float(np.squeeze(policy.compute_optimal_ar(cp=1.0, cf=ratio)))
    ours = stats.age_replacement(stats.Weibull(shape, 1.0), cost_planned=1.0, cost_failure=ratio)
    assert ours.age == pytest.approx(theirs, rel=1e-6)


@pytest.mark.parametrize("shape", [2.0, 3.0])
@pytest.mark.parametrize("rate", [0.05, 0.3, 1.0])
def test_the_discounted_best_age_and_cost_of_relife(shape, rate):
    # relife 3.0 discounts as Fox 1966 does, and gives the equivalent cost per unit of time.
    policy = AgeReplacementPolicy(Weibull(shape, 1.0))
    costs = {"cp": 1.0, "cf": 5.0, "discounting_rate": rate}
    age = policy.compute_optimal_ar(**costs)
    yearly = policy.asymptotic_expected_equivalent_annual_cost(ar=age, **costs)
    ours = stats.age_replacement(
        stats.Weibull(shape, 1.0), cost_planned=1.0, cost_failure=5.0, discount_rate=rate
    )
    assert ours.age == pytest.approx(float(np.squeeze(age)), rel=1e-6)
    assert ours.cost_rate == pytest.approx(float(np.squeeze(yearly)), rel=1e-9)


def test_renewals_of_an_exponential_life():
    # Barlow and Proschan 1965, section 3.2: M(t) = t / mean.
    found = stats.renewal_function(stats.Exponential(10.0), 60.0)
    assert_allclose(found.renewals, found.age / 10, atol=1e-9)


@dataclass(frozen=True)
class Erlang2(stats.Life):
    """Two exponential stages of the given rate."""

    rate: float

    def cumulative_hazard(self, age):
        return self.rate * np.asarray(age) - np.log1p(self.rate * np.asarray(age))

    def hazard(self, age):
        return self.rate**2 * np.asarray(age) / (1 + self.rate * np.asarray(age))

    def age_at(self, cumulative_hazard):
        # exp(-H) = (1 + x) exp(-x) is solved by the lower branch of Lambert's function.
        return (-lambertw(-np.exp(-1 - np.asarray(cumulative_hazard)), -1).real - 1) / self.rate

    @property
    def mean(self):
        return 2 / self.rate


def test_renewals_and_blocks_of_two_exponential_stages():
    # Barlow and Proschan 1965, section 3.2: M(t) = rate t / 2 - 1 / 4 + exp(-2 rate t) / 4.
    life = Erlang2(0.3)
    found = stats.renewal_function(life, 40.0)
    exact = 0.15 * found.age - 0.25 + np.exp(-0.6 * found.age) / 4
    assert_allclose(found.renewals, exact, atol=1e-7)
    assert np.max(np.abs(found.renewals - exact)) <= found.error
    for ratio in (6.0, 20.0):
        # Block replacement: T M'(T) - M(T) = c_p / c_f at the best interval, the same, section 4.3.
        def condition(t, ratio=ratio):
            return (
                0.15 * t * (1 - np.exp(-0.6 * t))
                - (0.15 * t - 0.25 + np.exp(-0.6 * t) / 4)
                - 1 / ratio
            )

        age = brentq(condition, 1e-3, 25.0, xtol=1e-13)
        policy = stats.block_replacement(life, cost_planned=1.0, cost_failure=ratio)
        assert policy.age == pytest.approx(age, rel=1e-3)
        slope = 0.15 * (1 - np.exp(-0.6 * age))
        assert policy.cost_rate == pytest.approx(ratio * slope, rel=1e-5)


def test_no_block_pays_where_two_stages_cost_too_little():
    # The condition's left side rises to 1 / 4, so no interval pays unless c_f is over 4 c_p.
    assert stats.block_replacement(Erlang2(0.3), cost_planned=1.0, cost_failure=3.9).age is None


@pytest.mark.slow
@pytest.mark.parametrize("shape", [0.8, 3.0])
def test_renewals_of_simulated_parts(shape):
    rng = np.random.default_rng(5)
    life = stats.Weibull(shape, 1.0)
    found = stats.renewal_function(life, 3.0)
    failures = np.cumsum(rng.weibull(shape, (200_000, 40)), axis=1)
    for last in (0.5, 1.5, 3.0):
        counts = (failures <= last).sum(axis=1)
        expected = np.interp(last, found.age, found.renewals)
        assert counts.mean() == pytest.approx(expected, abs=4 * counts.std() / np.sqrt(200_000))
