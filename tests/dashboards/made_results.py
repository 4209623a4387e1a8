"""Results made from simulated lives, for tests of what is drawn and said."""

from __future__ import annotations

import numpy as np
import polars as pl

from fleetlog.analyses.results import BestInterval, Comebacks, PartLife


def product_limit(exit, event, level_z=1.96):
    """Kaplan and Meier (1958) with Greenwood's variance, log(-log) limits."""
    time, place = np.unique(exit, return_inverse=True)
    left = np.bincount(place)
    events = np.bincount(place, weights=event)
    at_risk = len(exit) - np.concatenate([[0], np.cumsum(left)[:-1]])
    survival = np.cumprod(1 - events / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.sqrt(np.cumsum(events / (at_risk * (at_risk - events))))
        theta = level_z * spread / np.log(survival)
        lower, upper = survival ** np.exp(-theta), survival ** np.exp(theta)
    frame = pl.DataFrame(
        {
            "time": time, "at_risk": at_risk.astype(float), "events": events, "estimate": survival,
            "std_err": survival * spread, "lower": lower, "upper": upper,
        }
    ).fill_nan(None)  # fmt: skip
    return frame.filter(pl.col("events") > 0)


def made_part_life(groups=("all",), by=(), lives=400, seed=1):
    """A part life with Weibull lives; each group lives longer than the one before."""
    rng = np.random.default_rng(seed)
    curves, fitted, incidence, rows = [], [], [], []
    modes = ("flat-lobe", "roller-seized", "noisy")
    for i, name in enumerate(groups):
        scale = 90_000 * (1 + 0.35 * i)
        life = scale * rng.weibull(2.4, lives)
        stop = rng.uniform(10_000, 180_000, lives)
        exit = np.ceil(np.minimum(life, stop))
        event = (life <= stop).astype(float)
        curve = product_limit(exit, event)
        curves.append(curve.insert_column(0, pl.lit(name).alias("group")))
        time = np.linspace(0, exit.max(), 120)
        fitted.append(
            pl.DataFrame({"time": time, "survival": np.exp(-((time / scale) ** 2.4))})
            .insert_column(0, pl.lit(name).alias("group"))
        )
        for share, mode in zip((0.6, 0.3, 0.1), modes, strict=True):
            incidence.append(
                curve.select(
                    pl.lit(name).alias("group"), pl.lit(mode).alias("failure_mode"), "time",
                    estimate=share * (1 - pl.col("estimate")),
                    lower=share * (1 - pl.col("upper")),
                    upper=share * (1 - pl.col("lower")),
                )
            )  # fmt: skip
        reached = curve.filter(pl.col("estimate") <= 0.9)["time"]
        rows.append(
            {
                "group": name, "lives": lives, "vehicles": lives // 4,
                "failures": int(event.sum()), "planned": 0, "other_removals": 0,
                "still_fitted": lives - int(event.sum()), "late_entries": 0,
                "position_assumed_share": 0.1, "generation_assumed_share": 0.05,
                "b10": reached[0], "b10_lower": 0.9 * reached[0], "b10_upper": 1.1 * reached[0],
                "median": None, "median_lower": None, "median_upper": None,
                "shape": 2.4, "shape_lower": 2.1, "shape_upper": 2.8, "scale": scale,
                "scale_lower": 0.95 * scale, "scale_upper": 1.05 * scale,
                "weibull_b10": reached[0], "weibull_b10_lower": 0.93 * reached[0],
                "weibull_b10_upper": 1.07 * reached[0], "note": None,
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
    age = np.linspace(2_000, 200_000, 300)
    step = age[1] - age[0]
    survival = np.exp(-((age / 90_000) ** 2.4))
    cost = (400 * survival + 2_600 * (1 - survival)) / (np.cumsum(survival) * step)
    best = int(np.argmin(cost))
    flat = age[cost <= 1.05 * cost[best]]
    values = {
        "component": "valvetrain.lifter", "title": "Lifter", "engine_family": None,
        "clock": "distance", "unit": "mi", "currency": "USD", "lives": 400, "vehicles": 100,
        "failures": 180, "shape": 2.4, "shape_interval": (2.1, 2.8), "scale": 90_000.0,
        "cost_planned": 400.0, "cost_failure": 2_600.0,
        "cost_basis": "medians of the repair orders", "age": float(age[best]),
        "age_interval": (0.85 * age[best], 1.2 * age[best]),
        "flat_range": (float(flat[0]), float(flat[-1])), "cost_rate": float(cost[best]),
        "run_to_failure_cost_rate": 2_600 / 79_800, "saving": 0.4, "saving_interval": (0.3, 0.5),
        "no_optimum_share": 0.0, "reason": None, "rule_interval": None, "rule_origin": None,
        "advised": float(age[best]), "safety_critical": False,
        "curve": pl.DataFrame({"age": age, "cost_rate": cost}),
        "summary": ("Renew the lifters at about 41,000 mi.",),
    }  # fmt: skip
    return BestInterval(**{**values, **changes})


def made_comebacks(names=("Harrow Road", "Millbrook", "Quarry Lane", "Saltmarsh")):
    """Comeback rates of a few shops."""
    rng = np.random.default_rng(2)
    repairs = rng.integers(30, 400, len(names))
    back = rng.binomial(repairs, 0.08)
    rate = back / repairs
    spread = 1.96 * np.sqrt(rate * (1 - rate) / repairs)
    groups = pl.DataFrame(
        {
            "group": names, "repairs": repairs, "comebacks": back, "followed_up": repairs - 3,
            "rate": rate, "lower": np.maximum(rate - spread, 0.002), "upper": rate + spread,
            "note": [None] * len(names),
        }
    )  # fmt: skip
    return Comebacks(
        by="shop", component=None, window_days=30, window_distance=1_000.0, unit="mi", level=0.95,
        groups=groups,
        curves=pl.DataFrame(schema={"group": pl.String, "time": pl.Float64}),
        pairs=pl.DataFrame(schema={"group": pl.String}), left_out=pl.DataFrame(schema={"why": pl.String, "count": pl.Int64}),
        summary=("Of 812 repairs 7 % came back within the window.",),
    )  # fmt: skip
