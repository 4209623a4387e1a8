"""How often the profile limits of a B10 life hold the truth, over many made samples."""

import numpy as np
import pytest

from fleetlog import stats
from fleetlog.stats._profile import Profile, quantile_quantity

SAMPLES = 2000
TRUTH = stats.Weibull(shape=1.8, scale=100.0)
B10 = float(TRUTH.quantile(0.1))
HALF_CHI_SQUARED = 3.841458820694124 / 2  # 0.95 quantile with 1 degree of freedom


def holds(fit):
    """Whether the 95 % limits hold the truth: the profile has not fallen to its limit there.

    One maximum at the truth, where two limits would take some fifty.
    """
    quantity = quantile_quantity(fit._family, -np.log(0.9), fit._point, fit._free_covariance)
    level = Profile(fit._family, fit._data, quantity, fit.log_likelihood).level(np.log(B10))
    return fit.log_likelihood - level <= HALF_CHI_SQUARED


@pytest.mark.slow
@pytest.mark.parametrize("failures", [15, 50, 300])
def test_profile_limits_of_a_b10_life_hold_the_truth(failures):
    # Twice as many lives as failures, watched until that many have failed.
    rng = np.random.default_rng(failures)
    lives = np.sort(100.0 * rng.weibull(1.8, (SAMPLES, 2 * failures)), axis=1)
    failed = np.arange(2 * failures) < failures
    held = 0
    for number, ages in enumerate(lives):
        fit = stats.fit_life(np.minimum(ages, ages[failures - 1]), failed)
        inside = holds(fit)
        if number < 50:
            lower, upper = fit.quantile_interval(0.1)
            assert inside == (lower <= B10 <= upper)
        held += inside
    share = held / SAMPLES
    print(f"{failures} failures: {share:.4f}")
    # Two standard errors of a share of 0.95 in 2000 samples are 0.01.
    assert 0.93 <= share <= 0.97
