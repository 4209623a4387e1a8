"""Curves, fits and tests against R's package survival, recorded in data/r_survival.csv.

The R call behind each figure is in reference.R. Both sides compute the same formulas exactly, so
the tolerance is 1e-9 but for iterated fits.
"""

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose
from r_reference import DATA, channing, read_figures, survival_data

from fleetlog import stats

R = read_figures(DATA / "r_survival.csv")
EXACT = 1e-9


def lives():
    return pl.read_csv(DATA / "clustered_lives.csv")


def check_curve(name, survival, hazard):
    table = survival.table
    assert_allclose(table["time"], R[f"{name}.time"], rtol=1e-12)
    assert_allclose(table["at_risk"], R[f"{name}.n.risk"], rtol=EXACT)
    assert_allclose(table["events"], R[f"{name}.n.event"], rtol=EXACT)
    assert_allclose(table["estimate"], R[f"{name}.surv"], rtol=EXACT, atol=1e-15)
    inside = (R[f"{name}.surv"] > 0) & (R[f"{name}.surv"] < 1)
    assert inside.sum() > 5
    for ours, theirs in (("std_err", "std.err"), ("lower", "lower"), ("upper", "upper")):
        assert_allclose(
            table[ours].to_numpy()[inside], R[f"{name}.{theirs}"][inside], rtol=EXACT, err_msg=ours
        )
    assert table["lower"].is_null().to_numpy().tolist() == (~inside).tolist()
    assert_allclose(hazard.table["estimate"], R[f"{name}.cumhaz"], rtol=EXACT, atol=1e-15)
    assert_allclose(hazard.table["std_err"], R[f"{name}.std.chaz"], rtol=EXACT, atol=1e-15)


def both(ages, event, **options):
    return stats.kaplan_meier(ages, event, **options), stats.nelson_aalen(ages, event, **options)


def test_fan_failures():
    # Nelson 1982, diesel generator fans.
    fans = survival_data("genfan")
    check_curve("genfan", *both(fans["hours"], fans["status"] == 1))


@pytest.mark.parametrize("name", ["channing", "channing_from_780"])
def test_late_entry_of_the_retirement_centre(name):
    # Klein and Moeschberger 2003, section 4.6. Four residents entered and left at one age.
    rows = channing()
    kept = rows.filter(pl.col("ageentry") < pl.col("age"))
    assert rows.height - kept.height == 4
    from_age = 780 if name.endswith("780") else None
    curves = both(kept["age"], kept["death"] == 1, entry=kept["ageentry"], from_age=from_age)
    check_curve(name, *curves)
    if from_age:
        left_out = int((kept["age"] <= 780).sum())
        assert left_out > 0
        assert curves[0].dropped == {"ended_by_from_age": left_out}


def test_the_retirement_centre_has_a_thin_start():
    # R prints 0 survival from the first ages on, where one or two were at risk.
    kept = channing().filter(pl.col("ageentry") < pl.col("age"))
    curve = stats.kaplan_meier(kept["age"], kept["death"] == 1, entry=kept["ageentry"])
    thin = curve.thin_start
    assert thin is not None
    early = kept.filter((pl.col("death") == 1) & (pl.col("age") <= thin.from_age))
    assert thin.failures == early.height
    again = stats.kaplan_meier(
        kept["age"], kept["death"] == 1, entry=kept["ageentry"], from_age=thin.from_age
    )
    assert again.thin_start is None
    assert again.table["at_risk"][0] >= thin.enough


def test_clusters_group_the_jackknife():
    one = lives()
    given = {"ages": one["exit"], "event": one["cause"] > 0, "entry": one["entry"]}
    check_curve("clustered.plain", *both(**given))
    check_curve("clustered.robust", *both(**given, cluster=one["cluster"]))
    check_curve("clustered.weighted", *both(**given, cluster=one["cluster"], weight=one["weight"]))


