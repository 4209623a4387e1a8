"""What past jobs needed besides the named part, so that the bench is complete before teardown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import duckdb
import numpy as np
import polars as pl

from fleetlog.analyses.components import find_component
from fleetlog.analyses.ready_words import say_ready
from fleetlog.analyses.wording import FEW_REPAIRS, TECHNICIANS_HIDDEN, counted
from fleetlog.catalogue import load_catalogue
from fleetlog.errors import InputError
from fleetlog.lives.select import POSITION_FIELDS, check_choices
from fleetlog.settings import HAVE_READY_SHARE, LEVEL, SIGN_FALSE_DISCOVERIES, THIN_FAILURES
from fleetlog.sql import read_sql
from fleetlog.stats import (
    MeanDifference,
    benjamini_hochberg,
    clustered_mean_difference,
    clustered_proportion,
    mantel_haenszel,
    sample_quantile,
)
from fleetlog.store import Store

ITSELF, BROKE, WITH_IT, USUAL = (
    "the part itself", "broke in the work", "renewed with it", "usual on any job",
)  # fmt: skip
FLUIDS = ("fluid", "coolant", "engine-oil", "gear-oil")
FASTENERS = ("bolt", "stud", "nut", "screw")
SEALS = ("gasket", "seal", "o-ring", "ring")
LATEST_PARTS = 3


@dataclass(frozen=True)
class HaveReady:
    """What jobs on one component of an engine family needed.

    A job is a visit that worked on the component for its own sake: not while apart for another
    part, not broken in the work on another. Orders linked as one job are one.

    Attributes
    ----------
    jobs, vehicles : how many there are, and on how many vehicles.
    needs : a row for each part and way of needing it: ``need`` ("the part itself", "broke in the
        work", "renewed with it", or "usual on any job" where jobs need it no more often than the
        family's other visits do), ``component``, ``title``, ``sort`` (fluid, fastener, gasket or
        seal, part), ``jobs``, ``share`` of the jobs with ``lower`` and ``upper`` (Wilson, at the
        size that clustering by vehicle leaves), ``elsewhere`` (share of the family's other
        visits), ``q_value`` (of so many by chance, adjusted for all rows), ``quantity`` (median,
        where needed), ``quantity_p10``, ``quantity_p90``, ``last_part_no``, ``note``.
    part_numbers : the latest of each part: ``component``, ``title``, ``part_no``, ``part_maker``,
        ``jobs``, ``last_on``, ``shop``, ``ro_no``.
    hours : ``what`` (labour or downtime), ``jobs``, and ``median``, ``p10``, ``p90`` each with
        ``_lower`` and ``_upper`` (null where the jobs are too few for limits), which take jobs as
        independent.
    downtime_difference : mean hours down of jobs in which a part broke, less that of the others;
        None where either kind has fewer than :data:`fleetlog.settings.THIN_FAILURES` vehicles.
    torques : ``fastener``, ``records``, ``median_newton_metres``, ``least``, ``most``, ``doubted``,
        ``shop``, ``ro_no`` (the latest): what was written down, which is no specification.
    unread : ``description``, ``jobs``: lines of those jobs whose part was not recognised.
    evidence : the jobs, latest first: ``vin``, ``unit_no``, ``shop``, ``ro_no``, ``opened_on``,
        ``odometer``, ``technician`` (null where the store does not show names), ``renewed``,
        ``broke`` (words), ``labour_h``, ``downtime_h``.
    left_out : ``why``, ``count``.
    summary : sentences, the answer first.
    """

    engine_family: str
    component: str
    title: str
    where: dict[str, str | int]
    level: float
    jobs: int
    vehicles: int
    needs: pl.DataFrame
    part_numbers: pl.DataFrame
    hours: pl.DataFrame
    downtime_difference: MeanDifference | None
    torques: pl.DataFrame
    unread: pl.DataFrame
    evidence: pl.DataFrame
    left_out: pl.DataFrame
    summary: tuple[str, ...]


def have_ready(
    store: Store,
    engine_family: str,
    component: str,
    *,
    where: Mapping[str, str | int] | None = None,
    level: float = LEVEL.value,
) -> HaveReady:
    """Say what past jobs on a component needed besides it.

    Parameters
    ----------
    engine_family : code of the family. component : code in the catalogue.
    where : only jobs at such a place, by ``bank``, ``cylinder``, ``side``, ``slot``:
        ``{"bank": 2, "side": "exhaust"}``; jobs that did not say the place are left out.
    level : confidence level of every limit.

    Raises
    ------
    InputError : an unknown component or place, or no such job.

    Notes
    -----
    A part belongs to the job where more of the jobs need it than of the family's other visits,
    beyond chance (Mantel and Haenszel's table of one stratum, its tail bounded by a binomial;
    false discoveries controlled by Benjamini and Hochberg 1995). So an oil change that fell on
    the same day is not taken for a part of the job. Hours are those of jobs with no work that
    is foreign to them, where there are enough.
    """
    title = find_component(component).title
    where = dict(where or {})
    check_choices("place", tuple(where), POSITION_FIELDS)
    with store.read() as connection:
        places = connection.sql(
            read_sql("analyses", "position_names"),
            params={"component": component, "engine_family": engine_family},
        ).pl()
        if places.is_empty():
            raise InputError(
                f"engine family {engine_family!r} carries no {component}: check the family's code"
            )
        orders = connection.sql(
            read_sql("analyses", "have_ready_family"), params={"engine_family": engine_family}
        ).pl()
        connection.register("family_order", orders)
        named = connection.sql(
            read_sql("analyses", "have_ready_named"),
            params={"component": component, "placed": bool(where)},
        ).pl()
        chosen, left_out = _jobs_alone(named, places, where)
        if chosen.is_empty():
            raise InputError(
                f"no past job on {component}{_at(where)} of engine family {engine_family!r}: ask "
                "without a place, about another family, or load more orders"
            )
        every_job = named.filter(~pl.col("on_side")).select("visit_ro").unique()
        told = _ask(connection, chosen, every_job)
    needs = _needs(told.work, told.jobs, told.usual, component, level)
    jobs = _with_hours(told.jobs, told.work, needs)
    result = HaveReady(
        engine_family=engine_family,
        component=component,
        title=title,
        where=where,
        level=level,
        jobs=jobs.height,
        vehicles=jobs["vin"].n_unique(),
        needs=needs,
        part_numbers=_part_numbers(told.parts, needs),
        hours=_hours(jobs, level),
        downtime_difference=_difference(jobs, level),
        torques=told.torques,
        unread=_unread(told.work),
        evidence=_evidence(told.work, jobs, component),
        left_out=_with_told_again(left_out, told.work),
        summary=(),
    )
    hidden = [TECHNICIANS_HIDDEN] if jobs["technician_hidden"].any() else []
    return replace(result, summary=(*say_ready(result, HAVE_READY_SHARE.value), *hidden))


@dataclass(frozen=True)
class _Told:
    """What the store tells of the jobs: one row a job, a row a job and part, and so on."""

    jobs: pl.DataFrame
    work: pl.DataFrame
    parts: pl.DataFrame
    torques: pl.DataFrame
    usual: pl.DataFrame


def _ask(
    connection: duckdb.DuckDBPyConnection, chosen: pl.DataFrame, every_job: pl.DataFrame
) -> _Told:
    connection.register("job_visit", chosen)
    connection.register("every_job", every_job)
    told = {
        name: connection.sql(read_sql("analyses", f"have_ready_{query}")).pl()
        for name, query in (
            ("jobs", "orders"), ("work", "work"), ("parts", "parts"), ("torques", "torques"),
            ("usual", "usual"),
        )
    }  # fmt: skip
    return _Told(**told)


def _place(where: Mapping[str, str | int]) -> str:
    return ", ".join(f"{name} {value}" for name, value in where.items())


def _at(where: Mapping[str, str | int]) -> str:
    return f" at {_place(where)}" if where else ""


def _at_place(
    lines: pl.DataFrame, places: pl.DataFrame, where: Mapping[str, str | int]
) -> pl.DataFrame:
    """Mark lines by whether their words name the place: ``surely`` and ``perhaps``.

    Raises
    ------
    InputError : the component has no such place.
    """
    asked = [pl.col(f"at_{name}").cast(pl.String) == str(value) for name, value in where.items()]
    named = places.rename({name: f"at_{name}" for name in POSITION_FIELDS}).with_columns(
        here=pl.all_horizontal(pl.lit(value=True), *asked)
    )
    if not named["here"].any():
        raise InputError(f"this part has no place {_place(where)} on this engine family")
    fits = [
        pl.col(name).is_null() | (pl.col(name) == pl.col(f"at_{name}")) for name in POSITION_FIELDS
    ]
    # Few ways of naming a place, few places: a small table.
    said = (
        lines.select(POSITION_FIELDS)
        .unique()
        .join(named, how="cross")
        .filter(*fits)
        .group_by(POSITION_FIELDS)
        .agg(surely=pl.col("here").all(), perhaps=pl.col("here").any())
    )
    return lines.join(said, on=POSITION_FIELDS, how="left", nulls_equal=True, maintain_order="left")


def _jobs_alone(
    named: pl.DataFrame, places: pl.DataFrame, where: Mapping[str, str | int]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the visits that are jobs on the component; count those that are not, and why."""
    main = ~pl.col("on_side")
    visits = (
        _at_place(named, places, where)
        .group_by("visit_ro")
        .agg(
            job=main.any(),
            here=(main & pl.col("surely").fill_null(value=False)).any(),
            perhaps=(main & pl.col("perhaps").fill_null(value=False)).any(),
        )
    )
    elsewhere = visits.filter("job", ~pl.col("here"))
    rows = {
        "visit that renewed it on the side of another job": visits.filter(~pl.col("job")).height,
        "job at another place": elsewhere.filter(~pl.col("perhaps")).height,
        "job that did not say its place": elsewhere.filter("perhaps").height,
    }
    counts = pl.DataFrame(
        {"why": list(rows), "count": list(rows.values())},
        schema={"why": pl.String, "count": pl.Int64},
    )
    return visits.filter("job", "here").select("visit_ro").sort("visit_ro"), counts


