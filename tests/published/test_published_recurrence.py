"""Mean cumulative functions, power-law processes and trend tests against published figures."""

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose
from r_reference import DATA, read_figures

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


# NIST/SEMATECH e-Handbook of Statistical Methods, sections 8.2.3.4 (trend tests) and 8.4.5 (power
# law): one system, 10 repairs in a test of 1,500 hours. The repairs and the figures of the power
# law are those of the handbook's R script for 8.4.5; the figures of the trend test are from memory.
NIST_HOURS = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
NIST = ([1] * 10, NIST_HOURS, ([1], [0], [1500]))


def test_power_law_of_the_nist_handbook():
    fit = stats.fit_power_law(*NIST)
    # bHat, aHat and MTBF: the handbook corrects the shape for bias.
    assert fit.shape_unbiased == pytest.approx(0.483506, abs=5e-7)
    assert 10 / 1500**fit.shape_unbiased == pytest.approx(0.2913003, abs=5e-8)
    assert 1500 / (10 * fit.shape_unbiased) == pytest.approx(310.234, abs=5e-4)


def test_trend_of_the_nist_handbook():
    # From memory: chi-squared 37.23 with 20 degrees of freedom, an improvement significant at
    # 98.9 % (one-sided, so p is twice the remainder).
    test = stats.military_handbook_trend(*NIST)
    assert test.statistic == pytest.approx(37.23, abs=5e-3)
    assert test.df == 20
    assert 1 - test.p_value / 2 == pytest.approx(0.989, abs=5e-4)
    assert test.direction == "falling"


@pytest.mark.parametrize("seed", range(3))
def test_laplace_test_of_reliability(seed):
    # Package reliability, ROCOF: its U is the standardised mean time of failure.
    from reliability.Repairable_systems import ROCOF

    rng = np.random.default_rng(seed)
    between = rng.weibull(1.3, 12) * 100
    ages = np.cumsum(between)
    end = float(ages[-1]) + 30
    theirs = ROCOF(
        times_between_failures=between, test_end=end, print_results=False, show_plot=False
    )
    ours = stats.laplace_trend([1] * 12, ages, ([1], [0], [end]))
    assert ours.statistic == pytest.approx(theirs.U**2, rel=1e-9)
    assert ours.direction == ("rising" if theirs.U > 0 else "falling")


# Crow 1974 (AMSAA technical report 138), also MIL-HDBK-189: three simulated systems watched to
# 200 hours; data and estimates from memory, which agree with each other.
CROW_SYSTEMS = (
    [4.3, 4.4, 10.2, 23.5, 23.8, 26.4, 74.0, 77.1, 92.1, 197.2],
    [0.1, 5.6, 18.6, 19.5, 24.2, 26.7, 45.1, 45.8, 75.7, 79.7, 98.6, 120.1, 161.8, 180.6, 190.8],
    [8.4, 32.5, 44.7, 48.4, 50.6, 73.6, 98.7, 112.2, 129.8, 136.0, 195.8],
)


def test_power_law_of_three_systems_of_crow():
    unit = np.repeat([1, 2, 3], [len(ages) for ages in CROW_SYSTEMS])
    windows = ([1, 2, 3], [0, 0, 0], [200, 200, 200])
    fit = stats.fit_power_law(unit, np.concatenate(CROW_SYSTEMS), windows)
    assert fit.shape == pytest.approx(0.615, abs=5e-4)
    assert fit.scale**-fit.shape == pytest.approx(0.461, abs=5e-4)
    assert fit.exact


# MIL-HDBK-189 (1981), appendix C: 27 failures in a test of 300 hours. The times and the fourth and
# further digits of the figures are from a public copy of the appendix.
APPENDIX_C = [
    2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9, 95.5, 98.1, 101.1,
    132.0, 142.2, 147.7, 149.0, 167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1,
]  # fmt: skip


def test_power_law_of_the_military_handbook():
    fit = stats.fit_power_law([1] * 27, APPENDIX_C, ([1], [0], [300]))
    assert fit.shape == pytest.approx(0.7163392624, rel=1e-8)
    assert fit.scale**-fit.shape == pytest.approx(0.4538418614, rel=1e-8)
    assert fit.intensity(300) == pytest.approx(0.0644705336, rel=1e-8)
    current = fit.mtbf(level=0.9)
    assert current.estimate == pytest.approx(15.5109620, rel=1e-8)
    assert fit.goodness_of_fit(draws=1).statistic == pytest.approx(0.0910611, abs=5e-8)
    # Crow 1977 (AMSAA technical report 197), time truncation: factors of the 90 % limits for 27
    # failures, as a public copy has them.
    assert current.lower / current.estimate == pytest.approx(0.6361467, abs=5e-8)
    assert current.upper / current.estimate == pytest.approx(1.6817864, abs=5e-8)


def test_limits_of_crow_for_23_failures():
    # Crow 1977, time truncation, 80 %, as a public copy has them.
    ages = [
        0.2, 4.2, 4.5, 5.0, 5.4, 6.1, 7.9, 14.8, 19.2, 48.6, 85.8, 108.9, 127.2, 129.8, 150.1,
        159.7, 227.4, 244.7, 262.7, 315.3, 329.6, 404.3, 486.2,
    ]  # fmt: skip
    current = stats.fit_power_law([1] * 23, ages, ([1], [0], [500])).mtbf(level=0.8)
    assert current.lower / current.estimate == pytest.approx(0.6762, abs=5e-5)
    assert current.upper / current.estimate == pytest.approx(1.5744, abs=5e-5)


# MIL-HDBK-189, tables of factors of the 80 % limits of the mean time between failures, from memory.
@pytest.mark.parametrize(
    ("truncation", "number", "lower", "upper"),
    [
        ("failure", 3, 0.6840, 8.927),
        ("failure", 4, 0.6601, 5.328),
        ("failure", 5, 0.6568, 4.000),
        ("time", 3, 0.333, 6.326),
        ("time", 4, 0.385, 4.243),
        ("time", 5, 0.426, 3.386),
    ],
)
def test_factors_of_the_military_handbook(truncation, number, lower, upper):
    ages = np.arange(1.0, number + 1)
    rows = ([1] * number, ages, ([1], [0], [ages[-1]]))
    current = stats.fit_power_law(*rows, truncation=truncation).mtbf(level=0.8)
    digits = 5e-5 if truncation == "failure" else 5e-4
    assert current.lower / current.estimate == pytest.approx(lower, abs=digits + 1e-9)
    assert current.upper / current.estimate == pytest.approx(upper, abs=5e-4)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("number", "tenth", "twentieth"), [(5, 0.160, 0.199), (10, 0.167, 0.212), (30, 0.172, 0.218)]
)
def test_critical_values_of_the_distance_of_crow(number, tenth, twentieth):
    # Crow 1974, table of critical values (also MIL-HDBK-189), 10 % and 5 %, from memory.
    rng = np.random.default_rng(number)
    distances = [
        stats.fit_power_law([1] * number, rng.random(number), ([1], [0], [1]))
        .goodness_of_fit(draws=1)
        .statistic
        for _ in range(6000)
    ]
    # Standard error of these shares: 0.004 and 0.003; the table has three digits.
    assert np.mean(np.array(distances) > tenth) == pytest.approx(0.10, abs=0.015)
    assert np.mean(np.array(distances) > twentieth) == pytest.approx(0.05, abs=0.011)
