"""The same lives given to reference libraries and to us, in one run.

Data: `automotive` and `mileage` come with the library reliability (Krivtsov and Case 1999, SAE
1999-01-3220; Modarres, Kaminskiy and Krivtsov, example 2.31), `genfan` and `channing` with R's
packages (Nelson 1982; Klein and Moeschberger 2003).
"""

import lifelines
import numpy as np
import polars as pl
import pytest
import surpyval
from numpy.testing import assert_allclose
from r_reference import channing, lives_of, survival_data
from reliability.Datasets import MCF_1, automotive, mileage
from reliability.Fitters import Fit_Weibull_2P
from reliability.Repairable_systems import MCF_nonparametric

from fleetlog import stats


def residents():
    """Retirement centre, without the four who entered and left at one age; ages in years."""
    rows = channing().filter(pl.col("ageentry") < pl.col("age"))
    return {
        "exit": rows["age"].to_numpy() / 12,
        "event": (rows["death"] == 1).to_numpy(),
        "entry": rows["ageentry"].to_numpy() / 12,
    }


def fans():
    rows = survival_data("genfan")
    return {"exit": rows["hours"].to_numpy(), "event": (rows["status"] == 1).to_numpy()}


def car_parts():
    return lives_of(automotive())


def tyres():
    ages = np.array(mileage().failures)
    return {"exit": ages, "event": np.ones(ages.size, dtype=bool)}


DATA = [fans, car_parts, tyres, residents]


def theirs(lives):
    return {"durations": lives["exit"], "event_observed": lives["event"]} | (
        {"entry": lives["entry"]} if "entry" in lives else {}
    )


@pytest.mark.parametrize("data", DATA)
def test_survival_and_limits_of_lifelines(data):
    lives = data()
    fitter = lifelines.KaplanMeierFitter().fit(**theirs(lives))
    table = stats.kaplan_meier(**lives).table
    peer = fitter.survival_function_.iloc[:, 0]
    assert_allclose(table["estimate"], peer.asof(table["time"].to_numpy()), rtol=1e-8, atol=1e-12)
    inside = table.filter(pl.col("lower").is_not_null())
    limits = fitter.confidence_interval_
    assert inside.height > 5
    at = limits.index.get_indexer(inside["time"].to_numpy(), method="nearest")
    assert_allclose(inside["lower"], limits.iloc[at, 0], rtol=1e-8)
    assert_allclose(inside["upper"], limits.iloc[at, 1], rtol=1e-8)


@pytest.mark.parametrize("data", [fans, car_parts, residents])
def test_hazard_of_lifelines(data):
    # Where lives are tied, lifelines spreads the failures out unless told not to.
    lives = data()
    fitter = lifelines.NelsonAalenFitter(nelson_aalen_smoothing=False).fit(**theirs(lives))
    table = stats.nelson_aalen(**lives).table
    peer = fitter.cumulative_hazard_.iloc[:, 0]
    assert_allclose(table["estimate"], peer.asof(table["time"].to_numpy()), rtol=1e-8, atol=1e-12)


@pytest.mark.parametrize("data", DATA)
def test_weibull_of_lifelines(data):
    # lifelines stops its search early, so only some digits agree; ours has the larger likelihood.
    lives = data()
    fitter = lifelines.WeibullFitter().fit(**theirs(lives))
    fit = stats.fit_life(**lives)
    assert fit.parameters["shape"] == pytest.approx(fitter.rho_, rel=1e-4)
    assert fit.parameters["scale"] == pytest.approx(fitter.lambda_, rel=1e-4)
    assert fit.log_likelihood >= fitter.log_likelihood_ - 1e-9 * abs(fit.log_likelihood)
    assert fit.log_likelihood == pytest.approx(fitter.log_likelihood_, rel=1e-6)


@pytest.mark.parametrize("data", DATA)
def test_weibull_of_surpyval(data):
    lives = data()
    options = {"tl": lives["entry"]} if "entry" in lives else {}
    model = surpyval.Weibull.fit(x=lives["exit"], c=(~lives["event"]).astype(int), **options)
    scale, shape = model.params
    fit = stats.fit_life(**lives)
    assert fit.parameters["shape"] == pytest.approx(shape, rel=1e-4)
    assert fit.parameters["scale"] == pytest.approx(scale, rel=1e-4)
    assert fit.log_likelihood >= -model.neg_ll() - 1e-9 * abs(fit.log_likelihood)


@pytest.mark.parametrize("data", [fans, car_parts, tyres])
def test_weibull_of_reliability(data):
    lives = data()
    given = {
        "failures": lives["exit"][lives["event"]],
        "right_censored": lives["exit"][~lives["event"]] if not lives["event"].all() else None,
        "show_probability_plot": False,
        "print_results": False,
    }
    theirs = Fit_Weibull_2P(**given)
    fit = stats.fit_life(**lives)
    assert fit.parameters["shape"] == pytest.approx(theirs.beta, rel=1e-4)
    assert fit.parameters["scale"] == pytest.approx(theirs.alpha, rel=1e-4)
    assert fit.std_err["shape"] == pytest.approx(theirs.beta_SE, rel=1e-3)
    assert fit.std_err["scale"] == pytest.approx(theirs.alpha_SE, rel=1e-3)
    assert fit.parameter_interval("shape", method="wald") == pytest.approx(
        (theirs.beta_lower, theirs.beta_upper), rel=1e-3
    )
    assert fit.log_likelihood == pytest.approx(theirs.loglik, rel=1e-8)
    assert fit.aicc == pytest.approx(theirs.AICc, rel=1e-8)


def test_mean_cumulative_function_of_reliability():
    # Its variance leaves out the covariance within a system, so only the means are compared.
    systems = MCF_1().times
    unit = np.concatenate([[k] * (len(ages) - 1) for k, ages in enumerate(systems)])
    time = np.concatenate([ages[:-1] for ages in systems])
    end = np.array([ages[-1] for ages in systems])
    curve = stats.mean_cumulative_function(unit, time, (np.arange(end.size), 0 * end, end))
    peer = MCF_nonparametric(data=systems, print_results=False, show_plot=False)
    assert len(peer.time) > 5
    last = (
        pl.DataFrame(
            {"time": np.array(peer.time, dtype=float), "mean": np.array(peer.MCF, dtype=float)}
        )
        .group_by("time")
        .max()
    )
    assert_allclose(curve.at(last["time"]), last["mean"], rtol=1e-9)
