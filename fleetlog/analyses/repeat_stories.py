"""What there is to tell of a finding: since when, at what mileages, where, and who is next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.analyses.repeat_cells import (
    AGE_EDGES,
    ASSUMED_FROM,
    KINDS,
    MADE_BY,
    REACH_EDGES,
    Counts,
    Kind,
)
from fleetlog.analyses.repeat_search import Finding, members_of
from fleetlog.analyses.wording import position_words
from fleetlog.settings import REPEAT_FALSE_ALARM_MONTHS, REPEAT_RISE
from fleetlog.sql import read_sql
from fleetlog.stats import design_poisson_cusum, poisson_cusum

NEARING = 0.8
"""A part is nearing the mileages of a pattern from this share of their beginning (our choice)."""

BAND = (0.1, 0.5, 0.9)
"""The mileages of a pattern: those by which a tenth, half and nine tenths of its failures came."""

LEAST_MONTHLY = 0.005
"""The chart of a rarer failure is laid out as if so many were expected a month: its fractions would
be too fine."""

LEAST_RISE = 1.2
CELLS_AT_ONCE = 4_000_000


EVIDENCE = {
    "vin": pl.String(), "unit_no": pl.String(), "shop": pl.String(), "ro_no": pl.String(),
    "opened_on": pl.Date(), "age": pl.Int64(), "positions": pl.String(), "parts": pl.Int64(),
    "failure_mode": pl.String(), "part_maker": pl.String(), "part_lot": pl.String(),
    "depot": pl.String(), "model_year": pl.Int64(), "position_assumed": pl.Boolean(),
}  # fmt: skip
WATCH = {
    "vin": pl.String(), "unit_no": pl.String(), "depot": pl.String(), "stands": pl.String(),
    "age": pl.Int64(), "positions": pl.String(), "parts": pl.Int64(), "part_lot": pl.String(),
}  # fmt: skip
MONTHLY = {
    "month": pl.Date(), "observed": pl.Float64(), "expected": pl.Float64(), "cusum": pl.Float64(),
    "signal": pl.Boolean(),
}  # fmt: skip


def typed(frame: pl.DataFrame, schema: dict[str, pl.DataType]) -> pl.DataFrame:
    """Bring a frame to the columns and types that are promised."""
    return frame.select(pl.col(name).cast(kind) for name, kind in schema.items())


@dataclass(frozen=True)
class Story:
    """What is told of one finding besides its counts.

    ``facts`` go into the row of the finding; the frames are those of ``RepeatFailures`` without
    the finding's number. ``watched_from`` is the first month in which any such part was watched.
    """

    facts: dict[str, Any]
    watched_from: date
    evidence: pl.DataFrame
    watch: pl.DataFrame
    monthly: pl.DataFrame


def lives_of(connection: duckdb.DuckDBPyConnection, component: str) -> pl.DataFrame:
    """Return the lives of one component with their dates and the orders that ended them."""
    query = read_sql("analyses", "repeat_story").format(lives=read_sql("analyses", "repeat_lives"))
    lives: pl.DataFrame = connection.sql(
        query, params={"component": component, "edges": list(AGE_EDGES)}
    ).pl()
    return lives


def story_of(
    finding: Finding, counts: Counts, lives: pl.DataFrame, position_names: pl.DataFrame
) -> Story:
    """Tell of a finding from the lives of its component (:func:`lives_of`)."""
    cell = finding.cell
    members = _members(lives, cell, counts.classes)
    failed = members.filter(_failed(cell))
    evidence = (
        failed.with_columns(
            positions=position_words(failed, position_names, assumed="position_assumed")
        )
        .with_columns(age="exit")
        .pipe(typed, EVIDENCE)
        .sort("opened_on", "vin", "ro_no", "positions", descending=[True, False, False, False])
    )  # fmt: skip
    low, middle, high = _quantiles(failed["exit"], failed["parts"], BAND)
    monthly, since = _by_month(finding, counts, members, failed)
    facts = {
        "parts": int(failed["parts"].sum()),
        "orders": failed["ended_ro"].n_unique(),
        "vehicles_failed": failed["vin"].n_unique(),
        "vehicles": members["vin"].n_unique(),
        "age_low": low,
        "age_median": middle,
        "age_high": high,
        "since": since,
        "position_assumed_share": _share(failed, pl.col("position_assumed")),
        "age_assumed_share": _share(failed, pl.col("begun") >= ASSUMED_FROM),
        "worst_places": _most(failed, position_names),
        "worst_lots": _lots(failed),
    }
    watch = _watch(members, failed, position_names, low, high)
    return Story(facts, _first_month(lives), evidence, watch, monthly)


def _first_month(lives: pl.DataFrame) -> date:
    first: date = lives.select(_day("entry_days").min().dt.month_start()).item()
    return first


def _day(age: str) -> pl.Expr:
    """Day on which a life had an age in days."""
    return (pl.col("begun_on") + pl.duration(days=age)).cast(pl.Date)


def _members(lives: pl.DataFrame, cell: dict[str, Any], classes: pl.DataFrame) -> pl.DataFrame:
    """Keep what of each life lies in the cell: its positions there, and its ages there."""
    named = [pl.col(name) == cell[name] for name in MADE_BY if cell[name] is not None]
    own = lives.filter(named).with_columns(
        ordinal=pl.col("positions").str.split(" ").cast(pl.List(pl.Int16))
    )
    if cell["place"] is not None:
        inside = members_of(cell, classes).cast(pl.Int16).to_list()
        own = own.with_columns(pl.col("ordinal").list.set_intersection(inside))
    kept = (
        own.filter(pl.col("ordinal").list.len() > 0)
        .with_columns(positions=pl.col("ordinal").list.sort())
        .drop("ordinal")
        .with_columns(parts=pl.col("positions").list.len().cast(pl.Int64))
    )
    if cell["reach"] is None:
        return kept
    low, high = reach_limits(cell["reach"])
    return kept.filter(pl.col("exit") > low, pl.col("entry") < (high or np.inf))


def _failed(cell: dict[str, Any]) -> pl.Expr:
    failed = pl.col("ended_by") == "failed"
    if cell["failure_mode"] is not None:
        failed &= pl.col("failure_mode") == cell["failure_mode"]
    if cell["reach"] is not None:
        failed &= pl.col("exit") <= (reach_limits(cell["reach"])[1] or np.inf)
    return failed


def reach_limits(reach: int) -> tuple[int, int | None]:
    """Return the ends of a mileage band that is looked at as a cell; None where it is open."""
    return REACH_EDGES[reach], REACH_EDGES[reach + 1] if reach + 1 < len(REACH_EDGES) else None


def _quantiles(ages: pl.Series, parts: pl.Series, shares: Sequence[float]) -> tuple[float, ...]:
    """Ages by which the given shares of the failed parts had failed."""
    each = np.repeat(ages.to_numpy(), parts.to_numpy())
    found = np.quantile(each, shares, method="inverted_cdf")
    return tuple(float(age) for age in found)


def _share(failed: pl.DataFrame, test: pl.Expr) -> float:
    return float(failed.select((test * pl.col("parts")).sum() / pl.col("parts").sum()).item())


def _most(failed: pl.DataFrame, names: pl.DataFrame) -> str:
    """Say the positions that failed most: "cylinder 8, exhaust, no. 1 (38), ..."."""
    each = (
        failed.explode("positions", empty_as_null=True)
        .group_by("engine_family", "component", "positions")
        .agg(failures=pl.len())
    )
    said = each.with_columns(pl.concat_list("positions"))
    said = each.with_columns(place=position_words(said, names)).filter(pl.col("place") != "")
    return _listed_with_counts(said.group_by("place").agg(pl.col("failures").sum()), "place")


def _lots(failed: pl.DataFrame) -> str:
    """Say the lots of the parts that failed; parts of the factory have none."""
    lots = (
        failed.filter(pl.col("part_lot").is_not_null())
        .group_by("part_lot")
        .agg(failures=pl.col("parts").sum())
    )
    return _listed_with_counts(lots, "part_lot")


def _listed_with_counts(counted: pl.DataFrame, name: str, most: int = 3) -> str:
    top = counted.sort("failures", name, descending=[True, False]).head(most)
    return ", ".join(
        f"{word} ({count})" for word, count in top.select(name, "failures").iter_rows()
    )


def _watch(
    members: pl.DataFrame, failed: pl.DataFrame, names: pl.DataFrame, low: float, high: float
) -> pl.DataFrame:
    """List the vehicles that run such parts still, have not failed, and are nearing the band."""
    age = pl.col("exit")
    running = members.filter(
        pl.col("ended_by") == "still fitted",
        pl.col("retired_on").is_null(),
        age >= NEARING * low,
        ~pl.col("vin").is_in(failed["vin"].unique().to_list()),
    )
    where = (
        pl.when(age < low)
        .then(pl.lit("nearing"))
        .when(age <= high)
        .then(pl.lit("in the band"))
        .otherwise(pl.lit("beyond it"))
    )
    return (
        running.with_columns(positions=position_words(running, names), stands=where)
        .sort(pl.col("stands").replace_strict({"in the band": 0, "nearing": 1, "beyond it": 2},
                                              return_dtype=pl.Int8), -age, "vin", "positions")
        .with_columns(age="exit")
        .pipe(typed, WATCH)
    )  # fmt: skip


def _by_month(
    finding: Finding, counts: Counts, members: pl.DataFrame, failed: pl.DataFrame
) -> tuple[pl.DataFrame, date | None]:
    """Chart the orders that found such a failure, month by month, against those expected.

    Expected are the failures of the finding, spread over the months as its parts ran through the
    ages, and counted as orders: several parts of one order are one.
    """
    days = members.select(
        start=_day("entry_days").to_physical(), stop=_day("exit_days").to_physical()
    )
    months = pl.date_range(
        pl.from_epoch(pl.Series([days["start"].min()]), time_unit="d").dt.month_start().item(),
        pl.from_epoch(pl.Series([days["stop"].max()]), time_unit="d").dt.month_end().item()
        + pl.duration(days=1),
        "1mo",
        eager=True,
    )
    shape = _expected_by_month(finding, counts, members, days, months.to_physical().to_numpy())
    orders = failed["ended_ro"].n_unique()
    due = finding.row["expected"] * orders / max(1, int(failed["parts"].sum()))
    seen = (
        failed.unique("ended_ro")
        .group_by(month=pl.col("opened_on").dt.month_start())
        .agg(observed=pl.len().cast(pl.Float64))
    )
    table = (
        pl.DataFrame({"month": months[:-1], "expected": shape / shape.sum() * due})
        .join(seen, on="month", how="left", maintain_order="left")
        .with_columns(pl.col("observed").fill_null(0.0))
        .filter(pl.col("expected") > 0)
    )
    if table.is_empty() or due <= 0:
        return _chart(table), None
    rise = min(REPEAT_RISE.value, max(LEAST_RISE, float(finding.row["ratio"])))
    design = design_poisson_cusum(
        max(float(table["expected"].mean()), LEAST_MONTHLY),  # type: ignore[arg-type]
        ratio=rise,
        in_control_run_length=REPEAT_FALSE_ALARM_MONTHS.value,
    )
    chart = poisson_cusum(table["observed"].to_numpy(), table["expected"].to_numpy(), design)
    since = None if chart.onset is None else table["month"][chart.onset]
    return _chart(table.with_columns(chart.table.select("cusum", "signal"))), since


def _chart(table: pl.DataFrame) -> pl.DataFrame:
    blank = [pl.lit(None).alias(name) for name in MONTHLY if name not in table.columns]
    return typed(table.with_columns(blank), MONTHLY)


def _expected_by_month(
    finding: Finding,
    counts: Counts,
    members: pl.DataFrame,
    days: pl.DataFrame,
    edges: NDArray[np.int32],
) -> NDArray[np.float64]:
    """Failures that each month would see at the rates of the finding's pool, up to a factor."""
    kind = KINDS[finding.row["kind"]]
    rates = _rates(finding.cell, counts, kind)
    groups = [name for name in kind.strata if name not in ("band", "known")]
    rows = members.with_columns(days, engine_family=pl.col("engine_family").cast(pl.Categorical))
    split = rows.partition_by(groups, as_dict=True) if groups else {(): rows}
    low, high = (
        (0, np.inf) if finding.cell["reach"] is None else reach_limits(finding.cell["reach"])
    )
    total = np.zeros(len(edges) - 1)
    for values, lives in split.items():
        own = rates.filter(
            *(pl.col(name) == value for name, value in zip(groups, values, strict=True))
        )
        ages, hazard = _cumulative(own, low, high or np.inf)
        step = max(1, CELLS_AT_ONCE // len(edges))
        for first in range(0, lives.height, step):
            total += _hazard_by_month(lives.slice(first, step), edges, ages, hazard)
    return total


def _rates(cell: dict[str, Any], counts: Counts, kind: Kind) -> pl.DataFrame:
    """Failures per distance of the pool, by stratum."""
    own = pl.col("component") == cell["component"]
    if "engine_family" in kind.pool:
        own &= pl.col("engine_family") == cell["engine_family"]
    failures = counts.failures.filter(own)
    if cell["failure_mode"] is not None:
        failures = failures.filter(pl.col("failure_mode") == cell["failure_mode"])
    strata = [name for name in kind.strata if name != "known"]
    return (
        counts.exposure.filter(own)
        .group_by(strata)
        .agg(driven=(pl.col("driven") * pl.col("parts")).sum())
        .join(failures.group_by(strata).agg(events=pl.len()), on=strata, how="left")
        .with_columns(rate=pl.col("events").fill_null(0) / pl.col("driven"))
    )


def _cumulative(
    rates: pl.DataFrame, low: float, high: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Cumulative rate at the edges of the age bands; flat outside (low, high]."""
    ages = np.array([*AGE_EDGES, 2 * AGE_EDGES[-1]], dtype=np.float64)
    by_band = np.zeros(len(AGE_EDGES))
    by_band[rates["band"].to_numpy()] = rates["rate"].to_numpy()
    by_band[(ages[:-1] < low) | (ages[:-1] >= high)] = 0.0
    return ages, np.concatenate(([0.0], np.cumsum(by_band * np.diff(ages))))


def _hazard_by_month(
    lives: pl.DataFrame,
    edges: NDArray[np.int32],
    ages: NDArray[np.float64],
    hazard: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Sum over lives of the rate run through in each month, the distance driven evenly."""
    start, stop, entry, leaving = (
        lives[name].to_numpy().astype(np.float64)[:, None]
        for name in ("start", "stop", "entry", "exit")
    )
    gone = np.clip((edges[None, :] - start) / np.maximum(stop - start, 1.0), 0.0, 1.0)
    run = np.interp(entry + gone * (leaving - entry), ages, hazard)
    return np.asarray(lives["parts"].to_numpy() @ np.diff(run, axis=1))