def _with_told_again(left_out: pl.DataFrame, work: pl.DataFrame) -> pl.DataFrame:
    again = pl.DataFrame(
        {
            "why": ["line told again on another order of the same job"],
            "count": [int(work["told_again"].sum())],
        }
    )
    return pl.concat([left_out, again]).filter(pl.col("count") > 0)


def _with_hours(jobs: pl.DataFrame, work: pl.DataFrame, needs: pl.DataFrame) -> pl.DataFrame:
    """Give each job its labour, whether a part of it broke, and whether foreign work was done."""
    own = needs.filter(pl.col("need") != USUAL)["component"].unique().to_list()
    foreign = ~pl.col("component").is_in(own).fill_null(value=False)
    by_job = work.group_by("visit_ro").agg(
        line_labour_h=pl.when(pl.col("labour_h").count() > 0).then(pl.col("labour_h").sum()),
        broke=(pl.col("broke") & ~foreign).any(),
        foreign=(foreign & ~pl.col("looked")).any(),
    )
    return jobs.join(by_job, on="visit_ro", maintain_order="left").with_columns(
        labour_h=pl.coalesce("labour_h", "line_labour_h")
    )


def _needs(
    work: pl.DataFrame, jobs: pl.DataFrame, usual: pl.DataFrame, component: str, level: float
) -> pl.DataFrame:
    """Count what the jobs needed, and compare it with what the family's other visits need."""
    worked_on = (pl.col("component") == component) & ~pl.col("broke") & ~pl.col("looked")
    place = jobs.select("visit_ro", "opened_on").with_row_index("place")
    lines = (
        work.filter(pl.col("renewed") | worked_on, pl.col("component").is_not_null())
        .drop_nulls("quantity")
        .join(place, on="visit_ro", maintain_order="left")
    )
    by_job = lines.group_by("component", "broke", "place").agg(pl.col("quantity").sum())
    numbered = lines.drop_nulls("part_no").sort("opened_on", "visit_ro", maintain_order=True)
    last_no = {
        (code, broke): part_no
        for code, broke, part_no in numbered.group_by("component", "broke")
        .agg(pl.col("part_no").last())
        .rows()
    }
    elsewhere = {(row[0], row[1]): int(row[2]) for row in usual.rows()}
    others = elsewhere.pop((None, None), 0)
    vehicles = jobs["vin"].rank("dense").cast(pl.Int64).to_numpy()
    rows: list[dict[str, Any]] = []
    for (code, broke), group in sorted(by_job.partition_by("component", "broke", as_dict=True)
                                       .items()):  # fmt: skip
        needed = np.zeros(jobs.height, dtype=bool)
        needed[group["place"].to_numpy()] = True
        share = clustered_proportion(needed, vehicles, level=level)
        amount = group["quantity"].to_numpy()
        low, middle, high = np.quantile(amount, [0.1, 0.5, 0.9])
        part = load_catalogue().components.get(str(code))
        rows.append(
            {
                "need": ITSELF if code == component and not broke else BROKE if broke else WITH_IT,
                "component": code,
                "title": part.title if part else code,
                "sort": _sort(str(code)),
                "jobs": share.seen,
                "share": share.share,
                "lower": share.lower,
                "upper": share.upper,
                "elsewhere_visits": elsewhere.get((code, broke), 0),
                "design_effect": share.design_effect,
                "quantity": float(middle),
                "quantity_p10": float(low),
                "quantity_p90": float(high),
                "last_part_no": last_no.get((code, broke)),
            }
        )
    return _compared(pl.DataFrame(rows, infer_schema_length=None), jobs.height, others)


