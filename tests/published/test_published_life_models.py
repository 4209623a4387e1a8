"""Life models against R's package survival and against other reference libraries.

Data: diesel generator fans, `genfan`, and turbine wheels, `turbine` (both Nelson 1982), and vehicle
shock absorbers (Meeker and Escobar 1998, p. 630). R's figures are what `reference_life_models.R`
printed.
Where a library's search stops early the tolerance is wide, and ours must have the larger likelihood.
"""

import lifelines
import numpy as np
import polars as pl
import pytest
import surpyval
from numpy.testing import assert_allclose
from r_reference import DATA, channing, lives_of, read_figures, survival_data
from reliability.Datasets import automotive, mixture
from reliability.Fitters import Fit_Gamma_2P, Fit_Weibull_3P, Fit_Weibull_Mixture

from fleetlog import stats
from fleetlog.errors import NoInteriorMaximum

R = read_figures(DATA / "r_life_models.csv")
SHOCKS = pl.read_csv(DATA / "shock_absorbers.csv")


def fans():
    rows = survival_data("genfan")
    return {"exit": rows["hours"].to_numpy(), "event": (rows["status"] == 1).to_numpy()}


def wheels():
    """Cracked or not at the only inspection, so every failure is an interval from 0."""
    rows = survival_data("turbine")
    hours = np.tile(rows["hours"].to_numpy().astype(float), 2)
    number = np.concatenate([rows["failed"], rows["inspected"] - rows["failed"]])
    failed = np.repeat([True, False], rows.height)
    kept = number > 0
    return {
        "exit": hours[kept], "event": failed[kept], "weight": number[kept],
        "lower": np.where(failed, 0.0, np.nan)[kept],
    }  # fmt: skip


def shocks():
    return {
        "exit": SHOCKS["distance"].to_numpy(),
        "event": (SHOCKS["status"] == 1).to_numpy(),
    }


def inspected():
    """The shock absorbers as if they were looked at each 2,000 km."""
    lives = shocks()
    low = 2000.0 * np.floor(lives["exit"] / 2000)
    return {
        "exit": np.where(lives["event"], low + 2000, lives["exit"]),
        "event": lives["event"],
        "lower": np.where(lives["event"], low, np.nan),
    }


def in_r_terms(model, fit):
    """Intercept, scale, and the slopes of ours by R's intercept and log scale."""
    ours = fit.parameters
    if model == "lognormal":
        return ours["mu"], ours["sigma"], np.diag([1.0, ours["sigma"]])
    if model == "exponential":
        return np.log(ours["mean"]), 1.0, np.array([[ours["mean"]]])
    slopes = np.array([[0.0, -ours["shape"]], [ours["scale"], 0.0]])
    return np.log(ours["scale"]), 1 / ours["shape"], slopes


@pytest.mark.parametrize("model", ["weibull", "exponential", "lognormal", "loglogistic"])
@pytest.mark.parametrize("data", [fans, wheels, shocks, inspected])
def test_life_models_of_r(data, model):
    intercept, scale, log_likelihood, *covariance = R[f"{data.__name__}.{model}"]
    fit = stats.fit_life(**data(), model=model)
    ours = in_r_terms(model, fit)
    assert ours[0] == pytest.approx(intercept, rel=1e-8)
    assert ours[1] == pytest.approx(scale, rel=1e-7)
    assert fit.log_likelihood == pytest.approx(log_likelihood, rel=1e-11)
    size = len(fit.parameters)
    theirs = ours[2] @ np.reshape(covariance, (size, size)) @ ours[2].T
    assert_allclose(fit.covariance, theirs, rtol=1e-6)


def test_worked_weibull_example_of_the_handbook():
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.1.2: 20 units tested for 500
    # hours, 10 failures. Ages and estimates (1.7208 and 606.5280) are quoted from memory.
    failed = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
    fit = stats.fit_life(failed + [500] * 10, [True] * 10 + [False] * 10)
    assert fit.parameters["shape"] == pytest.approx(1.7208, abs=5e-5)
    assert fit.parameters["scale"] == pytest.approx(606.5280, abs=5e-4)


def residents():
    """Retirement centre, `channing` (Klein and Moeschberger 2003): ages in years, late entry.

    Four who entered and left at one age are left out.
    """
    rows = channing().filter(pl.col("ageentry") < pl.col("age"))
    return {
        "exit": rows["age"].to_numpy() / 12,
        "event": (rows["death"] == 1).to_numpy(),
        "entry": rows["ageentry"].to_numpy() / 12,
    }


