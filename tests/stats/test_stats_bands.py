import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq
from scipy.stats import norm

from fleetlog import stats
from fleetlog.errors import InvalidLives
from fleetlog.stats.bands import critical_value


def half_log_odds_ratio(low, high):
    return 0.5 * np.log(high * (1 - low) / (low * (1 - high)))


@pytest.mark.parametrize(("low", "high"), [(0.1, 0.6), (0.1, 0.9), (0.05, 0.95)])
def test_close_to_the_tail_approximation(low, high):
    # Miller and Siegmund 1982 (Biometrics 38: 1011), for heights that are seldom
    # reached: near, not equal. The simulation below is the stricter check.
    length = half_log_odds_ratio(low, high)

    def tail(height):
        density = norm.pdf(height)
        return 4 * density / height + density * (height - 1 / height) * 2 * length

    for level in (0.95, 0.99):
        theirs = brentq(lambda height, level=level: tail(height) - (1 - level), 1.5, 9)
        assert critical_value(level, length) == pytest.approx(theirs, rel=5e-3)


def test_book_figure():
    # Klein and Moeschberger 2003, example 4.2, c(0.05; 0.1, 0.6) = 2.8826. Quoted from memory; by
    # the tail approximation, it seems, which is 0.005 off.
    assert critical_value(0.95, half_log_odds_ratio(0.1, 0.6)) == pytest.approx(2.8826, abs=0.006)


def test_no_length_is_a_single_limit():
    assert critical_value(0.95, 0) == pytest.approx(1.959963984540054)
    heights = [critical_value(0.95, length) for length in (0, 0.001, 0.1, 1, 5, 50)]
    assert np.all(np.diff(heights) > 0)


@pytest.mark.slow
def test_against_simulated_brownian_motion():
    rng = np.random.default_rng(5)
    length, steps, paths = 1.3, 4000, 20_000
    keep = np.exp(-length / steps)
    state, highest = rng.normal(size=paths), np.zeros(paths)
    np.maximum(highest, np.abs(state), out=highest)
    for _ in range(steps):
        state = keep * state + np.sqrt(1 - keep**2) * rng.normal(size=paths)
        np.maximum(highest, np.abs(state), out=highest)
    # Steps miss some of the peaks: Broadie, Glasserman and Kou 1997 put the barrier 0.5826
    # standard deviations of a step further out.
    shift = 0.5826 * np.sqrt(2 * length / steps)
    for level in (0.8, 0.9, 0.95):
        inside = np.mean(highest < critical_value(level, length) - shift)
        assert inside == pytest.approx(level, abs=4 * np.sqrt(level * (1 - level) / paths))


AGES = np.arange(1, 31)
FAILED = np.arange(30) % 3 > 0


def test_the_band_is_the_limits_widened():
    curve = stats.kaplan_meier(AGES, FAILED)
    band = stats.equal_precision_band(curve, from_age=5, to_age=20)
    assert (band.from_age, band.to_age, band.interval) == (5, 20, "log(-log)")
    rows = curve.table.filter(pl.col("time").is_between(5, 20))
    assert band.table["time"].to_list() == rows["time"].to_list()
    error = (rows["std_err"] / rows["estimate"]).to_numpy()
    assert band.critical_value == pytest.approx(critical_value(0.95, np.log(error[-1] / error[0])))
    share = rows["estimate"].to_numpy()
    half = band.critical_value * error / np.log(share)
    assert_allclose(band.table["lower"], share ** np.exp(-half))
    assert_allclose(band.table["upper"], share ** np.exp(half))
    assert (band.table["lower"] < rows["lower"]).all()
    assert (band.table["upper"] > rows["upper"]).all()


def test_one_age_has_its_own_limits():
    for estimate in (stats.kaplan_meier, stats.nelson_aalen):
        curve = estimate(AGES, FAILED, level=0.9)
        band = stats.equal_precision_band(curve, level=0.9, from_age=11.5, to_age=11.6)
        row = curve.table.filter(pl.col("time") == 11)
        assert_allclose(band.table["lower"], row["lower"])
        assert_allclose(band.table["upper"], row["upper"])


def test_hazard():
    curve = stats.nelson_aalen(AGES, FAILED)
    band = stats.equal_precision_band(curve)
    assert (band.from_age, band.to_age) == (2, 30)
    ratio = np.log(band.table["upper"] / band.table["estimate"]) / (
        band.table["std_err"] / band.table["estimate"]
    )
    assert_allclose(ratio, band.critical_value)


def test_a_unit_changes_times_only():
    one = stats.equal_precision_band(stats.kaplan_meier(AGES, FAILED))
    two = stats.equal_precision_band(stats.kaplan_meier(AGES * 1.609344, FAILED))
    assert_allclose(two.table["lower"], one.table["lower"])
    assert two.to_age == pytest.approx(one.to_age * 1.609344)


def test_refusals():
    with pytest.raises(InvalidLives, match="has clusters"):
        stats.equal_precision_band(stats.kaplan_meier([1, 2], [True, True], cluster=[1, 2]))
    with pytest.raises(InvalidLives, match="no limits"):
        stats.equal_precision_band(stats.kaplan_meier([1, 2], [False, False]))
    curve = stats.kaplan_meier(AGES, FAILED)
    for ages in ({"from_age": 0.5}, {"to_age": 31}, {"from_age": 9, "to_age": 8}):
        with pytest.raises(ValueError, match="asked from"):
            stats.equal_precision_band(curve, **ages)
    with pytest.raises(ValueError, match="nobody survives"):
        stats.equal_precision_band(stats.kaplan_meier([1, 2, 3], [True] * 3), to_age=3)
    with pytest.raises(ValueError, match="level is 1"):
        stats.equal_precision_band(curve, level=1)