def _compared(rows: pl.DataFrame, jobs: int, others: int) -> pl.DataFrame:
    """Say which needs belong to the job: those that it has more often than other visits have."""
    its_own = rows["need"] == ITSELF
    tested = rows.filter(~its_own)
    if tested.is_empty() or not others:
        tested = tested.with_columns(q_value=pl.lit(None, dtype=pl.Float64))
    else:
        seen, elsewhere = (
            tested[name].cast(pl.Float64).to_numpy()[:, None]
            for name in ("jobs", "elsewhere_visits")
        )
        odds = mantel_haenszel(seen, jobs - seen, elsewhere, others - elsewhere)
        tested = tested.with_columns(
            pl.Series("q_value", benjamini_hochberg(np.atleast_1d(odds.p_excess)))
        )
    share = pl.col("elsewhere_visits") / others if others else pl.lit(None, dtype=pl.Float64)
    belongs = (
        (pl.col("q_value") <= SIGN_FALSE_DISCOVERIES.value) & (pl.col("share") > share)
        if others
        else pl.lit(value=True)
    )
    thin = f"thin: only {counted(jobs, 'job')}" if jobs < THIN_FAILURES.value else ""
    order = {ITSELF: 0, BROKE: 1, WITH_IT: 1, USUAL: 2}
    return (
        pl.concat(
            [rows.filter(its_own).with_columns(q_value=pl.lit(None, dtype=pl.Float64)), tested],
            how="vertical_relaxed",
        )
        .with_columns(
            elsewhere=share,
            need=pl.when((pl.col("need") != ITSELF) & ~belongs.fill_null(value=False))
            .then(pl.lit(USUAL))
            .otherwise("need"),
            note=pl.concat_str(
                pl.lit(thin),
                pl.when(pl.col("design_effect") > 1.2)
                .then(pl.lit("widened: jobs of one vehicle are alike"))
                .otherwise(pl.lit("")),
                separator="; ",
            ).str.strip_chars("; "),
        )
        .sort(
            pl.col("need").replace_strict(order), "share", "component",
            descending=[False, True, False],
        )
        .select(
            "need", "component", "title", "sort", "jobs", "share", "lower", "upper", "elsewhere",
            "q_value", "quantity", "quantity_p10", "quantity_p90", "last_part_no", "note",
        )
    )  # fmt: skip


