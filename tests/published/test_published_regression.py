"""Life regression against R's survreg (survival 3.5.3), and with late entry against lifelines.

The figures of R are in data/r_regression.csv; reference_regression.R holds the calls and is run
again where R is installed. Data, as R's package survival has them: capacitor (Meeker and Escobar
1998, p. 447), imotor (Nelson and Hahn 1972) and kidney (McGilchrist and Aisbett 1991).
"""

import lifelines
import numpy as np
import pandas as pd
import polars as pl
import pytest
from numpy.testing import assert_allclose
from r_reference import DATA, channing, read_figures, survival_data

from fleetlog import stats

R = read_figures(DATA / "r_regression.csv")
MODELS = ["weibull", "lognormal"]
# Both sides maximise the same likelihood; R stops once it gains less than 1e-15 of itself.
CLOSE = 1e-6


def check(name, fit):
    assert_allclose(fit.table["coefficient"], R[f"{name}.coefficients"], rtol=CLOSE)
    covariance = R[f"{name}.covariance"].reshape(fit.covariance.shape)
    scale = np.sqrt(np.diag(covariance))
    # Relative to the standard errors: a covariance near 0 has no digits of its own.
    assert_allclose(
        fit.covariance / np.outer(scale, scale), covariance / np.outer(scale, scale), atol=CLOSE
    )
    assert_allclose(fit.table["std_err"], scale[:-1], rtol=CLOSE)
    assert fit.sigma == pytest.approx(R[f"{name}.sigma"][0], rel=CLOSE)
    assert fit.log_likelihood == pytest.approx(R[f"{name}.loglik"][0], rel=1e-9)


def capacitors():
    rows = survival_data("capacitor")
    lives = {"exit": rows["time"], "event": rows["status"] == 1}
    return lives, rows.select("temperature", "voltage")


def kidneys():
    rows = survival_data("kidney").with_columns(
        woman=pl.when(pl.col("sex") == 2).then(pl.lit("woman")).otherwise(pl.lit("man"))
    )
    # The order of R's factor, whose first level is the reference.
    order = pl.Enum(["Other", "GN", "AN", "PKD"])
    covariates = rows.select("age", "woman", pl.col("disease").cast(order))
    options = {
        "": {},
        "_weighted": {"weight": 1 + np.arange(1, rows.height + 1) % 3},
        "_clustered": {"cluster": rows["id"]},
    }
    options["_both"] = options["_weighted"] | options["_clustered"]
    return {"exit": rows["time"], "event": rows["status"] == 1}, covariates, options


@pytest.mark.parametrize("model", MODELS)
def test_right_censored_with_continuous_covariates(model):
    lives, covariates = capacitors()
    fit = stats.fit_life_regression(**lives, covariates=covariates, model=model)
    check(f"{model}.capacitor", fit)
    assert fit.likelihood_ratio_test().statistic == pytest.approx(
        R[f"{model}.capacitor.likelihood_ratio"][0], rel=CLOSE
    )
    asked = {"temperature": [170, 180], "voltage": [200, 260]}
    table = fit.predict_quantile([0.1, 0.5, 0.9], asked)
    log_quantile, error = (
        R[f"{model}.capacitor.{what}"] for what in ("log_quantile", "log_quantile_se")
    )
    assert_allclose(np.log(table["quantile"]), log_quantile, rtol=CLOSE)
    assert_allclose(
        np.log(table["upper"] / table["lower"]), 2 * 1.959963984540054 * error, rtol=CLOSE
    )


def test_deviance_residuals():
    # R signs them by the age, ours by the hazard.
    lives, covariates = capacitors()
    fit = stats.fit_life_regression(**lives, covariates=covariates)
    ours = fit.residuals()["deviance"].to_numpy()
    theirs = R["weibull.capacitor.deviance"]
    assert_allclose(np.abs(ours), np.abs(theirs), rtol=1e-5, atol=1e-7)
    assert np.all((ours < 0) == (fit.residuals()["cox_snell"] > lives["event"]).to_numpy())


