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


def share_held(curve, truth, age):
    """Whether the limits of a curve at ``age`` hold the truth; None where there are none."""
    table = curve.table
    place = int(np.searchsorted(table["time"], age, side="right")) - 1
    lower, upper = (table[name][place] if place >= 0 else None for name in ("lower", "upper"))
    return None if lower is None else lower <= truth <= upper


# With 8 vehicles a variance between vehicles is itself hardly known.
@pytest.mark.slow
@pytest.mark.parametrize(("failures", "least"), [(15, 0.85), (50, 0.92), (300, 0.93)])
def test_clustered_limits_at_the_numbers_that_a_shop_has(failures, least):
    rng = np.random.default_rng(failures)
    parts, vehicles, age = 4, (failures + 1) // 2, 50.0
    cluster = np.repeat(np.arange(vehicles), parts)
    pace = np.exp(rng.normal(0, 0.5, 1_000_000))
    truth = float(np.mean(np.exp(-((age / (100 * pace)) ** 2))))
    clustered, plain, seen = [], [], 0
    for _ in range(SAMPLES):
        scale = 100 * np.exp(rng.normal(0, 0.5, vehicles))[cluster]
        failure, watched = (
            scale * rng.weibull(2.0, cluster.size),
            rng.uniform(20, 180, cluster.size),
        )
        lives = (np.minimum(failure, watched), failure <= watched)
        seen += int(lives[1].sum())
        clustered.append(share_held(stats.kaplan_meier(*lives, cluster=cluster), truth, age))
        plain.append(share_held(stats.kaplan_meier(*lives), truth, age))
    shares = []
    for held in (clustered, plain):
        told = [one for one in held if one is not None]
        shares.append(sum(told) / len(told))
    print(
        f"clustered, {vehicles} vehicles, {seen / SAMPLES:.0f} failures: {shares[0]:.4f}, "
        f"as if independent {shares[1]:.4f}, without limits {clustered.count(None)}"
    )
    assert least <= shares[0] <= 0.97
    if failures > 15:
        assert shares[1] < shares[0]
