"""How often limits of mean cumulative functions hold the truth, over many made fleets."""

import numpy as np
import polars as pl
import pytest

from fleetlog import stats

SAMPLES = 2000
RATE = 0.01


def fleet(rng, units, rate=RATE):
    """Units that differ (gamma, coefficient of variation 0.7), watched from ages up to 30."""
    start = np.where(rng.random(units) < 0.3, np.floor(rng.uniform(0, 30, units)), 0.0)
    stop = np.ceil(rng.uniform(60, 140, units))
    number = rng.poisson(rate * rng.gamma(2, 0.5, units) * (stop - start))
    unit = np.repeat(np.arange(units), number)
    time = start[unit] + np.ceil(rng.random(unit.size) * (stop - start)[unit])
    return unit, time, (np.arange(units), start, stop)


# About 15, 50 and 300 recurrences. The variance is that of large samples: with 17 units it is a
# little too small, and the lower bounds say by how much the shares may fall short of 0.95.
@pytest.mark.slow
@pytest.mark.parametrize(
    ("units", "recurrences", "least"), [(17, 15, 0.90), (55, 50, 0.93), (330, 300, 0.94)]
)
def test_limits_of_95_percent_with_unlike_units(units, recurrences, least):
    rng = np.random.default_rng(units)
    age, held, seen, poisson, counted = 60.0, 0, 0, 0, 0
    for _ in range(SAMPLES):
        rows = fleet(rng, units)
        curve = stats.mean_cumulative_function(*rows)
        seen += curve.events
        table = curve.table
        row = table.row(int(np.searchsorted(table["time"], age, side="right")) - 1, named=True)
        counted += row["std_err"] > 0
        if row["std_err"] > 0:
            held += row["lower"] <= RATE * age <= row["upper"]
            # The variance of Poisson processes, on the same log scale.
            by_then = table.filter(pl.col("time") <= age)
            spread = float((by_then["events"] / by_then["at_risk"] ** 2).sum()) ** 0.5
            poisson += (
                abs(np.log(row["estimate"] / (RATE * age))) <= 1.96 * spread / row["estimate"]
            )
    assert seen / SAMPLES == pytest.approx(recurrences, rel=0.1)
    share = held / counted
    assert counted / SAMPLES > 0.99
    assert least <= share <= 0.97, (share, poisson / counted)
    # Limits that take recurrences as independent hold it more rarely than that where units differ.
    if units > 100:
        assert poisson / counted < share - 0.02, (share, poisson / counted)


@pytest.mark.slow
def test_differences_and_the_test_of_groups_hold_their_rates():
    rng = np.random.default_rng(9)
    held = wolf = 0
    for _ in range(SAMPLES):
        one, other = fleet(rng, 60), fleet(rng, 80)
        difference = stats.compare_mean_cumulative(
            stats.mean_cumulative_function(*one), stats.mean_cumulative_function(*other)
        ).at(60.0)
        held += difference["lower"] <= 0 <= difference["upper"]
        unit = np.concatenate([one[0], other[0] + 100])
        watched = np.concatenate([one[2][0], other[2][0] + 100])
        windows = (watched, *(np.concatenate([one[2][k], other[2][k]]) for k in (1, 2)))
        time = np.concatenate([one[1], other[1]])
        wolf += stats.mean_cumulative_test(unit, time, windows, watched >= 100).p_value < 0.05
    # Four standard errors of a share of 0.95 in 2,000 samples are 0.02.
    assert held / SAMPLES == pytest.approx(0.95, abs=0.02), held / SAMPLES
    assert wolf / SAMPLES == pytest.approx(0.05, abs=0.02), wolf / SAMPLES


@pytest.mark.slow
def test_jackknife_limits_hold_the_truth():
    rng = np.random.default_rng(10)
    units, folds, samples, held = 330, 30, 500, 0
    for _ in range(samples):
        unit, time, (watched, start, stop) = fleet(rng, units)
        none, ones = np.zeros, np.ones
        curve = stats.mean_cumulative_from_table(
            np.concatenate([start, stop, time]),
            np.concatenate([ones(units), none(units), none(time.size)]),
            np.concatenate([none(units), ones(units), none(time.size)]),
            np.concatenate([none(2 * units), ones(time.size)]),
            fold=np.concatenate([watched, watched, unit]) % folds,
        )
        table = curve.table
        row = table.row(int(np.searchsorted(table["time"], 60.0, side="right")) - 1, named=True)
        held += row["lower"] <= RATE * 60 <= row["upper"]
    # Four standard errors in 500 samples are 0.04.
    assert held / samples == pytest.approx(0.95, abs=0.04), held / samples