@pytest.mark.parametrize("name", ["plain", "weighted"])
def test_clustered_cumulative_incidence(name):
    one = lives()
    curves = stats.cumulative_incidence(
        one["exit"],
        one["cause"],
        entry=one["entry"],
        cluster=one["cluster"],
        weight=one["weight"] if name == "weighted" else None,
    )
    check_incidence(f"incidence.{name}", curves)


def check_incidence(name, curves):
    for cause in (1, 2):
        table = curves.table.filter(pl.col("cause") == cause)
        # R adds rows for entries; its steps are compared at our times.
        at = np.searchsorted(R[f"{name}.time"], table["time"].to_numpy())
        assert_allclose(table["time"], R[f"{name}.time"][at], rtol=1e-12)
        assert_allclose(table["estimate"], R[f"{name}.pstate{cause}"][at], rtol=EXACT, atol=1e-14)
        assert_allclose(table["std_err"], R[f"{name}.std.err{cause}"][at], rtol=EXACT, atol=1e-14)


def test_shock_absorbers_by_failure_mode():
    # Meeker and Escobar 1998, p. 630. R takes every life as its own cluster here.
    table = pl.read_csv(DATA / "shock_absorbers.csv")
    cause = table["failure_mode"].replace_strict(
        {"censored": 0, "mode_1": 1, "mode_2": 2}, return_dtype=pl.Int64
    )
    curves = stats.cumulative_incidence(table["distance"], cause, cluster=np.arange(table.height))
    check_incidence("shock", curves)
    # The two modes and survival share out all lives.
    survival = stats.kaplan_meier(table["distance"], cause > 0).table["estimate"].to_numpy()
    total = sum(curves.table.filter(pl.col("cause") == k)["estimate"].to_numpy() for k in (1, 2))
    assert_allclose(total + survival, 1, rtol=1e-12)


def test_valve_seats():
    # Nelson 1995: valve seat replacements in 41 diesel engines. As in reference.R, the first of
    # two replacements on one day is put 0.1 day earlier.
    rows = survival_data("valveSeat").sort("id", "time")
    tied = (rows["time"] == rows["time"].shift(-1)) & (rows["id"] == rows["id"].shift(-1))
    rows = rows.with_columns(
        pl.when(tied).then(pl.col("time") - 0.1).otherwise(pl.col("time").cast(float)).alias("time")
    )
    ends = rows.group_by("id", maintain_order=True).agg(pl.col("time").max())
    happened = rows.filter(pl.col("status") == 1)
    mean = stats.mean_cumulative_function(
        happened["id"], happened["time"], (ends["id"], np.zeros(ends.height), ends["time"])
    )
    assert (mean.units, mean.events) == (41, 48)
    at = np.searchsorted(R["valves.time"], mean.table["time"].to_numpy() - 1e-9)
    assert_allclose(mean.table["estimate"], R["valves.cumhaz"][at], rtol=EXACT)
    assert_allclose(mean.table["std_err"], R["valves.std.chaz"][at], rtol=EXACT)
    assert_allclose(mean.table["at_risk"], R["valves.n.risk"][at], rtol=EXACT)


def check_weibull(name, fit):
    shape, scale, log_likelihood, v_scale, v_mixed, _, v_shape = R[name]
    assert fit.parameters["shape"] == pytest.approx(shape, rel=1e-8)
    assert fit.parameters["scale"] == pytest.approx(scale, rel=1e-8)
    assert fit.log_likelihood == pytest.approx(log_likelihood, rel=1e-11)
    # R works in log scale and log(1 / shape); ours are the parameters themselves.
    values = np.array([shape, scale])
    theirs = np.array([[v_shape, -v_mixed], [-v_mixed, v_scale]]) * np.outer(values, values)
    # R's covariance comes from its second last iteration.
    assert_allclose(fit.covariance, theirs, rtol=1e-6)


def test_weibull_of_fan_failures():
    fans = survival_data("genfan")
    check_weibull("genfan.weibull", stats.fit_life(fans["hours"], fans["status"] == 1))