def _sort(code: str) -> str:
    name = code.rpartition(".")[2]
    for sort, endings in (("fluid", FLUIDS), ("fastener", FASTENERS), ("gasket or seal", SEALS)):
        if name.endswith(endings):
            return sort
    return "part"


def _hours(jobs: pl.DataFrame, level: float) -> pl.DataFrame:
    """Spread of labour and of downtime, of jobs without foreign work where those suffice."""
    alone = jobs.filter(~pl.col("foreign"))
    rows = []
    for what, column in (("labour", "labour_h"), ("downtime", "downtime_h")):
        own, every = alone[column].drop_nulls(), jobs[column].drop_nulls()
        enough = len(own) >= FEW_REPAIRS or len(own) == len(every)
        values = own if enough else every
        if values.is_empty():
            continue
        row: dict[str, Any] = {"what": what, "jobs": len(values)}
        for name, p in (("median", 0.5), ("p10", 0.1), ("p90", 0.9)):
            found = sample_quantile(values.to_numpy(), p, level=level)
            row |= {name: found.value, f"{name}_lower": found.lower, f"{name}_upper": found.upper}
        row["note"] = (
            "jobs without other work on the same visit"
            if enough and len(own) < len(every)
            else "all jobs, other work on the same visit included"
            if not enough
            else ""
        )
        rows.append(row)
    names = [
        f"{name}{end}" for name in ("median", "p10", "p90") for end in ("", "_lower", "_upper")
    ]
    return pl.DataFrame(
        rows,
        schema={"what": pl.String, "jobs": pl.Int64}
        | dict.fromkeys(names, pl.Float64)
        | {"note": pl.String},
    )


