import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose
from scipy.stats import t as student

from fleetlog import stats
from fleetlog.errors import InvalidLives


def made_lives(size=400, vehicles=60, seed=3):
    rng = np.random.default_rng(seed)
    vehicle = rng.integers(0, vehicles, size)
    pace = np.exp(rng.normal(0, 0.4, vehicles))[vehicle]
    entry = rng.integers(0, 15, size)
    age = np.ceil(40 * pace * rng.weibull(2, size)).astype(int)
    seen = rng.integers(10, 60, size)
    end = np.minimum(age, seen)
    kept = entry < end
    cause = np.where(age <= seen, rng.integers(1, 3, size), 0)
    return {
        "exit": end[kept],
        "cause": cause[kept],
        "entry": entry[kept],
        "vehicle": vehicle[kept],
    }


def table_of(lives, fold):
    """Counts by age and fold, as a store would make them."""
    ones = np.ones(lives["exit"].size)
    rows = pl.DataFrame(
        {
            "time": np.concatenate([lives["entry"], lives["exit"]]),
            "entered": np.concatenate([ones, 0 * ones]),
            "left": np.concatenate([0 * ones, ones]),
            "one": np.concatenate([0 * ones, lives["cause"] == 1]),
            "two": np.concatenate([0 * ones, lives["cause"] == 2]),
            "fold": np.concatenate([fold, fold]),
        }
    )
    return rows.group_by("time", "fold").sum().sort("time", "fold")


def columns(table):
    return table["time"], table["entered"], table["left"], table["one"] + table["two"]


KINDS = [
    (stats.jackknife_survival, stats.kaplan_meier_from_table),
    (stats.jackknife_hazard, stats.nelson_aalen_from_table),
]


@pytest.mark.parametrize(("jackknife", "plain"), KINDS)
def test_it_is_the_curve_without_each_fold(jackknife, plain):
    lives = made_lives()
    table = table_of(lives, lives["vehicle"] % 7)
    curve, whole = jackknife(*columns(table), table["fold"]), plain(*columns(table))
    time = whole.table["time"].to_numpy()
    squares = np.zeros(time.size)
    for fold in range(7):
        rest = plain(*columns(table.filter(pl.col("fold") != fold)))
        squares += (rest.at(time) - whole.table["estimate"].to_numpy()) ** 2
    assert_allclose(curve.table["estimate"], whole.table["estimate"])
    known = curve.table["std_err"].is_not_null().to_numpy()
    assert known.sum() > 30
    error = np.sqrt(6 / 7 * squares)
    assert_allclose(curve.table["std_err"].to_numpy()[known], error[known], rtol=1e-9, atol=1e-15)
    # Where the error is not known, some fold had the last life, or nobody survived.
    assert np.all(np.isnan(error[~known]) | (whole.table["estimate"].to_numpy()[~known] == 0))
    assert curve.clusters == 7


def test_incidence_is_the_curves_without_each_fold():
    lives = made_lives()
    table = table_of(lives, lives["vehicle"] % 5)

    def shares(rows):
        return stats.cumulative_incidence_from_table(
            *columns(rows)[:3], rows.select("one", "two").to_numpy()
        )

    curves = stats.jackknife_incidence(
        *columns(table)[:3], table.select("one", "two").to_numpy(), table["fold"]
    )
    for cause in (1, 2):
        mine = curves.table.filter(pl.col("cause") == cause)
        time, squares = mine["time"].to_numpy(), np.zeros(mine.height)
        for fold in range(5):
            rest = shares(table.filter(pl.col("fold") != fold))
            squares += (rest.at(time, cause) - mine["estimate"].to_numpy()) ** 2
        known = mine["std_err"].is_not_null().to_numpy()
        assert known.sum() > 30
        error = np.sqrt(4 / 5 * squares)[known]
        assert_allclose(mine["std_err"].to_numpy()[known], error, rtol=1e-9, atol=1e-15)


def test_limits_take_students_t():
    lives = made_lives()
    table = table_of(lives, lives["vehicle"] % 6)
    row = stats.jackknife_hazard(*columns(table), table["fold"], level=0.9).table.row(
        20, named=True
    )
    factor = np.exp(student.ppf(0.95, 5) * row["std_err"] / row["estimate"])
    assert row["upper"] == pytest.approx(row["estimate"] * factor)
    assert row["lower"] == pytest.approx(row["estimate"] / factor)


@pytest.mark.parametrize(
    ("jackknife", "clustered"),
    [(stats.jackknife_survival, stats.kaplan_meier), (stats.jackknife_hazard, stats.nelson_aalen)],
)
def test_a_fold_per_vehicle_is_near_the_infinitesimal_jackknife(jackknife, clustered):
    # Shao and Tu 1995: both estimate one variance; they part by terms of 1 / vehicles.
    lives = made_lives(size=6000, vehicles=600)
    table = table_of(lives, lives["vehicle"])
    left_out = jackknife(*columns(table), table["fold"]).table
    peer = clustered(
        lives["exit"], lives["cause"] > 0, entry=lives["entry"], cluster=lives["vehicle"]
    ).table
    middle = (left_out["time"] >= 10) & (left_out["time"] <= 45)
    ratio = (left_out["std_err"] / peer["std_err"]).filter(middle).to_numpy()
    assert ratio.size > 30
    assert_allclose(ratio, 1, atol=0.01)
    # Fewer folds are as right on average, and less certain: some 1 / sqrt(2 * 49) each.
    hashed = table_of(lives, lives["vehicle"] * 2_654_435_761 % 2**32 % 50)
    fewer = jackknife(*columns(hashed), hashed["fold"]).table
    ratio = (fewer["std_err"] / peer["std_err"]).filter(middle).to_numpy()
    assert np.all(np.abs(ratio - 1) < 4 / np.sqrt(98))


def test_any_figure():
    lives = made_lives()
    table = table_of(lives, lives["vehicle"] % 9)

    def mean(*rows):
        return stats.restricted_mean_from_table(*rows, to_age=30).estimate

    found = stats.jackknife_from_table(mean, *columns(table), table["fold"])
    parts = [mean(*columns(table.filter(pl.col("fold") != fold))) for fold in range(9)]
    assert found.estimate == pytest.approx(mean(*columns(table)))
    squares = np.sum((np.array(parts) - found.estimate) ** 2)
    assert found.std_err == pytest.approx(np.sqrt(8 / 9 * squares))
    assert found.folds == 9


def test_refusals():
    lives = made_lives()
    table = table_of(lives, np.zeros(lives["exit"].size, dtype=int))
    with pytest.raises(InvalidLives, match="one fold"):
        stats.jackknife_survival(*columns(table), table["fold"])
    with pytest.raises(InvalidLives, match="fold has 1 values"):
        stats.jackknife_survival(*columns(table), [1])
    with pytest.raises(ValueError, match="level is 2"):
        stats.jackknife_hazard(*columns(table), np.arange(table.height) % 2, level=2)
