"""Results made from simulated lives, for tests of what is drawn and said."""

from __future__ import annotations

import numpy as np
import polars as pl

from fleetlog.analyses.results import BestInterval, Comebacks, PartLife
from fleetlog.stats import (
    Weibull,
    age_replacement,
    cumulative_incidence,
    fit_life,
    kaplan_meier,
    proportion_interval,
)

MODES = ("flat-lobe", "seized", "noisy")


def made_part_life(groups=("all",), by=(), lives=400, seed=1):
    """A part life with Weibull lives; each group lives longer than the one before."""
    rng = np.random.default_rng(seed)
    curves, fitted, incidence, rows = [], [], [], []
    for i, name in enumerate(groups):
        label = pl.lit(name).alias("group")
        life = 90_000 * (1 + 0.35 * i) * rng.weibull(2.4, lives)
        stop = rng.uniform(10_000, 180_000, lives)
        exit_age, event = np.ceil(np.minimum(life, stop)), life <= stop
        cause = np.where(event, rng.choice(len(MODES), lives, p=(0.6, 0.3, 0.1)) + 1, 0)
        curve = kaplan_meier(exit_age, event)
        curves.append(curve.table.drop("censored").select(label, pl.all()))
        fit = fit_life(exit_age, event)
        time = np.linspace(0, exit_age.max(), 120)
        fitted.append(
            pl.DataFrame({"time": time, "survival": fit.survival(time)}).select(label, pl.all())
        )
        incidence.append(
            cumulative_incidence(exit_age, cause)
            .table.filter(pl.col("events") > 0)
            .select(
                label, pl.col("cause").replace_strict(dict(enumerate(MODES, 1))).alias(
                    "failure_mode"
                ), "time", "estimate", "lower", "upper",
            )
        )  # fmt: skip
        b10_lower, b10_upper = curve.quantile_interval(0.1)
        median_lower, median_upper = curve.quantile_interval(0.5)
        shape_lower, shape_upper = fit.parameter_interval("shape")
        rows.append(
            {
                "group": name, "lives": lives, "vehicles": lives // 4,
                "failures": int(event.sum()), "planned": 0, "other_removals": 0,
                "still_fitted": lives - int(event.sum()), "late_entries": 0,
                "position_assumed_share": 0.1, "generation_assumed_share": 0.05,
                "b10": curve.quantile(0.1), "b10_lower": b10_lower, "b10_upper": b10_upper,
                "median": curve.median, "median_lower": median_lower,
                "median_upper": median_upper, "shape": fit.parameters["shape"],
                "shape_lower": shape_lower, "shape_upper": shape_upper,
                "scale": fit.parameters["scale"], "note": "",
            }
        )  # fmt: skip
    return PartLife(
        component="valvetrain.lifter", title="Lifter", engine_family=None, by=tuple(by),
        clock="distance", unit="mi", level=0.95, groups=pl.DataFrame(rows),
        curves=pl.concat(curves), fitted=pl.concat(fitted), incidence=pl.concat(incidence),
        endings=pl.DataFrame(
            {"group": ["all"], "ended_by": ["failed"], "failure_mode": ["noisy"], "lives": [3]}
        ),
        evidence=pl.DataFrame(
            {
                "group": ["all"], "vin": ["9AAAAAAA0AA000001"], "unit_no": ["17"],
                "shop": ["North"], "ro_no": ["=1+1"], "opened_on": [None], "age": [81_000.0],
                "positions": ["bank 1, cylinder 3, intake"], "parts": [2],
                "failure_mode": ["flat-lobe"], "part_maker": [None], "part_lot": [None],
                "position_assumed": [False],
            }
        ),
        left_out=pl.DataFrame({"why": ["no believable reading"], "count": [4]}),
        summary=(
            "One lifter in ten has failed by 38,200 mi (35,900 to 40,800).",
            "The risk of failure rises with age (Weibull shape 2.4, 2.1 to 2.8).",
        ),
    )  # fmt: skip


def made_best_interval(**changes):
    """An age-replacement answer with the shape that such curves have."""
    policy = age_replacement(
        Weibull(shape=2.4, scale=90_000.0), cost_planned=400.0, cost_failure=2_600.0
    )
    values = {
        "component": "valvetrain.lifter", "title": "Lifter", "engine_family": None,
        "clock": "distance", "unit": "mi", "currency": "USD", "lives": 400, "vehicles": 100,
        "failures": 180, "oldest_seen": 180_000.0, "shape": 2.4, "shape_interval": (2.1, 2.8), "scale": 90_000.0,
        "cost_planned": 400.0, "cost_failure": 2_600.0,
        "cost_basis": "medians of the repair orders", "age": policy.age,
        "age_interval": (0.85 * policy.age, 1.2 * policy.age), "flat_range": policy.flat_range,
        "cost_rate": policy.cost_rate,
        "run_to_failure_cost_rate": policy.run_to_failure_cost_rate, "saving": policy.saving,
        "saving_interval": (0.3, 0.5), "no_optimum_share": 0.0, "reason": None,
        "rule_interval": None, "rule_origin": None, "advised": policy.age,
        "safety_critical": False, "curve": policy.curve,
        "summary": ("Renew the lifters at about 41,000 mi.",),
    }  # fmt: skip
    return BestInterval(**{**values, **changes})


def made_comebacks(names=("Harrow Road", "Millbrook", "Quarry Lane", "Saltmarsh")):
    """Comeback rates of a few shops."""
    rng = np.random.default_rng(2)
    repairs = rng.integers(30, 400, len(names))
    back = rng.binomial(repairs, 0.08)
    limits = [
        proportion_interval(int(k), int(n), method="exact")
        for k, n in zip(back, repairs, strict=True)
    ]
    groups = pl.DataFrame(
        {
            "group": names, "repairs": repairs, "comebacks": back, "followed_up": repairs - 3,
            "rate": back / repairs, "lower": [low for low, _ in limits],
            "upper": [high for _, high in limits], "note": [""] * len(names),
        }
    )  # fmt: skip
    return Comebacks(
        by="shop", component=None, window_days=30, window_distance=1_000.0, unit="mi", level=0.95,
        same="component", repairs=int(repairs.sum()), came_back=int(back.sum()),
        rate=float(back.sum() / repairs.sum()), rate_interval=(0.05, 0.1),
        groups=groups,
        curves=pl.DataFrame(schema={"group": pl.String, "time": pl.Float64}),
        funnel=pl.DataFrame(schema={"precision": pl.Float64}), between=None, clustering=1.0,
        unrelated=pl.DataFrame(schema={"shop": pl.String}),
        pairs=pl.DataFrame(schema={"group": pl.String}),
        left_out=pl.DataFrame(schema={"why": pl.String, "count": pl.Int64}),
        summary=("Of 812 repairs 7 % came back within the window.",),
    )  # fmt: skip