def _difference(jobs: pl.DataFrame, level: float) -> MeanDifference | None:
    known = jobs.filter(pl.col("downtime_h").is_not_null())
    vehicles = dict(known.group_by("broke").agg(pl.col("vin").n_unique()).rows())
    # A few jobs of one kind tell nothing of how that kind varies.
    if min(vehicles.get(kind, 0) for kind in (True, False)) < THIN_FAILURES.value:
        return None
    return clustered_mean_difference(
        known["downtime_h"].to_numpy(),
        known["broke"].to_numpy(),
        known["vin"].rank("dense").cast(pl.Int64).to_numpy(),
        level=level,
    )


def _part_numbers(parts: pl.DataFrame, needs: pl.DataFrame) -> pl.DataFrame:
    titles = needs.filter(pl.col("need") != USUAL).select("component", "title").unique()
    return (
        parts.join(titles, on="component", maintain_order="left")
        .group_by("component", maintain_order=True)
        .head(LATEST_PARTS)
        .select("component", "title", "part_no", "part_maker", "jobs", "last_on", "shop", "ro_no")
    )


def _unread(work: pl.DataFrame) -> pl.DataFrame:
    return (
        work.filter(pl.col("component").is_null())
        .group_by("description")
        .agg(jobs=pl.col("visit_ro").n_unique().cast(pl.Int64))
        .sort("jobs", "description", descending=[True, False], nulls_last=True)
    )


def _evidence(work: pl.DataFrame, jobs: pl.DataFrame, component: str) -> pl.DataFrame:
    parts = load_catalogue().components
    titles = {code: parts[code].title if code in parts else code
              for code in work["component"].drop_nulls().unique()}  # fmt: skip
    # Few titles, many lines: in a list of their own they sort as numbers do.
    names = pl.Enum(sorted(set(titles.values())))
    words = (
        work.filter("renewed", pl.col("component").is_not_null())
        .select(
            "visit_ro", "broke", its_own=pl.col("component") == component,
            name=pl.col("component").replace_strict(titles, return_dtype=names),
        )
        .unique()
        .sort("name")
        .with_columns(pl.col("name").cast(pl.String))
        .group_by("visit_ro")
        .agg(
            renewed=pl.col("name").filter(~pl.col("broke") & ~pl.col("its_own")),
            broke=pl.col("name").filter("broke"),
        )
        .with_columns(pl.col("renewed", "broke").list.join(", "))
    )  # fmt: skip
    return (
        jobs.drop("broke")
        .join(words, on="visit_ro", how="left")
        .sort("opened_on", "visit_ro", descending=True)
        .select(
            "vin", "unit_no", "shop", "ro_no", "opened_on", "odometer", "technician",
            pl.col("renewed", "broke").fill_null(""), "labour_h", "downtime_h",
        )
    )  # fmt: skip
