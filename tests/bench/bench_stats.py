"""Statistics against reference libraries, on the same arrays: whole miles and unbroken times."""

from __future__ import annotations

import functools
import importlib
import shutil
import statistics
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from numpy.testing import assert_allclose
from run import Bench, Timed, timed

from fleetlog import stats

LIVES = 1_000_000
MANY_LIVES = 5_000_000
SYSTEMS = 100_000
INTERVALS = 5_000
# R's time grows so that it does not end within five minutes on 5,000.
INTERVALS_FOR_R = 500
FORMS = ("whole miles", "unbroken times")
# Times of a sort, of the curves, are medians of so many turns.
TURNS = 7


@functools.cache
def lives(form: str = "whole miles", size: int = LIVES) -> dict[str, np.ndarray]:
    """Lives of up to about 300,000 miles; two in five are watched only from some age."""
    rng = np.random.default_rng(11)
    made = int(size * 1.4)
    failure = 140_000 * rng.weibull(2.2, made)
    seen = rng.uniform(20_000, 300_000, made)
    entry = np.where(rng.random(made) < 0.4, rng.uniform(0, 120_000, made), 0.0)
    if form == "whole miles":
        failure, seen, entry = np.ceil(failure), np.ceil(seen), np.floor(entry)
    end = np.minimum(failure, seen)
    kept = np.flatnonzero(entry < end)[:size]
    assert kept.size == size
    failed = (failure <= seen)[kept]
    return {
        "exit": end[kept],
        "event": failed,
        "entry": entry[kept],
        "cluster": rng.integers(0, size // 5, size),
        "group": rng.integers(0, 2, size),
        "cause": np.where(failed, 1 + (rng.random(size) < 0.3), 0),
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


@functools.cache
def intervals(size: int = INTERVALS) -> dict[str, np.ndarray]:
    """Failures known to lie between two inspections, each vehicle on its own round of them."""
    rng = np.random.default_rng(13)
    failure = 140_000 * rng.weibull(2.2, size)
    every = rng.uniform(5_000, 40_000, size)
    nth = np.floor(failure / every)
    stop = np.floor(rng.uniform(50_000, 250_000, size) / every)
    lower = np.round(np.minimum(nth, stop) * every)
    upper = np.where(nth < stop, np.round((nth + 1) * every), np.inf)
    return {"lower": lower, "upper": upper}


def installed(module: str, call: Callable[[], Any]) -> Callable[[], Any] | str:
    try:
        importlib.import_module(module)
    except ImportError:
        return f"{module} is not installed"
    return call


def in_r(script: str, columns: dict[str, np.ndarray], answers: tuple[str, ...]) -> Timed:
    """Run a script on columns as doubles; it sets ``took`` and the vectors named in ``answers``."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for column, values in columns.items():
            values.astype(np.float64).tofile(folder / column)
        frame = ", ".join(f'{column} = read("{column}")' for column in columns)
        writes = "\n".join(f'writeBin(as.double({one}), file.path(folder, "{one}.out"))'
                           for one in ("took", *answers))  # fmt: skip
        path = folder / "script.R"
        path.write_text(
            "suppressMessages(library(survival))\n"
            "folder <- commandArgs(trailingOnly = TRUE)[1]\n"
            'read <- function(name) readBin(file.path(folder, name), "double", 2e7)\n'
            f"d <- data.frame({frame})\n{script}\n{writes}\n"
        )
        subprocess.run(["Rscript", str(path), name], check=True)
        found = {one: np.fromfile(folder / f"{one}.out") for one in ("took", *answers)}
    return Timed(found, float(found["took"][0]))


def needs_r(call: Callable[[], Any]) -> Callable[[], Any] | str:
    return call if shutil.which("Rscript") else "R is not installed"


# Survival


def kaplan_meier(form: str, size: int = LIVES, **options: Any) -> stats.SurvivalCurve:
    given = lives(form, size)
    return stats.kaplan_meier(given["exit"], given["event"], entry=given["entry"], **options)


def lifelines_kaplan_meier(form: str, size: int = LIVES) -> Any:
    from lifelines import KaplanMeierFitter

    given = lives(form, size)
    return KaplanMeierFitter().fit(given["exit"], given["event"], entry=given["entry"])


def same_survival(ours: stats.SurvivalCurve, peer: Any) -> None:
    theirs = peer.survival_function_.iloc[:, 0]
    at = np.linspace(1_000, 280_000, 500)
    # Unbroken times within a hundred-millionth of their mean are one time here, as in R.
    assert_allclose(ours.at(at), theirs.asof(at).to_numpy(), rtol=1e-6)


def r_clustered() -> Timed:
    given = lives()
    script = """
took <- system.time(fit <- survfit(Surv(entry, exit, event) ~ 1, d, cluster = cluster,
                                   robust = TRUE, conf.type = "log-log"))[["elapsed"]]
time <- fit$time; estimate <- fit$surv; std_err <- fit$std.err
"""
    columns = {name: given[name] for name in ("entry", "exit", "event", "cluster")}
    return in_r(script, columns, ("time", "estimate", "std_err"))


def same_clustered(ours: stats.SurvivalCurve, peer: dict[str, np.ndarray]) -> None:
    frame = pl.DataFrame({name: peer[name] for name in ("time", "estimate", "std_err")})
    joined = ours.table.filter(pl.col("std_err") > 0).join(frame, on="time", suffix="_peer")
    assert joined.height > 100_000
    assert_allclose(joined["estimate"], joined["estimate_peer"], rtol=1e-8)
    assert_allclose(joined["std_err"], joined["std_err_peer"], rtol=1e-6)


# Competing causes


def incidence() -> stats.IncidenceCurves:
    given = lives()
    return stats.cumulative_incidence(given["exit"], given["cause"])


def lifelines_incidence() -> Any:
    from lifelines import AalenJohansenFitter

    given = lives()
    fitter = AalenJohansenFitter(seed=1, calculate_variance=True)
    return fitter.fit(given["exit"], given["cause"], event_of_interest=1)


def same_incidence(ours: stats.IncidenceCurves, peer: Any) -> None:
    theirs = peer.cumulative_density_.iloc[:, 0]
    at = np.linspace(20_000, 280_000, 100)
    # The peer moves tied times apart at random, by up to half a mile here.
    assert_allclose(ours.at(at, 1), theirs.asof(at).to_numpy(), rtol=1e-3)


# Groups


def log_rank(*, late: bool) -> stats.TestResult:
    given = lives()
    entry = given["entry"] if late else None
    return stats.log_rank(given["exit"], given["event"], given["group"], entry=entry)


def lifelines_log_rank() -> Any:
    from lifelines.statistics import logrank_test

    given = lives()
    one = given["group"] == 0
    return logrank_test(
        given["exit"][one], given["exit"][~one], given["event"][one], given["event"][~one]
    )


def same_log_rank(ours: stats.TestResult, peer: Any) -> None:
    assert_allclose(ours.statistic, peer.test_statistic, rtol=1e-8)


def r_log_rank() -> Timed:
    given = lives()
    # R's own test takes no late entry; the score test of its regression does the same work.
    script = """
took <- system.time(fit <- coxph(Surv(entry, exit, event) ~ group, d, ties = "breslow",
                                 iter.max = 0))[["elapsed"]]
score <- fit$score
"""
    return in_r(script, {n: given[n] for n in ("entry", "exit", "event", "group")}, ("score",))


def same_score(ours: stats.TestResult, peer: dict[str, np.ndarray]) -> None:
    # Breslow's variance counts ties otherwise than the log-rank test does.
    assert_allclose(ours.statistic, peer["score"][0], rtol=1e-2)


# Life models


def weibull(form: str, *, late: bool) -> stats.LifeFit:
    given = lives(form)
    return stats.fit_life(given["exit"], given["event"], entry=given["entry"] if late else None)


def surpyval_weibull(form: str, *, late: bool) -> Any:
    import surpyval

    given = lives(form)
    censored = (~given["event"]).astype(int)
    options = {"tl": given["entry"]} if late else {}
    return surpyval.Weibull.fit(x=given["exit"], c=censored, **options)


def same_weibull(ours: stats.LifeFit, peer: Any) -> None:
    scale, shape = peer.params
    assert_allclose(ours.parameters["shape"], shape, rtol=1e-4)
    assert_allclose(ours.parameters["scale"], scale, rtol=1e-4)


# Recurrences


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


# Intervals


def turnbull(size: int) -> stats.SurvivalCurve:
    given = intervals(size)
    return stats.turnbull(given["lower"], given["upper"])


def r_turnbull() -> Timed:
    given = intervals(INTERVALS_FOR_R)
    # A failure before the first inspection is censored to the left, which R writes as a gap.
    columns = {
        "lower": np.where(given["lower"] > 0, given["lower"], np.nan),
        "upper": np.where(np.isinf(given["upper"]), np.nan, given["upper"]),
    }
    script = """
d$lower[is.nan(d$lower)] <- NA; d$upper[is.nan(d$upper)] <- NA
took <- system.time(fit <- survfit(Surv(lower, upper, type = "interval2") ~ 1, d))[["elapsed"]]
time <- fit$time; estimate <- fit$surv
"""
    return in_r(script, columns, ("time", "estimate"))


def log_likelihood(time: np.ndarray, survival: np.ndarray) -> float:
    given = intervals(INTERVALS_FOR_R)
    steps = np.concatenate([[1.0], survival])

    def surviving(age: np.ndarray) -> np.ndarray:
        return np.where(np.isinf(age), 0.0, steps[np.searchsorted(time, age, side="right")])

    chance = surviving(given["lower"]) - surviving(given["upper"])
    return float(np.log(np.maximum(chance, 1e-300)).sum())


def same_turnbull(ours: stats.SurvivalCurve, peer: dict[str, np.ndarray]) -> None:
    # R stops before its iteration has settled, so ours must be the likelier of the two.
    table = ours.table
    mine = log_likelihood(table["time"].to_numpy(), table["estimate"].to_numpy())
    theirs = log_likelihood(peer["time"], peer["estimate"])
    assert theirs - 1e-6 <= mine <= theirs + 1.0


def median_seconds(call: Callable[[], Any]) -> float:
    call()
    return statistics.median(timed(call).seconds for _ in range(TURNS))


def beside_a_sort() -> list[dict[str, Any]]:
    """Time the curve estimators in sorts of the same array."""
    rows = []
    for form in FORMS:
        given = lives(form)
        calls = {
            "survival": lambda form=form: kaplan_meier(form),
            "cumulative hazard": lambda given=given: stats.nelson_aalen(
                given["exit"], given["event"], entry=given["entry"]
            ),
            "incidence, two causes": lambda given=given: stats.cumulative_incidence(
                given["exit"], given["cause"], entry=given["entry"]
            ),
        }
        for name, call in calls.items():
            sort = median_seconds(lambda given=given: np.sort(given["exit"]))
            rows.append(
                {
                    "name": f"{name}, late entry, {form}, in sorts",
                    "value": median_seconds(call) / sort,
                    "at_most": 3,
                }
            )
    return rows


def growth() -> list[dict[str, Any]]:
    """Compare five times the lives with once: 5 is linear growth."""
    rows = []
    for form in FORMS:
        large = median_seconds(lambda form=form: kaplan_meier(form, MANY_LIVES))
        small = median_seconds(lambda form=form: kaplan_meier(form))
        rows.append(
            {
                "name": f"survival, {form}: 5 M lives in times 1 M",
                "value": large / small,
                "at_most": 8,
            }
        )
    return rows


def benches() -> list[Bench | dict[str, Any]]:
    whole, unbroken = FORMS
    compared = [
        *(
            Bench(
                f"survival, late entry, {size // 10**6} M, {form}",
                "lifelines",
                functools.partial(kaplan_meier, form, size),
                installed("lifelines", functools.partial(lifelines_kaplan_meier, form, size)),
                same_survival,
                goal=goal,
                repetitions=5,
            )
            for form, size, goal in (
                (whole, LIVES, 8),
                (unbroken, LIVES, None),
                (whole, MANY_LIVES, 5),
            )
        ),
        Bench(
            "survival, 200,000 clusters, 1 M",
            "R survival",
            lambda: kaplan_meier(whole, cluster=lives()["cluster"]),
            needs_r(r_clustered),
            same_clustered,
            goal=50,
            peer_repetitions=1,
        ),
        Bench(
            "incidence with variance, 1 M",
            "lifelines",
            incidence,
            installed("lifelines", lifelines_incidence),
            same_incidence,
            goal=50,
            peer_repetitions=1,
        ),
        Bench(
            "log-rank, two groups, 1 M",
            "lifelines",
            lambda: log_rank(late=False),
            installed("lifelines", lifelines_log_rank),
            same_log_rank,
            goal=5,
        ),
        Bench(
            "log-rank, late entry, 1 M",
            "R survival",
            lambda: log_rank(late=True),
            needs_r(r_log_rank),
            same_score,
            goal=20,
            peer_repetitions=2,
        ),
        *(
            Bench(
                f"Weibull, {'late entry' if late else 'right-censored'}, 1 M, {form}",
                "surpyval",
                functools.partial(weibull, form, late=late),
                installed("surpyval", functools.partial(surpyval_weibull, form, late=late)),
                same_weibull,
                goal=goal,
                repetitions=3,
            )
            for form, late, goal in (
                (whole, True, 8),
                (unbroken, True, 3),
                (whole, False, 3),
                (unbroken, False, 1.5),
            )
        ),
        Bench(
            "mean cumulative function, 100,000 systems",
            "reliability",
            mean_cumulative,
            installed("reliability", reliability_mean_cumulative),
            same_mean,
            goal=4,
        ),
        Bench(
            "Turnbull, 500 intervals",
            "R survival",
            functools.partial(turnbull, INTERVALS_FOR_R),
            needs_r(r_turnbull),
            same_turnbull,
            goal=1,
            repetitions=3,
            peer_repetitions=1,
        ),
    ]
    many = {
        "name": "Turnbull, 5,000 intervals to its optimality conditions, seconds",
        "value": median_seconds(functools.partial(turnbull, INTERVALS)),
        "at_most": None,
    }
    return [*compared, many, *beside_a_sort(), *growth()]