@pytest.mark.parametrize("model", MODELS)
def test_motors_at_several_temperatures(model):
    rows = survival_data("imotor").filter(pl.col("temp") > 150)
    fit = stats.fit_life_regression(
        rows["time"],
        rows["status"] == 1,
        {"inverse_kelvin": 1000 / (rows["temp"] + 273.2)},
        model=model,
    )
    check(f"{model}.imotor", fit)


@pytest.mark.parametrize("model", MODELS)
def test_failures_between_inspections(model):
    lives, covariates = capacitors()
    age, failed = lives["exit"].to_numpy(), lives["event"].to_numpy()
    fit = stats.fit_life_regression(
        np.where(failed, np.ceil(age / 200) * 200, age),
        failed,
        covariates,
        lower=np.where(failed, np.floor(age / 200) * 200, np.nan),
        model=model,
    )
    check(f"{model}.rounds", fit)


@pytest.mark.parametrize("which", ["", "_weighted", "_clustered", "_both"])
@pytest.mark.parametrize("model", MODELS)
def test_categories_weights_and_clusters(model, which):
    lives, covariates, options = kidneys()
    fit = stats.fit_life_regression(**lives, covariates=covariates, model=model, **options[which])
    assert fit.reference == {"woman": "man", "disease": "Other"}
    check(f"{model}.kidney{which}", fit)


@pytest.mark.parametrize("model", MODELS)
def test_a_sigma_for_each_level(model):
    lives, covariates, _ = kidneys()
    fit = stats.fit_life_regression(
        **lives, covariates=covariates.select("age", "woman"), model=model
    )
    check_of_shape = fit.shape_check("woman")
    assert check_of_shape.table["level"].to_list() == ["man", "woman"]
    assert_allclose(check_of_shape.table["sigma"], R[f"{model}.strata.sigma"], rtol=CLOSE)
    gained = 2 * (R[f"{model}.strata.loglik"][0] - fit.log_likelihood)
    assert check_of_shape.test.statistic == pytest.approx(gained, rel=CLOSE)
    assert_allclose(
        (
            np.log(check_of_shape.table["upper"] / check_of_shape.table["lower"])
            / 2
            / 1.959963984540054
        )
        ** 2,
        R[f"{model}.strata.log_sigma_variance"],
        rtol=CLOSE,
    )


@pytest.mark.parametrize(
    ("model", "fitter"),
    [("weibull", lifelines.WeibullAFTFitter), ("lognormal", lifelines.LogNormalAFTFitter)],
)
def test_late_entry_of_the_retirement_centre(model, fitter):
    # Klein and Moeschberger 2003, section 4.6. lifelines stops its search early: its likelihood
    # is no larger than ours, and some five digits of its coefficients agree.
    rows = channing().filter(pl.col("ageentry") < pl.col("age"))
    frame = pd.DataFrame(
        {
            "age": rows["age"].to_numpy() / 12,
            "entry": rows["ageentry"].to_numpy() / 12,
            "death": rows["death"].to_numpy(),
            "man": (rows["gender"] == 1).to_numpy().astype(float),
        }
    )
    peer = fitter().fit(frame, "age", "death", entry_col="entry")
    fit = stats.fit_life_regression(
        frame["age"].to_numpy(),
        frame["death"].to_numpy() == 1,
        {"man": np.where(frame["man"] == 1, "yes", "no")},
        entry=frame["entry"].to_numpy(),
        model=model,
    )
    theirs = peer.summary["coef"]
    first = "lambda_" if model == "weibull" else "mu_"
    second, sign = ("rho_", -1) if model == "weibull" else ("sigma_", 1)
    assert_allclose(
        [*fit.coefficients, sign * np.log(fit.sigma)],
        [theirs[first, "Intercept"], theirs[first, "man"], theirs[second, "Intercept"]],
        rtol=1e-4,
    )
    errors = peer.summary["se(coef)"]
    assert_allclose(
        fit.table["std_err"], [errors[first, "Intercept"], errors[first, "man"]], rtol=1e-4
    )
    assert fit.log_likelihood >= peer.log_likelihood_ - 1e-9
    assert fit.log_likelihood == pytest.approx(peer.log_likelihood_, rel=1e-8)
