"""What fails again and again: where, since when, with whose part, and who is next."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import duckdb
import numpy as np
import polars as pl

from fleetlog.analyses.components import find_component
from fleetlog.analyses.repeat_cells import KINDS, Counts, count
from fleetlog.analyses.repeat_search import Finding, Search, search
from fleetlog.analyses.repeat_stories import (
    EVIDENCE,
    MONTHLY,
    WATCH,
    Story,
    lives_of,
    reach_limits,
    story_of,
)
from fleetlog.analyses.repeat_wording import note_of, sentence_of, summary_of, title_of
from fleetlog.analyses.unseen import unseen
from fleetlog.errors import InputError
from fleetlog.settings import DOWNTIME_COST_PER_HOUR, LEVEL, REPEAT_FALSE_SHARE
from fleetlog.sql import read_sql
from fleetlog.stats import shrink_rates, stratified_ratio
from fleetlog.store import Store

_TEXT, _COUNT, _FIGURE = pl.String(), pl.Int64(), pl.Float64()
FINDINGS: dict[str, pl.DataType] = {
    "finding": _COUNT, "title": _TEXT, "component": _TEXT, "engine_family": _TEXT, "place": _TEXT,
    "failure_mode": _TEXT, "part_maker": _TEXT, "part_lot": _TEXT, "depot": _TEXT,
    "model_year": _COUNT, "reach_from": _COUNT, "reach_to": _COUNT, "within": _COUNT,
    "against": _TEXT, "failed": _COUNT, "expected": _FIGURE, "ratio": _FIGURE, "lower": _FIGURE,
    "upper": _FIGURE, "shrunk_ratio": _FIGURE, "shrunk_lower": _FIGURE, "shrunk_upper": _FIGURE,
    "p_value": _FIGURE, "q_value": _FIGURE, "dispersion": _FIGURE, "parts": _COUNT,
    "orders": _COUNT, "vehicles_failed": _COUNT, "vehicles": _COUNT, "since": pl.Date(),
    "age_low": _FIGURE, "age_median": _FIGURE, "age_high": _FIGURE, "worst_places": _TEXT,
    "worst_lots": _TEXT, "near": _COUNT, "excess_cost": _FIGURE, "cost_per_failure": _FIGURE,
    "position_assumed_share": _FIGURE, "age_assumed_share": _FIGURE, "note": _TEXT,
    "sentence": _TEXT,
}  # fmt: skip


@dataclass(frozen=True)
class RepeatFailures:
    """What fails more often than it should, the costliest first.

    Attributes
    ----------
    findings : one row per finding: ``finding`` (its number), ``title``, ``component``, the columns
        of the cell (``engine_family``, ``place``, ``failure_mode``, ``part_maker``, ``part_lot``,
        ``depot``, ``model_year``, ``reach_from``, ``reach_to``: null where it is not cut by that),
        ``within`` (the number of the finding that it is a part of and stands out from, if any),
        ``against`` (what it is held against), ``failed`` (parts, in the ages where there is
        something to hold them against), ``expected``, ``ratio``, ``lower``, ``upper`` (limits of
        the ratio), ``shrunk_ratio`` with ``shrunk_lower`` and ``shrunk_upper``, ``p_value``,
        ``q_value``, ``dispersion`` (how far the failures of a vehicle come together), ``parts``,
        ``orders``, ``vehicles_failed``, ``vehicles``, ``since`` (month from which the chart sees
        it; null where no month stands out), ``age_low``, ``age_median``, ``age_high`` (ages of the
        part by which a tenth, half and nine tenths of the failures came), ``worst_places``,
        ``worst_lots``, ``near`` (vehicles that have not failed and run in those ages, or near
        them), ``excess_cost``, ``cost_per_failure`` (null where no order tells it),
        ``position_assumed_share``, ``age_assumed_share``, ``note`` (what it cannot bear) and
        ``sentence``.
    evidence : ``finding``, ``vin``, ``unit_no``, ``shop``, ``ro_no``, ``opened_on``, ``age``,
        ``positions``, ``parts``, ``failure_mode``, ``part_maker``, ``part_lot``, ``depot``,
        ``model_year``, ``position_assumed``: the failures, the latest first.
    watch : ``finding``, ``vin``, ``unit_no``, ``depot``, ``stands`` ("in the band", "nearing" or
        "beyond it"), ``age``, ``positions``, ``parts``, ``part_lot``: vehicles that
        have not failed.
    monthly : ``finding``, ``month``, ``observed`` and ``expected`` orders, ``cusum``, ``signal``.
    looked_at : ``cells`` looked at by ``cut`` and ``against``; each counts in the control of false
        findings.
    looks : cells looked at, counted again each time that they were looked at anew.
    """

    component: str | None
    unit: str
    currency: str
    level: float
    false_share: float
    looks: int
    findings: pl.DataFrame
    evidence: pl.DataFrame
    watch: pl.DataFrame
    monthly: pl.DataFrame
    looked_at: pl.DataFrame
    left_out: pl.DataFrame
    summary: tuple[str, ...]


def repeat_failures(
    store: Store,
    *,
    component: str | None = None,
    false_share: float = REPEAT_FALSE_SHARE.value,
    downtime_cost_per_hour: float = DOWNTIME_COST_PER_HOUR.value,
    level: float = LEVEL.value,
) -> RepeatFailures:
    """Find where failures come more often than from the rest of the fleet at the same ages.

    Looked at are all cells of engine family by component, and each of them by failure mode,
    position, model year, part maker, lot, depot and mileage band, one and two at a time, and
    depots, makers, lots and years over all families.

    Parameters
    ----------
    component : look at this component only; fewer looks find weaker patterns.
    false_share : share of the findings that may be chance.
    downtime_cost_per_hour : in the store's currency, for the excess cost.
    level : confidence level of the limits.

    Raises
    ------
    InputError : an unknown component, a share that is none, or no failure in the store.

    Notes
    -----
    A part is held against parts of the same component and age: of the other engine families, or
    of the same family elsewhere, the cell itself left out (Breslow and Day 1987). Renewed parts
    are held against renewed ones; parts that were on a vehicle when it came under watch against
    those that came under watch at the same age. Given the failures of a stratum, the cell's are
    binomial; p-values are mid-P, of counts over the dispersion of the vehicles' counts, because
    failures of one vehicle come together. How findings are picked, and how often they are
    chance: :func:`fleetlog.analyses.repeat_search.search`. Ratios are drawn to what all cells
    share by a gamma distribution (DuMouchel 1999); the beginning is dated by a cumulative-sum
    chart of orders (Lucas 1985). Growth: linear in lives and vehicles.
    """
    if component is not None:
        find_component(component)
    if not 0 < false_share < 1:
        raise InputError(f"the false share is {false_share}: give a share such as 0.05")
    with store.read() as connection:
        counts = _counted(connection, component)
        found = search(counts, false_share=false_share)
        costs = _costs(connection, downtime_cost_per_hour)
        names = connection.sql(
            read_sql("analyses", "position_names"),
            params={"component": None, "engine_family": None},
        ).pl()
        left_out = connection.sql(read_sql("analyses", "repeat_left_out")).pl()
        ranked = _ranked(found, costs)
        stories = _stories(connection, counts, ranked, names)
        unread = unseen(connection)
    findings = _findings(ranked, stories, costs, found, store, level)
    return RepeatFailures(
        component=component,
        unit=store.distance_unit,
        currency=store.currency,
        level=level,
        false_share=false_share,
        looks=found.looks,
        findings=findings,
        evidence=_numbered([story.evidence for story in stories], EVIDENCE),
        watch=_numbered([story.watch for story in stories], WATCH),
        monthly=_numbered([story.monthly for story in stories], MONTHLY),
        looked_at=_looked_at(found),
        left_out=left_out,
        summary=(
            *summary_of(findings, found, false_share, level, store.currency),
            *unread.words,
        ),
    )


def _counted(connection: duckdb.DuckDBPyConnection, component: str | None) -> Counts:
    counts = count(connection)
    if component is not None:
        own = pl.col("component") == component
        counts = replace(
            counts,
            exposure=counts.exposure.filter(own),
            failures=counts.failures.filter(own),
            classes=counts.classes.filter(own),
        )
    if counts.failures.is_empty():
        of = f" of {component}" if component else ""
        raise InputError(f"the store has no failure{of} to look at: load repair orders first")
    return counts


def _costs(
    connection: duckdb.DuckDBPyConnection, downtime_cost_per_hour: float
) -> dict[str, float]:
    """Cost of one failed part by component: its share of the order, and of the time stopped."""
    told = connection.sql(read_sql("analyses", "repeat_costs")).pl()
    priced = told.with_columns(
        whole=pl.col("cost") + pl.col("downtime_h").fill_null(0.0) * downtime_cost_per_hour
    )
    return dict(priced.select("component", "whole").iter_rows())


def _excess(finding: Finding) -> float:
    return float(finding.row["observed"] - finding.row["expected"])


def _ranked(found: Search, costs: dict[str, float]) -> list[Finding]:
    """Sort by excess cost; what has no cost comes last, by excess failures."""
    return sorted(
        found.findings,
        key=lambda item: (
            -_excess(item) * costs.get(item.cell["component"], 0.0),
            -_excess(item),
            item.row["p_value"],
        ),
    )


def _stories(
    connection: duckdb.DuckDBPyConnection,
    counts: Counts,
    ranked: list[Finding],
    names: pl.DataFrame,
) -> list[Story]:
    """Tell of the findings, component by component: the lives of one at a time are held."""
    told: dict[int, Story] = {}
    for name in dict.fromkeys(finding.cell["component"] for finding in ranked):
        lives = lives_of(connection, name)
        told |= {
            place: story_of(finding, counts, lives, names)
            for place, finding in enumerate(ranked)
            if finding.cell["component"] == name
        }
    return [told[place] for place in range(len(ranked))]


def _numbered(frames: list[pl.DataFrame], schema: dict[str, pl.DataType]) -> pl.DataFrame:
    """Put the findings' frames under each other, with the number of the finding in front."""
    empty = pl.DataFrame(schema={"finding": pl.Int64(), **schema})
    numbered = [
        frame.select(pl.lit(number, pl.Int64).alias("finding"), pl.all())
        for number, frame in enumerate(frames, 1)
    ]
    return pl.concat([empty, *numbered])