def test_lognormal_of_lifelines_with_late_entry():
    # Its loglogistic search ends at a scale of 1e-9 on these lives; see the next test for that.
    lives = residents()
    theirs = lifelines.LogNormalFitter().fit(lives["exit"], lives["event"], entry=lives["entry"])
    fit = stats.fit_life(**lives, model="lognormal")
    assert fit.parameters["mu"] == pytest.approx(theirs.mu_, rel=1e-4)
    assert fit.parameters["sigma"] == pytest.approx(theirs.sigma_, rel=1e-4)
    assert fit.log_likelihood == pytest.approx(theirs.log_likelihood_, rel=1e-8)
    assert fit.log_likelihood >= theirs.log_likelihood_ - 1e-9 * abs(fit.log_likelihood)


@pytest.mark.parametrize(
    ("model", "peer", "names"),
    [
        ("lognormal", surpyval.LogNormal, ("mu", "sigma")),
        ("loglogistic", surpyval.LogLogistic, ("scale", "shape")),
    ],
)
def test_late_entry_of_surpyval(model, peer, names):
    lives = residents()
    theirs = peer.fit(x=lives["exit"], c=(~lives["event"]).astype(int), tl=lives["entry"])
    fit = stats.fit_life(**lives, model=model)
    assert [fit.parameters[name] for name in names] == pytest.approx(list(theirs.params), rel=1e-6)
    assert fit.log_likelihood == pytest.approx(-theirs.neg_ll(), rel=1e-11)


def test_order_of_the_fan_models():
    # The fans' hazard seems to fall or be level: Meeker and Escobar 1998 use them for that. The
    # figures are R's log-likelihoods put into Akaike's formula.
    found = stats.compare_life_models(**fans(), models=["weibull", "exponential", "lognormal"])
    n = fans()["exit"].size
    for model, k in (("weibull", 2), ("exponential", 1), ("lognormal", 2)):
        value = R[f"fans.{model}"][2]
        expected = 2 * k - 2 * value + 2 * k * (k + 1) / (n - k - 1)
        row = found.table.filter(pl.col("model") == model)
        assert row["aicc"].item() == pytest.approx(expected, rel=1e-10)
    assert found.best is None  # 12 failures
    assert found.thin.startswith("12 failures")


def car_parts():
    """`automotive` of the library reliability (Krivtsov and Case 1999, SAE 1999-01-3220)."""
    return lives_of(automotive())


def two_kinds():
    """`mixture` of the library reliability, as it describes it: a mixture of two Weibulls."""
    return lives_of(mixture())


def apart(lives):
    good = lives["exit"][~lives["event"]]
    return {
        "failures": lives["exit"][lives["event"]].astype(float),
        "right_censored": good.astype(float) if good.size else None,
        "show_probability_plot": False,
        "print_results": False,
    }


@pytest.mark.parametrize("data", [fans, shocks, car_parts])
def test_gamma_of_reliability(data):
    # Its search stops early, so some digits agree; ours has the larger likelihood.
    lives = data()
    theirs = Fit_Gamma_2P(**apart(lives))
    fit = stats.fit_life(**lives, model="gamma")
    assert fit.parameters["shape"] == pytest.approx(theirs.beta, rel=1e-3)
    assert fit.parameters["scale"] == pytest.approx(theirs.alpha, rel=1e-3)
    assert fit.log_likelihood == pytest.approx(theirs.loglik, rel=1e-7)
    assert fit.log_likelihood >= theirs.loglik - 1e-9 * abs(fit.log_likelihood)
    assert fit.std_err["shape"] == pytest.approx(theirs.beta_SE, rel=1e-2)
    at_theirs = stats.Gamma(theirs.beta, theirs.alpha)
    exact = np.log(at_theirs.hazard(lives["exit"])[lives["event"]]).sum()
    exact -= at_theirs.cumulative_hazard(lives["exit"]).sum()
    assert exact == pytest.approx(theirs.loglik, rel=1e-10)


