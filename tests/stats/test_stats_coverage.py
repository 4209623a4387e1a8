"""How often limits hold the truth, over many made samples."""

import numpy as np
import pytest

from fleetlog import stats

SAMPLES, LIVES = 2000, 100
SHAPE, SCALE = 2.0, 100.0


@pytest.mark.slow
def test_limits_of_95_percent_hold_the_truth_in_95_percent_of_samples():
    rng = np.random.default_rng(2026)
    truth = stats.Weibull(SHAPE, SCALE)
    held = dict.fromkeys(["shape", "scale", "b10", "survival", "hazard"], 0)
    median = float(truth.quantile(0.3))
    for _ in range(SAMPLES):
        failure = SCALE * rng.weibull(SHAPE, LIVES * 2)
        seen, entry = rng.uniform(20, 200, LIVES * 2), rng.uniform(-60, 40, LIVES * 2).clip(0)
        end = np.minimum(failure, seen)
        kept = np.flatnonzero(entry < end)[:LIVES]
        lives = {"exit": end[kept], "event": (failure <= seen)[kept], "entry": entry[kept]}
        fit = stats.fit_life(**lives)
        checks = {
            "shape": (fit.parameter_interval("shape"), SHAPE),
            "scale": (fit.parameter_interval("scale"), SCALE),
            "b10": (fit.quantile_interval(0.1), float(truth.quantile(0.1))),
        }
        for name, estimate, value in (
            ("survival", stats.kaplan_meier, float(truth.survival(median))),
            ("hazard", stats.nelson_aalen, float(truth.cumulative_hazard(median))),
        ):
            table = estimate(**lives).table
            row = table.row(int(np.searchsorted(table["time"], median)) - 1, named=True)
            checks[name] = ((row["lower"], row["upper"]), value)
        for name, ((lower, upper), value) in checks.items():
            held[name] += lower <= value <= upper
    # Four standard errors of a share of 0.95 in 2000 samples are 0.02; the methods are
    # approximate in 100 lives by less than that.
    for name, count in held.items():
        assert count / SAMPLES == pytest.approx(0.95, abs=0.02), (name, count / SAMPLES)


@pytest.mark.slow
def test_clustered_limits_hold_the_truth_where_plain_ones_do_not():
    # Vehicles differ: eight parts of one vehicle share its pace.
    rng = np.random.default_rng(7)
    vehicles, parts, samples = 60, 8, 1000
    cluster = np.repeat(np.arange(vehicles), parts)
    pace = np.exp(rng.normal(0, 0.5, 400_000))
    truth = float(np.mean(np.exp(-((80 / (100 * pace)) ** 2))))
    held = {"plain": 0, "clustered": 0}
    for _ in range(samples):
        scale = 100 * np.exp(rng.normal(0, 0.5, vehicles))[cluster]
        failure, seen = scale * rng.weibull(2.0, cluster.size), rng.uniform(40, 300, cluster.size)
        lives = (np.minimum(failure, seen), failure <= seen)
        for name, options in (("plain", {}), ("clustered", {"cluster": cluster})):
            table = stats.kaplan_meier(*lives, **options).table
            row = table.row(int(np.searchsorted(table["time"], 80.0)) - 1, named=True)
            held[name] += row["lower"] <= truth <= row["upper"]
    assert held["clustered"] / samples == pytest.approx(0.95, abs=0.025)
    assert held["plain"] / samples < 0.8