def _findings(
    ranked: list[Finding],
    stories: list[Story],
    costs: dict[str, float],
    found: Search,
    store: Store,
    level: float,
) -> pl.DataFrame:
    if not ranked:
        return pl.DataFrame(schema=FINDINGS)
    shrunk = _shrunk(ranked, found.first_look, level)
    lower, upper = _limits(ranked, level)
    rows = []
    for number, (finding, story) in enumerate(zip(ranked, stories, strict=True)):
        cell, cost = finding.cell, costs.get(finding.cell["component"])
        reach = (None, None) if cell["reach"] is None else reach_limits(cell["reach"])
        row: dict[str, Any] = {
            "finding": number + 1,
            "title": title_of(cell, store.distance_unit),
            **{name: value for name, value in cell.items() if name != "reach"},
            "reach_from": reach[0],
            "reach_to": reach[1],
            "within": _within(finding, ranked),
            "against": KINDS[finding.row["kind"]].against,
            "failed": int(finding.row["observed"]),
            "expected": finding.row["expected"],
            "ratio": finding.row["ratio"] if np.isfinite(finding.row["ratio"]) else None,
            "lower": float(lower[number]),
            "upper": float(upper[number]) if np.isfinite(upper[number]) else None,
            **shrunk.row(number, named=True),
            "p_value": finding.row["p_value"],
            "q_value": finding.q_value,
            "dispersion": finding.row["dispersion"],
            **story.facts,
            "near": story.watch.filter(pl.col("stands") != "beyond it")["vin"].n_unique(),
            "excess_cost": None if cost is None else cost * _excess(finding),
            "cost_per_failure": cost,
        }
        row["note"] = note_of(row)
        row["sentence"] = sentence_of(row, story, store.distance_unit)
        rows.append(row)
    return pl.DataFrame(rows, schema=FINDINGS)