def test_gamma_of_surpyval_with_late_entry():
    lives = shocks()
    entry = np.where(np.arange(lives["exit"].size) % 3 == 0, 4000.0, 0.0)
    model = surpyval.Gamma.fit(x=lives["exit"], c=(~lives["event"]).astype(int), tl=entry)
    fit = stats.fit_life(**lives, entry=entry, model="gamma")
    shape, rate = model.params
    assert fit.parameters["shape"] == pytest.approx(shape, rel=1e-3)
    assert fit.parameters["scale"] == pytest.approx(1 / rate, rel=1e-3)
    assert fit.log_likelihood >= -model.neg_ll() - 1e-9 * abs(fit.log_likelihood)
    assert fit.log_likelihood == pytest.approx(-model.neg_ll(), rel=1e-7)


def test_threshold_of_reliability():
    # Three-parameter Weibull; its search stops early, so ours has the larger likelihood.
    lives = shocks()
    theirs = Fit_Weibull_3P(**apart(lives))
    fit = stats.fit_life(**lives, model="weibull-threshold")
    assert fit.log_likelihood >= theirs.loglik - 1e-9 * abs(fit.log_likelihood)
    assert fit.log_likelihood == pytest.approx(theirs.loglik, rel=1e-5)
    assert fit.parameters["threshold"] == pytest.approx(theirs.gamma, rel=2e-2)
    assert fit.parameters["shape"] == pytest.approx(theirs.beta, rel=2e-2)


def made_kinds(size=200, seed=2):
    """Made for this test: three in ten fail early, the others wear out."""
    rng = np.random.default_rng(seed)
    early = rng.random(size) < 0.3
    life = np.where(early, 20 * rng.weibull(1.2, size), 150 * rng.weibull(4, size))
    return early, life, rng.uniform(50, 300, size)


def test_mixture_of_reliability_on_made_lives():
    _, life, seen = made_kinds()
    lives = {"exit": np.minimum(life, seen), "event": life <= seen}
    theirs = Fit_Weibull_Mixture(**apart(lives))
    fit = stats.fit_life(**lives, model="weibull-mixture")
    assert fit.log_likelihood == pytest.approx(theirs.loglik, rel=1e-11)
    expected = (theirs.proportion_1, theirs.beta_1, theirs.alpha_1, theirs.beta_2, theirs.alpha_2)
    assert list(fit.parameters.values()) == pytest.approx(expected, rel=1e-6)


def test_mixture_of_reliability_on_its_own_data():
    # 71 failures in 3391: its search ends in one kind with a share of 0.9999, ours does not.
    lives = two_kinds()
    theirs = Fit_Weibull_Mixture(**apart(lives))
    at_theirs = stats.WeibullMixture(
        theirs.proportion_1, theirs.beta_1, theirs.alpha_1, theirs.beta_2, theirs.alpha_2
    )
    value = np.log(at_theirs.hazard(lives["exit"])[lives["event"]]).sum()
    value -= at_theirs.cumulative_hazard(lives["exit"]).sum()
    assert value == pytest.approx(theirs.loglik, rel=1e-9)
    fit = stats.fit_life(**lives, model="weibull-mixture")
    assert fit.log_likelihood > theirs.loglik + 1


def test_susceptible_share_of_surpyval():
    early, life, seen = made_kinds()
    lives = {
        "exit": np.where(early, np.minimum(life, seen), seen),
        "event": early & (life <= seen),
    }
    theirs = surpyval.Weibull.fit(x=lives["exit"], c=(~lives["event"]).astype(int), lfp=True)
    fit = stats.fit_life(**lives, model="weibull-susceptible")
    scale, shape = theirs.params
    expected = (theirs.lfp_p, shape, scale)
    # Its search stops within 1e-5; ours has the larger likelihood.
    assert list(fit.parameters.values()) == pytest.approx(expected, rel=2e-5)
    assert fit.log_likelihood >= -theirs.neg_ll() - 1e-9 * abs(fit.log_likelihood)
    assert fit.log_likelihood == pytest.approx(-theirs.neg_ll(), rel=1e-10)


@pytest.mark.parametrize("data", [car_parts, shocks, two_kinds])
def test_where_surpyval_lets_all_fail_we_refuse_a_share(data):
    lives = data()
    theirs = surpyval.Weibull.fit(x=lives["exit"], c=(~lives["event"]).astype(int), lfp=True)
    assert theirs.lfp_p > 0.9999
    with pytest.raises(NoInteriorMaximum, match="a share of 1"):
        stats.fit_life(**lives, model="weibull-susceptible")