@pytest.mark.parametrize(
    ("name", "modes"), [(0, ["mode_1", "mode_2"]), (1, ["mode_1"]), (2, ["mode_2"])]
)
def test_weibull_of_shock_absorbers(name, modes):
    table = pl.read_csv(DATA / "shock_absorbers.csv")
    failed = table["failure_mode"].is_in(modes)
    check_weibull(f"shock.weibull{name}", stats.fit_life(table["distance"], failed))


def test_shock_absorber_figures_of_the_book():
    # Meeker and Escobar 1998, example 8.1 and table 8.1, both modes together: location 10.23 and
    # spread 0.3164 of the log. Quoted from memory.
    table = pl.read_csv(DATA / "shock_absorbers.csv")
    fit = stats.fit_life(table["distance"], table["status"] == 1)
    assert np.log(fit.parameters["scale"]) == pytest.approx(10.23, abs=5e-3)
    assert 1 / fit.parameters["shape"] == pytest.approx(0.3164, abs=5e-5)


def test_exponential_of_shock_absorbers():
    table = pl.read_csv(DATA / "shock_absorbers.csv")
    fit = stats.fit_life(table["distance"], table["status"] == 1, model="exponential")
    mean, log_likelihood, variance = R["shock.exponential"]
    assert fit.parameters["mean"] == pytest.approx(mean, rel=1e-10)
    assert fit.log_likelihood == pytest.approx(log_likelihood, rel=1e-11)
    assert fit.std_err["mean"] == pytest.approx(mean * np.sqrt(variance), rel=1e-8)


def test_weibull_of_turbine_wheels_seen_once():
    # Nelson 1982: cracked or not at the only inspection, so every failure is an interval from 0.
    wheels = survival_data("turbine")
    good = wheels["inspected"] - wheels["failed"]
    hours = np.concatenate([wheels["hours"], wheels["hours"]]).astype(float)
    number = np.concatenate([wheels["failed"], good])
    failed = np.repeat([True, False], wheels.height)
    kept = number > 0
    fit = stats.fit_life(
        hours[kept],
        failed[kept],
        weight=number[kept],
        lower=np.where(failed, 0.0, np.nan)[kept],
    )
    check_weibull("turbine.weibull", fit)
    assert fit.n == wheels["inspected"].sum()


def test_weibull_covariance_of_clusters():
    one = lives()
    fit = stats.fit_life(
        one["exit"], one["cause"] > 0, weight=one["weight"], cluster=one["cluster"]
    )
    check_weibull("clustered.weibull", fit)
    assert fit.clusters == one["cluster"].n_unique()


def test_log_rank():
    one = lives()
    failed = one["cause"] > 0
    plain = stats.log_rank(one["exit"], failed, one["group"])
    assert plain.statistic == pytest.approx(R["log_rank.groups"][0], rel=EXACT)
    assert plain.df == 2
    strata = stats.log_rank(one["exit"], failed, one["group"], strata=one["stratum"])
    assert strata.statistic == pytest.approx(R["log_rank.strata"][0], rel=EXACT)


def test_log_rank_with_late_entry():
    one = lives()
    one = one.unique("exit", keep="first", maintain_order=True).filter(
        ~pl.col("exit").is_in(one["entry"].implode())
    )
    failed = one["cause"] > 0
    given = {"entry": one["entry"]}
    late = stats.log_rank(one["exit"], failed, one["group"], **given)
    assert late.statistic == pytest.approx(R["log_rank.late"][0], rel=EXACT)
    trend = stats.log_rank(one["exit"], failed, one["group"], trend=True, **given)
    assert trend.statistic == pytest.approx(R["log_rank.trend"][0], rel=EXACT)
    assert trend.df == 1
    strata = stats.log_rank(one["exit"], failed, one["group"], strata=one["stratum"], **given)
    assert strata.statistic == pytest.approx(R["log_rank.late_strata"][0], rel=EXACT)
