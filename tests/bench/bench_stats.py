"""Statistics against reference libraries, on one set of made lives: whole miles, late entry."""

from __future__ import annotations

import functools
import importlib
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.testing import assert_allclose
from run import Bench, Timed

from fleetlog import stats

LIVES = 1_000_000
SYSTEMS = 100_000


@functools.cache
def lives() -> dict[str, np.ndarray]:
    """Lives in whole miles of up to about 300,000; two in five are watched only from some age."""
    rng = np.random.default_rng(11)
    size = int(LIVES * 1.4)
    failure = np.ceil(140_000 * rng.weibull(2.2, size))
    seen = np.ceil(rng.uniform(20_000, 300_000, size))
    entry = np.where(rng.random(size) < 0.4, np.floor(rng.uniform(0, 120_000, size)), 0.0)
    end = np.minimum(failure, seen)
    kept = np.flatnonzero(entry < end)[:LIVES]
    assert kept.size == LIVES
    return {
        "exit": end[kept],
        "event": (failure <= seen)[kept],
        "entry": entry[kept],
        "cluster": rng.integers(0, LIVES // 5, LIVES),
    }


@functools.cache
def systems() -> dict[str, Any]:
    """Repairs of systems that are watched from the start to an age of their own."""
    rng = np.random.default_rng(12)
    end = np.ceil(rng.uniform(500, 3000, SYSTEMS))
    repairs = rng.poisson(end / 1000)
    unit = np.repeat(np.arange(SYSTEMS), repairs)
    age = np.ceil(rng.random(unit.size) * end[unit])
    order = np.lexsort((age, unit))
    unit, age = unit[order], age[order]
    # The peer's form: one list per system, the repairs and then the end.
    cuts = np.cumsum(repairs)[:-1]
    lists = [[*ages.tolist(), last] for ages, last in zip(np.split(age, cuts), end, strict=True)]
    return {"unit": unit, "age": age, "end": end, "lists": lists}


def installed(module: str, call: Callable[[], Any]) -> Callable[[], Any] | str:
    try:
        importlib.import_module(module)
    except ImportError:
        return f"{module} is not installed"
    return call


def kaplan_meier(**options: Any) -> stats.SurvivalCurve:
    given = lives()
    return stats.kaplan_meier(given["exit"], given["event"], entry=given["entry"], **options)


def lifelines_kaplan_meier() -> Any:
    from lifelines import KaplanMeierFitter

    given = lives()
    return KaplanMeierFitter().fit(given["exit"], given["event"], entry=given["entry"])


def same_survival(ours: stats.SurvivalCurve, peer: Any) -> None:
    theirs = peer.survival_function_.iloc[:, 0]
    at = np.linspace(1_000, 280_000, 500)
    assert_allclose(ours.at(at), theirs.asof(at).to_numpy(), rtol=1e-8)


R_SCRIPT = """
suppressMessages(library(survival))
folder <- commandArgs(trailingOnly = TRUE)[1]
read <- function(name) readBin(file.path(folder, name), "double", 2e7)
d <- data.frame(entry = read("entry"), exit = read("exit"), event = read("event"),
                cluster = read("cluster"))
took <- system.time(fit <- survfit(Surv(entry, exit, event) ~ 1, d, cluster = cluster,
                                   robust = TRUE, conf.type = "log-log"))[["elapsed"]]
writeBin(c(took, fit$time), file.path(folder, "time"))
writeBin(fit$surv, file.path(folder, "surv"))
writeBin(fit$std.err, file.path(folder, "std.err"))
"""


def r_clustered() -> Timed:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for column, values in lives().items():
            values.astype(np.float64).tofile(folder / column)
        script = folder / "script.R"
        script.write_text(R_SCRIPT)
        subprocess.run(["Rscript", str(script), name], check=True)
        time, surv, error = (np.fromfile(folder / part) for part in ("time", "surv", "std.err"))
    return Timed(
        pl.DataFrame({"time": time[1:], "estimate": surv, "std_err": error}), float(time[0])
    )


def same_clustered(ours: stats.SurvivalCurve, peer: pl.DataFrame) -> None:
    joined = ours.table.filter(pl.col("std_err") > 0).join(peer, on="time", suffix="_peer")
    assert joined.height > 100_000
    assert_allclose(joined["estimate"], joined["estimate_peer"], rtol=1e-8)
    assert_allclose(joined["std_err"], joined["std_err_peer"], rtol=1e-6)


def weibull() -> stats.LifeFit:
    given = lives()
    return stats.fit_life(given["exit"], given["event"], entry=given["entry"])


def surpyval_weibull() -> Any:
    import surpyval

    given = lives()
    return surpyval.Weibull.fit(x=given["exit"], c=(~given["event"]).astype(int), tl=given["entry"])


def same_weibull(ours: stats.LifeFit, peer: Any) -> None:
    scale, shape = peer.params
    assert_allclose(ours.parameters["shape"], shape, rtol=1e-4)
    assert_allclose(ours.parameters["scale"], scale, rtol=1e-4)


def mean_cumulative() -> stats.MeanCumulative:
    given = systems()
    windows = (np.arange(SYSTEMS), np.zeros(SYSTEMS), given["end"])
    return stats.mean_cumulative_function(given["unit"], given["age"], windows)


def reliability_mean_cumulative() -> Any:
    from reliability.Repairable_systems import MCF_nonparametric

    return MCF_nonparametric(data=systems()["lists"], print_results=False, show_plot=False)


def same_mean(ours: stats.MeanCumulative, peer: Any) -> None:
    theirs = peer.results[["time", "MCF"]].dropna()
    theirs = theirs[theirs["MCF"] != ""].astype(float).groupby("time")["MCF"].max()
    at = np.linspace(50, 2_900, 100)
    # The peer rounds the table that it returns.
    assert_allclose(ours.at(at), theirs.asof(at).to_numpy(), rtol=1e-4)


def benches() -> list[Bench]:
    has_r = shutil.which("Rscript") is not None
    return [
        Bench(
            "survival, late entry, 1 M lives",
            "lifelines",
            kaplan_meier,
            installed("lifelines", lifelines_kaplan_meier),
            same_survival,
            goal=8,
            repetitions=9,
        ),
        Bench(
            "survival, 200,000 clusters, 1 M lives",
            "R survival",
            lambda: kaplan_meier(cluster=lives()["cluster"]),
            r_clustered if has_r else "R is not installed",
            same_clustered,
            goal=50,
            repetitions=5,
            peer_repetitions=1,
        ),
        Bench(
            "Weibull, late entry, 1 M lives",
            "surpyval",
            weibull,
            installed("surpyval", surpyval_weibull),
            same_weibull,
            goal=8,
        ),
        Bench(
            "mean cumulative function, 100,000 systems",
            "reliability",
            mean_cumulative,
            installed("reliability", reliability_mean_cumulative),
            same_mean,
            goal=4,
        ),
    ]
