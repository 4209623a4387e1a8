"""Life models against R's package survival and against other reference libraries.

Data: diesel generator fans, `genfan`, and turbine wheels, `turbine` (both Nelson 1982), and vehicle
shock absorbers (Meeker and Escobar 1998, p. 630). R's figures are what `reference_life_models.R`
printed.
"""

import shutil
import subprocess

import numpy as np
import polars as pl
import pytest
from numpy.testing import assert_allclose
from r_reference import DATA, HERE, read_figures, survival_data

from fleetlog import stats

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


def r_is_here():
    if shutil.which("Rscript") is None:
        return False
    call = ["Rscript", "-e", "stopifnot(packageVersion('survival') >= '3.5.3')"]
    return subprocess.run(call, capture_output=True, check=False).returncode == 0


@pytest.mark.skipif(not r_is_here(), reason="R with survival 3.5.3 or later is not installed")
def test_the_recorded_life_models_are_what_r_prints(tmp_path):
    call = ["Rscript", str(HERE / "reference_life_models.R"), str(DATA)]
    printed = subprocess.run(call, capture_output=True, check=True, text=True).stdout
    (tmp_path / "figures.csv").write_text(printed)
    live = read_figures(tmp_path / "figures.csv")
    assert live.keys() == R.keys()
    for name, values in R.items():
        assert_allclose(live[name], values, rtol=1e-6, atol=1e-12, err_msg=name)
