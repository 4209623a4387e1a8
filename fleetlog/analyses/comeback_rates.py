"""Comeback rates of groups of repairs: how high, how sure, and whether the jobs explain them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.analyses.wording import FEW_REPAIRS
from fleetlog.errors import NoInteriorMaximum
from fleetlog.settings import FUNNEL_OUTER_LEVEL, GROUPS_TO_DIFFER
from fleetlog.stats import (
    GroupedIncidence,
    Overdispersion,
    benjamini_hochberg,
    compare_with_others,
    funnel_limits,
    incidence_by_group,
    overdispersion,
    proportion_interval,
    shrink_proportions,
)

CAME_BACK, RETIRED = 1, 2
FUNNEL_POINTS = 60
DOUBLE = 2.0
"""Where the funnel holds even this ratio, a group within it is told to be too small to say."""


def rate_groups(
    repairs: pl.DataFrame, level: float
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, float | None, float]:
    """Return groups, curves, funnel, between and clustering of `Comebacks`.

    Parameters
    ----------
    repairs : one row per repair: ``group``, ``kind`` (labels), ``vehicle`` (a whole number),
        ``time`` (days followed, > 0), ``cause`` (0 neither, 1 came back, 2 retired) and
        ``closed`` (whether the window was seen to close).
    """
    labels = repairs["group"].unique().sort()
    number = repairs["group"].replace_strict(labels, pl.int_range(labels.len(), eager=True))
    time, cause = repairs["time"].to_numpy(), repairs["cause"].to_numpy()
    found = incidence_by_group(
        time, cause, number.to_numpy(), cluster=repairs["vehicle"].to_numpy(), level=level
    )
    followed = pl.Series("followed", _followed(time, cause))
    ended = (pl.col("cause") > 0) | pl.col("closed")
    counted = (
        repairs.with_columns(number=number)
        .with_columns(followed)
        .group_by("number")
        .agg(
            retired=(pl.col("cause") == RETIRED).sum().cast(pl.Int64),
            followed_up=ended.sum().cast(pl.Int64),
            closed=(pl.col("closed") & (pl.col("cause") == 0)).sum(),
            followed=pl.col("followed").sum(),
        )
    )
    groups = (
        found.table.join(counted, left_on="group", right_on="number", how="left",
                         maintain_order="left")
        .select(
            pl.Series("group", labels), pl.col("lives").alias("repairs"),
            pl.col("events").alias("comebacks"), "retired", "followed_up", "followed",
            pl.col("estimate").alias("rate"), "lower", "upper", "clusters",
            "closed",
        )
    )  # fmt: skip
    groups = _with_exact_limits(groups, level)
    groups = groups.hstack(_shrunk(groups, level))
    clustering = _clustering(found.table, incidence_by_group(time, cause, number.to_numpy()).table)
    compared, between, funnel = _against_others(repairs, followed, number, clustering, level)
    groups = groups.hstack(compared)
    curves = found.curves.select(
        pl.Series("group", labels).gather(found.curves["group"]), "time", "at_risk",
        comebacks="events", retired="competing", estimate="estimate",
    )  # fmt: skip
    return (
        groups.with_columns(note=_notes()).drop("clusters", "closed", "size_alone"),
        curves,
        funnel,
        between,
        clustering,
    )


def _clustering(clustered: pl.DataFrame, apart: pl.DataFrame) -> float:
    """How often over the comebacks of a group vary than if no two were of one vehicle.

    The variances of the groups' rates, clustered by vehicle and not, are pooled over the groups as
    variances of counts. A vehicle that came back once is likely to come back again, with the
    same fault or the same bodged repair; counted singly its returns would look like evidence.
    """
    sizes = clustered["lives"].cast(pl.Float64)
    counts = [(sizes * table["std_err"]) ** 2 for table in (clustered, apart)]
    together, single = pl.DataFrame({"a": counts[0], "b": counts[1]}).drop_nulls().sum().row(0)
    return max(1.0, together / single) if single else 1.0


def rate_all(repairs: pl.DataFrame, level: float) -> tuple[float, float, float]:
    """Return the share of all repairs that came back, with its limits."""
    vehicles = repairs["vehicle"].to_numpy()
    found = _as_one(repairs["time"].to_numpy(), repairs["cause"].to_numpy(), vehicles, level)
    one = found.table.with_columns(
        comebacks="events",
        followed_up=repairs.select(((pl.col("cause") > 0) | pl.col("closed")).sum()).to_series(),
    )
    estimate, lower, upper = (
        _with_exact_limits(one, level).select("estimate", "lower", "upper").row(0)
    )
    return estimate, lower, upper


def _as_one(
    time: NDArray[np.int64],
    cause: NDArray[np.integer],
    cluster: NDArray[np.integer] | None = None,
    level: float = 0.95,
) -> GroupedIncidence:
    one = np.zeros(time.size, dtype=np.int64)
    return incidence_by_group(time, cause, one, cluster=cluster, level=level)


def _followed(time: NDArray[np.int64], cause: NDArray[np.integer]) -> NDArray[np.float64]:
    """Say how much of a repair watched to the end each repair carries.

    A repair whose outcome is known counts as one. One that was last seen after t days without a
    comeback counts as 1 - q / p: p is the fleet's share of comebacks, and q the chance that this
    repair still comes back: p less the share returned by t, among those neither returned nor
    retired by then; q is 0 once its window has closed. Summed over the fleet, the comebacks over
    this number are the product-limit rate exactly (a repair lost from sight is shared out over
    those that were watched on: Efron 1967); where vehicles retire it is so but for rounding up
    those whose chance to come back has risen above p, which count as nothing. Where nothing came
    back at all, nothing tells how soon it would have, and only those watched to the end count.
    """
    whole = _as_one(time, cause).curves
    rate = float(whole["estimate"][-1])
    at = np.searchsorted(whole["time"].to_numpy(), time)
    censored = cause == 0
    if rate == 0:
        return np.where(censored & (time < time.max()), 0.0, 1.0)
    returned = whole["estimate"].to_numpy()[at]
    open_still = 1 - returned - whole["competing_estimate"].to_numpy()[at]
    with np.errstate(divide="ignore", invalid="ignore"):
        # Where nobody was left to be watched on, nothing is known of what would have come.
        later = np.where(open_still > 0, (rate - returned) / (rate * open_still), 0.0)
    return np.where(censored, np.clip(1 - later, 0.0, 1.0), 1.0)


def _with_exact_limits(groups: pl.DataFrame, level: float) -> pl.DataFrame:
    """Take Clopper and Pearson's limits where the curve has none.

    That is where no repair has come back or all have, and where all are of one vehicle.
    """
    watched = groups["followed_up"].to_numpy()
    # Nobody watched to the end: nothing is known, and the limits are 0 and 1.
    low, high = proportion_interval(
        groups["comebacks"].to_numpy(), np.maximum(watched, 1), method="exact", level=level
    )
    low, high = np.where(watched > 0, low, 0.0), np.where(watched > 0, high, 1.0)
    return groups.with_columns(
        pl.col("lower").fill_null(pl.Series(low)), pl.col("upper").fill_null(pl.Series(high))
    )


def _shrunk(groups: pl.DataFrame, level: float) -> pl.DataFrame:
    """Draw the rates towards what the groups share; null where they share nothing to draw to.

    The trials are ``followed``, to the nearest whole number and never fewer than the comebacks.
    """
    comebacks = groups["comebacks"].to_numpy()
    trials = np.maximum(np.rint(groups["followed"].to_numpy()), comebacks)
    known = trials > 0
    columns = {
        name: np.full(comebacks.size, np.nan) for name in ("shrunk", "shrunk_lower", "shrunk_upper")
    }
    if np.count_nonzero(known) > 1:
        try:
            table = shrink_proportions(comebacks[known], trials[known], level).table
        except NoInteriorMaximum:
            # No comeback at all, or every group all or nothing: the columns stay empty, which
            # the terminal and the pages show as such.
            pass
        else:
            for name, source in zip(columns, ("estimate", "lower", "upper"), strict=True):
                columns[name][known] = table[source].to_numpy()
    return pl.DataFrame(columns).with_columns(pl.all().fill_nan(None))


def _against_others(
    repairs: pl.DataFrame,
    followed: pl.Series,
    number: pl.Series,
    clustering: float,
    level: float,
) -> tuple[pl.DataFrame, float | None, pl.DataFrame]:
    """Hold each group against the others on the same jobs, with a funnel around a ratio of 1."""
    kinds = repairs["kind"].unique()
    cells = (
        repairs.select(
            number,
            kind=pl.col("kind").replace_strict(kinds, pl.int_range(kinds.len(), eager=True)),
            back=pl.col("cause") == CAME_BACK,
        )
        .with_columns(followed)
        .group_by(number.name, "kind")
        .agg(pl.col("back").sum(), pl.col("followed").sum())
        # Of repairs that were all lost from sight at once nothing is known.
        .filter(pl.col("followed") > 0)
        .sort(number.name, "kind")
    )
    table = pl.DataFrame({"group": number.unique().sort()})
    if cells.is_empty():
        held = pl.DataFrame(schema=_HELD)
    else:
        held = compare_with_others(
            cells["back"].to_numpy(), cells["followed"].to_numpy(),
            cells[number.name].to_numpy(), cells["kind"].to_numpy(),
            dispersion=clustering, level=level,
        ).table  # fmt: skip
    table = table.join(held, on="group", how="left", maintain_order="left")
    known = table.filter(pl.col("expected") > 0)
    tested = table.filter(pl.col("p_value").is_not_null())
    spread = _overdispersion(known, clustering)
    adjusted = tested.select(
        "group",
        p_adjusted=pl.Series(
            benjamini_hochberg(tested["p_value"].to_numpy()) if tested.height else [],
            dtype=pl.Float64,
        ),
    )
    funnel = known.select("group").hstack(_funnel(known["precision"].to_numpy(), spread, level))
    for columns in (adjusted, funnel):
        table = table.join(columns, on="group", how="left", maintain_order="left")
    precision = known["precision"].to_numpy()
    steps = (
        np.geomspace(precision.min(), precision.max(), FUNNEL_POINTS)
        if precision.size
        else precision
    )
    return (
        table.with_columns(verdict=_verdict(level)).select(
            "size_alone", compared="observed", expected="expected", ratio="ratio",
            ratio_lower="lower", ratio_upper="upper", p_value="p_value", p_adjusted="p_adjusted",
            precision="precision", funnel_lower="funnel_lower", funnel_upper="funnel_upper",
            verdict="verdict",
        ),
        None if spread is None else spread.between,
        _funnel(steps, spread, level).select(
            pl.Series("precision", steps, dtype=pl.Float64), lower="funnel_lower",
            upper="funnel_upper", outer_lower="outer_lower", outer_upper="outer_upper",
        ),
    )  # fmt: skip


_HELD = {
    "group": pl.Int64, "size_alone": pl.Float64, "observed": pl.Int64, "expected": pl.Float64,
    "precision": pl.Float64, "ratio": pl.Float64, "lower": pl.Float64, "upper": pl.Float64,
    "p_value": pl.Float64,
}  # fmt: skip


def _overdispersion(known: pl.DataFrame, clustering: float) -> Overdispersion | None:
    """How far groups differ beyond chance and clusters; None where they are too few to tell."""
    if known.height < GROUPS_TO_DIFFER.value:
        return None
    expected = known["expected"].to_numpy()
    found = overdispersion(known["observed"].to_numpy(), expected, centre=1.0)
    # By moments, the mean square of the scores is what clusters make of chance, and the rest is
    # the groups' own.
    own = found.df * max(found.factor - clustering, 0.0) / float(expected.sum())
    return replace(found, between=float(np.sqrt(own)))


def _funnel(
    precision: NDArray[np.float64], spread: Overdispersion | None, level: float
) -> pl.DataFrame:
    """Limits of the ratio by chance, and by what groups differ anyway, at two levels.

    The size is the precision and not the number expected, so that an expected number which rests
    on few comebacks of the others widens the funnel.
    """
    wider = spread if spread is not None and spread.between > 0 else None
    columns: dict[str, NDArray[np.float64]] = {}
    for name, at in (("funnel", level), ("outer", FUNNEL_OUTER_LEVEL.value)):
        low, high = precision, precision
        if precision.size:
            limits = funnel_limits(precision, 1.0, kind="rate", level=at, overdispersion=wider)
            low, high = limits.lower, limits.upper
        columns |= {f"{name}_lower": low, f"{name}_upper": high}
    return pl.DataFrame(columns)


def _verdict(level: float) -> pl.Expr:
    """Say in words where the ratio lies on the funnel; where there is none, what its chance is.

    There is none where the others have had no comeback at all on the same jobs.
    """
    ratio, chance = pl.col("ratio"), pl.col("p_value")
    return (
        pl.when(chance.is_null())
        .then(pl.lit("nothing to compare with"))
        .when(ratio.is_null() & (chance < 1 - FUNNEL_OUTER_LEVEL.value))
        .then(pl.lit("more than others"))
        .when(ratio.is_null() & (chance < 1 - level))
        .then(pl.lit("perhaps more"))
        .when(ratio.is_null())
        .then(pl.lit("too few to say"))
        .when(ratio > pl.col("outer_upper"))
        .then(pl.lit("more than others"))
        .when(ratio > pl.col("funnel_upper"))
        .then(pl.lit("perhaps more"))
        .when(ratio < pl.col("outer_lower"))
        .then(pl.lit("fewer than others"))
        .when(ratio < pl.col("funnel_lower"))
        .then(pl.lit("perhaps fewer"))
        .when(pl.col("funnel_upper") >= DOUBLE)
        .then(pl.lit("too few to say"))
        .otherwise(pl.lit("within chance"))
    )


def _notes() -> pl.Expr:
    """Words on what the figures can bear."""
    repairs = pl.col("repairs")
    return pl.concat_str(
        pl.when(repairs < FEW_REPAIRS).then(
            pl.format(
                "thin: only {} repair{}",
                repairs,
                pl.when(repairs == 1).then(pl.lit("")).otherwise(pl.lit("s")),
            )
        ),
        pl.when(pl.col("clusters") < 2).then(
            pl.lit("one vehicle only: the limits take its repairs as independent")
        ),
        pl.when(pl.col("closed") == 0).then(
            pl.lit("none watched for the whole window: the rate is that of the days watched")
        ),
        pl.when(pl.col("comebacks") == 0).then(pl.lit("none has come back so far")),
        pl.when(pl.col("size_alone") >= 0.5).then(
            pl.format(
                "{} of jobs that nobody else does",
                pl.col("size_alone").round(0).cast(pl.Int64),
            )
        ),
        separator="; ",
        ignore_nulls=True,
    )
