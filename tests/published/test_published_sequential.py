"""The crossing of a boundary by Poisson events against the published exact critical values."""

import numpy as np
import pytest
from scipy.optimize import brentq

from fleetlog import stats


@pytest.mark.parametrize(
    ("horizon", "critical"),
    [(0.5, 2.637928), (1, 2.853937), (2, 3.046977), (5, 3.297183), (10, 3.467952), (20, 3.628123)],
)
def test_critical_values_of_kulldorff_and_others_2011(horizon, critical):
    """Kulldorff et al. 2011, Sequential Analysis 30, 58-78, table 1, alpha 0.05.

    The figures stand in the table of critical values that the R package of its authors carries
    (TableCV.PoissonM), and again in a public script that recomputes the paper; the paper itself was
    not at hand. The greatest log likelihood ratio of k events at m expected is k log(k / m) - k + m,
    so the boundary is where it equals the critical value; it must be crossed with chance 0.05.
    """
    boundary = [
        brentq(lambda m, k=k: k * np.log(k / m) - k + m - critical, 1e-12, k) for k in range(1, 80)
    ]
    assert stats.crossing_chance(boundary, horizon) == pytest.approx(0.05, abs=1e-6)


def test_power_of_kulldorff_and_others_at_twice_the_rate():
    """R package Sequential, example of Performance.Poisson: power at 10 expected and ratio 2."""
    boundary = [
        brentq(lambda m, k=k: k * np.log(k / m) - k + m - 3.467952, 1e-12, k) for k in range(1, 80)
    ]
    assert stats.crossing_chance(boundary, 10, ratio=2) == pytest.approx(0.6850634, abs=1e-6)