def _limits(ranked: list[Finding], level: float) -> tuple[Any, Any]:
    def of(name: str) -> list[float]:
        return [float(finding.row[name]) for finding in ranked]

    ratio = stratified_ratio(of("observed"), of("alike"), of("total"), dispersion=of("dispersion"))
    return ratio.limits(level)


def _shrunk(ranked: list[Finding], first_look: pl.DataFrame, level: float) -> pl.DataFrame:
    """Draw the findings' ratios towards what all cells looked at share.

    Counts are taken over their dispersion; where the rest has no failure, half a one stands for it.
    """
    wanted = ("observed", "alike", "total", "dispersion")
    cells = pl.concat(
        [first_look.select(wanted), pl.DataFrame([{k: f.row[k] for k in wanted} for f in ranked])]
    )
    seen, alike, total, spread = (cells[name].to_numpy() for name in wanted)
    expected = alike * np.maximum(total - seen, 0.5) / (total - alike)
    shrunk = shrink_rates(np.rint(seen / spread), expected / spread, level=level).table
    return shrunk.tail(len(ranked)).select(
        shrunk_ratio="estimate", shrunk_lower="lower", shrunk_upper="upper"
    )


def _within(finding: Finding, ranked: list[Finding]) -> int | None:
    """Return the number of the finding that one is a part of."""
    if finding.within is None:
        return None
    return next(number for number, other in enumerate(ranked, 1) if other.cell == finding.within)


def _looked_at(found: Search) -> pl.DataFrame:
    """Say how many cells there were of each way to cut them."""
    words = [(" x ".join(kind.dims), kind.against) for kind in KINDS]
    named = pl.DataFrame(
        {
            "kind": pl.Series(range(len(KINDS)), dtype=pl.Int16),
            "cut": [cut for cut, _ in words],
            "against": [against for _, against in words],
        }
    )
    return (
        named.join(found.first_look.group_by("kind").agg(cells=pl.len().cast(pl.Int64)), on="kind")
        .sort("kind")
        .select("cut", "against", "cells")
    )
