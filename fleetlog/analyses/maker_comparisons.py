"""Makers of parts against each other: rates at the same ages and places, and ratios of lives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.analyses.part_life import fit_weibull
from fleetlog.analyses.placed_lives import pair_positions
from fleetlog.analyses.wording import between, counted, listed
from fleetlog.errors import InvalidLives, NoInteriorMaximum
from fleetlog.stats import (
    GroupDifferences,
    LifeFit,
    add_differences,
    benjamini_hochberg,
    equal_rates_test,
    fit_life,
    group_differences,
)

AS_BUILT = "as built"
REPAIRED = "repaired in place"
UNSTATED = "maker not stated"
NO_MAKERS = (AS_BUILT, REPAIRED, UNSTATED)

NOT_COMPARABLE = "cannot be compared"

MANY_FAILED_VEHICLES = 200
"""With so many vehicles to tell by, limits clustered by vehicle need no others beside them."""


@dataclass(frozen=True)
class WeibullLimits:
    """A Weibull life with its limits; all None where the data do not bear one.

    ``log_b10`` has limits clustered by vehicle, ``half_width`` to either side of it.
    """

    shape: float | None
    lower: float | None
    upper: float | None
    log_b10: float | None
    half_width: float | None
    reason: str | None

    @staticmethod
    def of(lives: pl.DataFrame, clock: str, level: float) -> WeibullLimits:
        """Fit the lives; the limits of the shape are the wider of both kinds."""
        profile, reason = fit_weibull(lives, clock)
        if profile is None:
            return WeibullLimits(None, None, None, None, None, reason)
        clustered = _clustered_fit(lives, clock, lives["weight"].cast(pl.Float64).to_numpy())
        limits = [] if clustered is None else [clustered.parameter_interval("shape", level=level)]
        if not limits or lives.filter("failed")["vehicle"].n_unique() < MANY_FAILED_VEHICLES:
            limits.append(profile.parameter_interval("shape", level=level))
        low, high = min(low for low, _ in limits), max(high for _, high in limits)
        return WeibullLimits(
            profile.parameters["shape"], low, high, *_log_b10(clustered, level), None
        )


def _clustered_fit(lives: pl.DataFrame, clock: str, weight: NDArray[np.float64]) -> LifeFit | None:
    """Fit a Weibull life with a covariance by vehicle; None where the data do not bear one."""
    used = weight > 0
    kept = lives.filter(pl.Series(used))
    if kept.filter("failed")["vehicle"].n_unique() < 2:
        return None
    try:
        return fit_life(
            kept[f"exit_{clock}"].cast(pl.Float64).to_numpy(),
            kept["failed"].to_numpy(),
            entry=kept[f"entry_{clock}"].cast(pl.Float64).to_numpy(),
            weight=weight[used],
            cluster=kept["vehicle"].to_numpy(),
        )
    except (NoInteriorMaximum, InvalidLives):
        return None


def _log_b10(fit: LifeFit | None, level: float) -> tuple[float | None, float | None]:
    """Log of the B10 life and half the width of its limits; None where they are not set."""
    if fit is None:
        return None, None
    lower, upper = fit.quantile_interval(0.1, method="wald", level=level)
    if not (lower > 0 and np.isfinite(upper)):
        return None, None
    return (
        float(np.log(fit.quantile(0.1))),
        float(np.log(upper / lower) / 2),
    )


def alone_in_family(lives: pl.DataFrame) -> pl.DataFrame:
    """Return the engine families in which no two makers can be compared.

    Returns
    -------
    ``engine_family``, ``why`` (words) and ``parts``, largest first. Limits rest on how vehicles
    differ, so one vehicle bears none; and parts of one maker are compared with nothing.
    """
    return (
        lives.group_by("engine_family")
        .agg(
            pl.col("vehicle", "maker").n_unique(),
            parts=pl.col("weight").sum().cast(pl.Int64),
        )
        .filter((pl.col("vehicle") < 2) | (pl.col("maker") < 2))
        .select(
            "engine_family",
            why=pl.when(pl.col("vehicle") < 2)
            .then(pl.lit("one vehicle only"))
            .otherwise(pl.lit("parts of one maker only")),
            parts="parts",
        )
        .sort("parts", "engine_family", descending=[True, False])
    )


def maker_differences(
    lives: pl.DataFrame, names: pl.DataFrame, makers: Sequence[str], clock: str
) -> GroupDifferences | None:
    """Failures of makers against those expected within each position, engine family by family.

    Families in which no two of the makers can be compared are passed over (`alone_in_family`);
    None where there is no other.
    """
    parts = []
    lives = lives.filter(pl.col("maker").is_in(makers))
    lives = lives.join(
        alone_in_family(lives), on="engine_family", how="anti", maintain_order="left"
    )
    for (family,), own in lives.group_by("engine_family", maintain_order=True):
        ordinals = names.filter(pl.col("engine_family") == family)["ordinal"]
        pairs = pair_positions(own, ordinals)
        group = (
            own["maker"]
            .replace_strict(list(makers), list(range(len(makers))), return_dtype=pl.Int64)
            .to_numpy()
            .astype(np.intp)
        )
        # Rows of untouched vehicles are all as built.
        built = makers.index(AS_BUILT) if AS_BUILT in makers else 0
        parts.append(
            group_differences(
                own[f"exit_{clock}"].to_numpy(),
                own["failed"].to_numpy(),
                pairs.row,
                group[pairs.row],
                len(makers),
                entry=own[f"entry_{clock}"].to_numpy(),
                cluster=own["vehicle"].to_numpy(),
                stratum=pairs.position,
                everywhere=(np.full(ordinals.len(), built), np.arange(ordinals.len())),
            )
        )
    return add_differences(parts) if parts else None


def compare_makers(
    lives: pl.DataFrame,
    names: pl.DataFrame,
    makers: Sequence[str],
    fits: dict[str, WeibullLimits],
    clock: str,
    level: float,
) -> pl.DataFrame:
    """Compare every two makers, and each with the original parts.

    Returns ``maker``, ``other``, ``failures``, ``other_failures``, ``ratio``, ``lower``, ``upper``,
    ``p_value``, ``b10_ratio`` with ``_lower`` and ``_upper``, ``not_compared`` (parts of the two in
    engine families in which they cannot be), ``p_adjusted`` and ``finding``. All figures between
    are null where no family bears a comparison.
    """
    rows: list[dict[str, Any]] = []
    stated = [maker for maker in makers if maker not in (REPAIRED, UNSTATED)]
    for other, maker in combinations(stated, 2):
        both = lives.filter(pl.col("maker").is_in((maker, other)))
        pair = {
            "maker": maker,
            "other": other,
            "not_compared": int(alone_in_family(both)["parts"].sum()),
        }
        found = maker_differences(both, names, (maker, other), clock)
        if found is None:
            rows.append(pair)
            continue
        ratios = found.rate_ratios(level)
        fit = fits[other]
        if other == AS_BUILT:
            built = lives.filter(pl.col("maker") == AS_BUILT)
            weight = _weights_by_place(built, lives.filter(pl.col("maker") == maker), names)
            b10 = _log_b10(_clustered_fit(built, clock, weight), level)
        else:
            b10 = fit.log_b10, fit.half_width
        rows.append(
            pair
            | {
                "failures": round(float(found.observed[0])),
                "other_failures": round(float(found.observed[1])),
                "ratio": _known(ratios.ratio[0]),
                "lower": _known(ratios.lower[0]),
                "upper": _known(ratios.upper[0]),
                "p_value": equal_rates_test(found).p_value,
                **_b10_ratio((fits[maker].log_b10, fits[maker].half_width), b10),
            }
        )
    schema = {
        "maker": pl.String, "other": pl.String, "failures": pl.Int64, "other_failures": pl.Int64,
        "ratio": pl.Float64, "lower": pl.Float64, "upper": pl.Float64, "p_value": pl.Float64,
        "b10_ratio": pl.Float64, "b10_ratio_lower": pl.Float64, "b10_ratio_upper": pl.Float64,
        "not_compared": pl.Int64,
    }  # fmt: skip
    table = pl.DataFrame(rows, schema=schema)
    tested = table["p_value"].is_not_null()
    adjusted = np.full(table.height, np.nan)
    adjusted[tested.to_numpy()] = benjamini_hochberg(table["p_value"].drop_nulls())
    clear = pl.col("p_adjusted") <= 1 - level
    return table.with_columns(p_adjusted=pl.Series(adjusted).fill_nan(None)).with_columns(
        finding=pl.when(~tested)
        .then(pl.lit(NOT_COMPARABLE))
        .when(clear & (pl.col("ratio").fill_null(np.inf) > 1))
        .then(pl.lit("fails sooner"))
        .when(clear)
        .then(pl.lit("lasts longer"))
        .otherwise(pl.lit("no clear difference")),
    )


def without_bad_lots(
    maker: str,
    lives: pl.DataFrame,
    lots: pl.DataFrame,
    names: pl.DataFrame,
    clock: str,
    level: float,
) -> str:
    """Say how a maker's other lots compare with original parts."""
    bad = lots.filter((pl.col("verdict") == "fails sooner") & (pl.col("maker") == maker))["lot"]
    rest = lives.filter(
        ~((pl.col("maker") == maker) & pl.col("lot").is_in(bad.to_list()).fill_null(value=False))
    )
    found = maker_differences(rest, names, (maker, AS_BUILT), clock)
    if found is None or not found.expected[0]:
        return f"{maker} has no other part to compare with the original ones."
    ratio = found.rate_ratios(level)
    times = _known(ratio.ratio[0])
    said = "" if times is None else f" {times:.2g} times as often as those built in"
    limits = between((_known(ratio.lower[0]), _known(ratio.upper[0])))
    return (
        f"Without lot {listed(bad.to_list())}, {maker}'s parts fail{said} at the same ages and "
        f"places ({limits}; {counted(float(found.observed[0]), 'failure')})."
    )


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _b10_ratio(
    one: tuple[float | None, float | None], two: tuple[float | None, float | None]
) -> dict[str, float | None]:
    if one[0] is None or two[0] is None or one[1] is None or two[1] is None:
        return {"b10_ratio": None, "b10_ratio_lower": None, "b10_ratio_upper": None}
    middle = one[0] - two[0]
    half = float(np.hypot(one[1], two[1]))
    return {
        "b10_ratio": float(np.exp(middle)),
        "b10_ratio_lower": float(np.exp(middle - half)),
        "b10_ratio_upper": float(np.exp(middle + half)),
    }


def _weights_by_place(
    built: pl.DataFrame, wanted: pl.DataFrame, names: pl.DataFrame
) -> NDArray[np.float64]:
    """Weigh original parts so that their places are mixed as those of a maker's, (rows,)."""
    weights = np.zeros(built.height)
    rows = built.with_row_index("at")
    for (family,), own in rows.group_by("engine_family", maintain_order=True):
        ordinals = names.filter(pl.col("engine_family") == family)["ordinal"]
        size = ordinals.len()
        theirs = pair_positions(wanted.filter(pl.col("engine_family") == family), ordinals)
        pairs = pair_positions(own, ordinals)
        count = np.bincount(pairs.position, minlength=size) + np.count_nonzero(pairs.whole)
        share = np.bincount(theirs.position, minlength=size) / np.maximum(count, 1)
        weight = np.bincount(pairs.row, weights=share[pairs.position], minlength=own.height)
        weights[own["at"].to_numpy()] = np.where(pairs.whole, share.sum(), weight)
    return weights
