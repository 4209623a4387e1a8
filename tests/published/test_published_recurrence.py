"""Mean cumulative functions, power-law processes and trend tests against published figures."""

import shutil
import subprocess

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose
from r_reference import DATA, HERE, read_figures

from fleetlog import stats

R = read_figures(DATA / "r_recurrence.csv")
ROWS = pl.read_csv(DATA / "recurrences.csv")
EXACT = 1e-10


def parts(rows):
    """Recurrences and windows of rows that end at a recurrence or at the end of watch."""
    happened = rows.filter(pl.col("event") == 1)
    return happened["id"], happened["stop"], (rows["id"], rows["start"], rows["stop"])


def check_curve(name, table):
    joined = table.join(
        pl.DataFrame(
            {part: R[f"{name}.{part}"] for part in ("time", "n.risk", "cumhaz", "std.chaz")}
        ),
        on="time",
    )
    assert joined.height == table.height
    assert_allclose(joined["at_risk"], joined["n.risk"], rtol=EXACT)
    assert_allclose(joined["estimate"], joined["cumhaz"], rtol=EXACT)
    assert_allclose(joined["std_err"], joined["std.chaz"], rtol=EXACT, atol=1e-14)


# R survival: survfit(Surv(start, stop, event) ~ 1, id = id), with gaps and late entry.


def test_mean_cumulative_function_of_r():
    check_curve("plain", stats.mean_cumulative_function(*parts(ROWS)).table)


def test_weighted_estimate_of_r():
    table = stats.mean_cumulative_function(*parts(ROWS), weight=ROWS["weight"]).table
    at = np.searchsorted(R["weighted.time"], table["time"])
    assert_allclose(table["estimate"], R["weighted.cumhaz"][at], rtol=EXACT)


def test_whole_weights_are_repeated_units_of_r():
    check_curve("copies", stats.mean_cumulative_function(*parts(ROWS), weight=ROWS["copies"]).table)


def test_difference_of_two_groups_of_r():
    # R gives each group; the difference and its variance are theirs (Nelson 2003, chapter 5).
    a, b = (
        stats.mean_cumulative_function(*parts(ROWS.filter(pl.col("group") == k))) for k in (0, 1)
    )
    table = stats.compare_mean_cumulative(a, b).table

    def stepped(name, part):
        at = np.searchsorted(R[f"{name}.time"], table["time"], side="right")
        return np.concatenate([[0.0], R[f"{name}.{part}"]])[at]

    assert table["time"][-1] == min(R["group0.time"][-1], R["group1.time"][-1])
    expected = stepped("group0", "cumhaz") - stepped("group1", "cumhaz")
    error = np.hypot(stepped("group0", "std.chaz"), stepped("group1", "std.chaz"))
    assert_allclose(table["difference"], expected, rtol=1e-9, atol=1e-12)
    assert_allclose(table["std_err"], error, rtol=1e-9, atol=1e-12)
    assert_allclose(table["upper"], expected + 1.959963984540054 * error, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(("name", "groups"), [("score.three", 3), ("score.two", 2)])
def test_robust_score_test_of_r(name, groups):
    # coxph(... + cluster(id), ties = "breslow"), summary()$robscore: statistic, df, p.
    rows = ROWS.filter(pl.col("group") < groups)
    test = stats.mean_cumulative_test(*parts(rows), rows["group"])
    assert_allclose([test.statistic, test.df, test.p_value], R[name], rtol=1e-9)


def r_is_here():
    if shutil.which("Rscript") is None:
        return False
    call = ["Rscript", "-e", "stopifnot(packageVersion('survival') >= '3.5.3')"]
    return subprocess.run(call, capture_output=True, check=False).returncode == 0


@pytest.mark.skipif(not r_is_here(), reason="R with survival 3.5.3 or later is not installed")
def test_the_recorded_recurrence_figures_are_what_r_prints(tmp_path):
    printed = subprocess.run(
        ["Rscript", str(HERE / "reference_recurrence.R"), str(DATA)],
        capture_output=True,
        check=True,
        text=True,
    ).stdout
    (tmp_path / "figures.csv").write_text(printed)
    live = read_figures(tmp_path / "figures.csv")
    assert live.keys() == R.keys()
    for name, values in R.items():
        assert_allclose(live[name], values, rtol=1e-6, atol=1e-12, err_msg=name)
