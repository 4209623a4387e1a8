"""The replacement age against the textbook condition, integrated directly.

Barlow and Proschan 1965, section 4.2: at the best age T the hazard h satisfies
``h(T) * integral of S over 0..T - F(T) = c_p / (c_f - c_p)``, and the least cost rate is
``(c_f - c_p) * h(T)``.
"""

from itertools import pairwise

import numpy as np
import pytest
from relife.lifetime_models import Weibull
from relife.policies import AgeReplacementPolicy
from scipy.integrate import quad
from scipy.optimize import brentq

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
