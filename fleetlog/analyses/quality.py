"""Say how far the records can be trusted, and what should be mended first."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from fleetlog.analyses.results import Quality
from fleetlog.analyses.unseen import Unseen, unseen
from fleetlog.analyses.wording import (
    FEW_REPAIRS,
    between,
    between_shares,
    counted,
    listed,
    number,
    per_cent,
)
from fleetlog.sql import read_sql
from fleetlog.stats import proportion_difference, proportion_interval
from fleetlog.store import Store

MISSING: Final = "missing failures"
LATELY_QUARTERS: Final = 2
MEASURES: Final = {"with_odometer": "orders with an odometer", "all_coded": "orders wholly coded"}
_FIX_SCHEMA: Final = pl.Schema(
    {
        "what": pl.String,
        "where": pl.String,
        "rows": pl.Int64,
        "gain": pl.String,
        "failures": pl.Float64,
        "lower": pl.Float64,
        "upper": pl.Float64,
        "how": pl.String,
        "examples": pl.String,
        "do": pl.String,
    }
)


def quality(store: Store, *, level: float = 0.95) -> Quality:
    """Report what the records say and leave unsaid, and what to mend first.

    Counted in the store: linear in its rows. Limits of shares are Wilson's, of changes
    Newcombe's; changes are judged at a level that allows for every shop and measure looked at.
    """
    frames = {
        name: store.frame(read_sql("analyses", f"quality_{name}"))
        for name in (
            "completeness", "coding", "failures", "readings", "vehicles", "held", "left_out",
            "quarters", "doubts",
        )
    }  # fmt: skip
    completeness = _with_share(frames["completeness"], "filled", "rows", level)
    coded = frames["coding"].with_columns(coded=pl.col("from_columns") + pl.col("from_text"))
    coding = _with_share(coded, "coded", "lines", level)
    drift = _drift(frames["quarters"], level)
    with store.read() as connection:
        unread = unseen(connection)
    fix_first = _fix_first(frames, unread, level)
    return Quality(
        fix_first=fix_first,
        completeness=completeness,
        coding=coding.select(
            "shop", "lines", "from_columns", "from_text", "kept_as_text", "share", "lower", "upper"
        ),
        failures=frames["failures"].select(
            "shop", "failures", "position_assumed", "distance_estimated", "no_failure_mode"
        ),
        readings=frames["readings"],
        vehicles=frames["vehicles"],
        held=frames["held"],
        left_out=frames["left_out"],
        drift=drift,
        quarters=frames["quarters"],
        summary=(*_summary(frames, fix_first, drift, level), *unread.words),
    )


def _with_share(frame: pl.DataFrame, part: str, whole: str, level: float) -> pl.DataFrame:
    lower, upper = proportion_interval(frame[part], frame[whole], level=level)
    return frame.with_columns(
        share=pl.col(part) / pl.col(whole),
        lower=pl.Series(np.atleast_1d(lower), dtype=pl.Float64),
        upper=pl.Series(np.atleast_1d(upper), dtype=pl.Float64),
    )


# ---- what changed -----------------------------------------------------------------------------


def _drift(quarters: pl.DataFrame, level: float) -> pl.DataFrame:
    """Compare the last two quarters of each shop with all that came before."""
    lately = pl.col("quarter").rank("dense", descending=True).over("shop") <= LATELY_QUARTERS
    long = (
        quarters.with_columns(lately=lately)
        .unpivot(
            index=["shop", "orders", "lately"], on=list(MEASURES), variable_name="measure",
            value_name="seen",
        )
        .group_by("shop", "measure", maintain_order=True)
        .agg(
            seen_before=pl.col("seen").filter(~pl.col("lately")).sum(),
            orders_before=pl.col("orders").filter(~pl.col("lately")).sum(),
            seen_lately=pl.col("seen").filter("lately").sum(),
            orders_lately=pl.col("orders").filter("lately").sum(),
        )
        .filter(pl.col("orders_before") > 0)
    )  # fmt: skip
    # Every comparison may cry wolf: each gets its part of what is allowed (Bonferroni).
    each = 1 - (1 - level) / max(1, long.height)
    lower, upper = proportion_difference(
        long["seen_lately"], long["orders_lately"], long["seen_before"], long["orders_before"],
        level=each,
    )  # fmt: skip
    changed = (pl.col("lower") > 0) | (pl.col("upper") < 0)
    few = pl.min_horizontal("orders_lately", "orders_before") < FEW_REPAIRS
    return long.with_columns(
        lower=pl.Series(np.atleast_1d(lower), dtype=pl.Float64),
        upper=pl.Series(np.atleast_1d(upper), dtype=pl.Float64),
    ).select(
        "shop",
        measure=pl.col("measure").replace_strict(MEASURES, return_dtype=pl.String),
        before=pl.col("seen_before") / pl.col("orders_before"),
        orders_before="orders_before",
        lately=pl.col("seen_lately") / pl.col("orders_lately"),
        orders_lately="orders_lately",
        lower="lower",
        upper="upper",
        note=pl.when(changed)
        .then(
            pl.when(pl.col("upper") < 0)
            .then(pl.lit("worse lately"))
            .otherwise(pl.lit("better lately"))
        )
        .when(few)
        .then(pl.lit("too few orders to tell"))
        .otherwise(pl.lit("no change beyond chance")),
    )


# ---- what to mend first -----------------------------------------------------------------------


def _fix_first(frames: dict[str, pl.DataFrame], unread: Unseen, level: float) -> pl.DataFrame:
    coding, failures = frames["coding"], frames["failures"]
    renewals = _failure_share(coding, "renewed_known", level)
    all_lines = _failure_share(coding, "known", level)
    whole = coding.select(pl.col("failed", "known").sum()).with_columns(shop=pl.lit("all shops"))
    whole_share = _failure_share(whole, "known", level)
    held = frames["held"].filter(pl.col("kind").is_in(["repairs", "order-lines"]))
    share_words = "the share of failures among the {} of this shop whose part and reason are known"
    items = [
        _estimated(
            coding, renewals, "uncoded", "uncoded_orders",
            what="lines whose part nobody could tell",
            how=share_words.format("renewals"),
            do="fleetlog review --export, fill in the part, load it as order-lines",
        ),
        _estimated(
            coding, renewals, "no_reason", "no_reason_orders",
            what="renewals without a reason",
            how=share_words.format("renewals"),
            do="give the export a column of reasons, or write why into the correction",
        ),
        _estimated(
            coding, all_lines, "no_action", "no_action_orders",
            what="lines that do not say what was done",
            how=share_words.format("lines"),
            do="give the export a column of actions, or write what was done",
        ),
        held.join(whole_share, how="cross").select(
            what=pl.concat_str(
                pl.lit("held rows: "), "column", pl.lit(" "), "problem", ignore_nulls=True
            ),
            where="file_name",
            rows="rows",
            gain=pl.lit(MISSING),
            failures=pl.col("rows") * pl.col("share"),
            lower=pl.col("rows") * pl.col("share_lower"),
            upper=pl.col("rows") * pl.col("share_upper"),
            how=pl.lit("the share of failures among all lines whose part and reason are known"),
            examples=pl.lit("rows ")
            + pl.col("first_rows").cast(pl.List(pl.String)).list.join(", "),
            do=pl.lit("fleetlog held --export, correct the cells, load --corrections"),
        ),
        frames["left_out"]
        .filter((pl.col("failed") > 0) & ~pl.col("why").str.starts_with("the same line"))
        .select(
            what=pl.lit("failures left out: ") + pl.col("why"),
            where=pl.lit("all shops"),
            rows="failed",
            gain=pl.lit(MISSING),
            failures=pl.col("failed").cast(pl.Float64),
            lower=pl.col("failed").cast(pl.Float64),
            upper=pl.col("failed").cast(pl.Float64),
            how=pl.lit("counted"),
            examples=pl.col("orders").list.join(", "),
            do=pl.lit("correct the order's day, odometer or position, and load it again"),
        ),
        _counted(
            failures, "position_assumed", "a known place in the engine",
            what="failures whose position is assumed",
            do="write bank, cylinder and side on the line",
        ),
        _counted(
            failures, "distance_estimated", "a known distance",
            what="failures whose distance is estimated",
            do="write the odometer on the order, or load fuel readings",
        ),
        _counted(
            failures, "no_failure_mode", "a known way of failing",
            what="failures that do not say how the part failed",
            do="write how it failed into the cause",
        ),
        _silent(unread),
    ]  # fmt: skip
    rows = pl.concat([item.select(_FIX_SCHEMA.names()).cast(_FIX_SCHEMA) for item in items])
    return rows.filter(pl.col("rows") > 0).sort(
        pl.col("gain") != MISSING, "failures", "rows", "what", "where",
        descending=[False, True, True, False, False], nulls_last=True,
    )  # fmt: skip


def _failure_share(coding: pl.DataFrame, among: str, level: float) -> pl.DataFrame:
    """Return the share of failures of each shop with limits; null where nothing is known."""
    some = coding.filter(pl.col(among) > 0)
    lower, upper = proportion_interval(some["failed"], some[among], level=level)
    found = some.select(
        "shop",
        share=pl.col("failed") / pl.col(among),
        share_lower=pl.Series(np.atleast_1d(lower), dtype=pl.Float64),
        share_upper=pl.Series(np.atleast_1d(upper), dtype=pl.Float64),
    )
    return coding.select("shop").join(found, on="shop", how="left", maintain_order="left")


def _estimated(
    coding: pl.DataFrame,
    shares: pl.DataFrame,
    count: str,
    orders: str,
    *,
    what: str,
    how: str,
    do: str,
) -> pl.DataFrame:
    return coding.join(shares, on="shop", how="left", maintain_order="left").select(
        what=pl.lit(what),
        where="shop",
        rows=count,
        gain=pl.lit(MISSING),
        failures=pl.col(count) * pl.col("share"),
        lower=pl.col(count) * pl.col("share_lower"),
        upper=pl.col(count) * pl.col("share_upper"),
        how=pl.when(pl.col("share").is_null())
        .then(pl.lit("cannot be told: repair events, of which none is known to have failed or not"))
        .otherwise(pl.lit(how)),
        examples=pl.col(orders).list.join(", "),
        do=pl.lit(do),
    )


def _counted(failures: pl.DataFrame, count: str, gain: str, *, what: str, do: str) -> pl.DataFrame:
    exact = pl.col(count).cast(pl.Float64)
    return failures.select(
        what=pl.lit(what),
        where="shop",
        rows=count,
        gain=pl.lit(gain),
        failures=exact,
        lower=exact,
        upper=exact,
        how=pl.lit("counted"),
        examples=pl.col(f"{count}_orders").list.join(", "),
        do=pl.lit(do),
    )


def _silent(unread: Unseen) -> pl.DataFrame:
    """Name the vehicles that went unseen, where they are so many that rates are off."""
    row = {
        "what": "running vehicles without a reading lately",
        "where": "all shops",
        "rows": unread.silent if unread.matters else 0,
        "gain": "rates of failure that are not too high",
        "how": "cannot be told: what was not seen may or may not have failed",
        "examples": ", ".join(unread.longest),
        "do": "load fuel or inspection readings, and say which have left the fleet",
    }
    return pl.DataFrame([row]).with_columns(
        pl.lit(None).alias(name) for name in ("failures", "lower", "upper")
    )


# ---- in words ---------------------------------------------------------------------------------


def _summary(
    frames: dict[str, pl.DataFrame], fix_first: pl.DataFrame, drift: pl.DataFrame, level: float
) -> tuple[str, ...]:
    said = []
    lines = int(frames["coding"]["lines"].sum())
    if not lines:
        return ("There are no repair lines yet: load some first.",)
    as_text = int(frames["coding"]["kept_as_text"].sum())
    share = (lines - as_text) / lines
    limits = proportion_interval(lines - as_text, lines, level=level)
    said.append(
        f"The part is known of {per_cent(share)} of {counted(lines, 'line')} "
        f"({between_shares((float(limits[0]), float(limits[1])))})."
    )
    failures = int(frames["failures"]["failures"].sum()) if frames["failures"].height else 0
    if failures:
        assumed = int(frames["failures"]["position_assumed"].sum())
        estimated = int(frames["failures"]["distance_estimated"].sum())
        said.append(
            f"Of {counted(failures, 'failure')}, {per_cent(assumed / failures)} have an assumed "
            f"position and {per_cent(estimated / failures)} an estimated distance."
        )
    readings = frames["readings"]
    aside = int(readings.filter(pl.col("verdict") != "used")["readings"].sum())
    all_readings = int(readings["readings"].sum())
    said.append(
        f"{counted(aside, 'reading')} of {all_readings:,} corrected or set aside; "
        f"{counted(int(frames['vehicles']['rows'].sum()), 'row')} with a vehicle found otherwise "
        f"than written; {counted(int(frames['held']['rows'].sum()), 'row')} held."
    )
    doubts = frames["doubts"].row(0, named=True)
    if doubts["linked_orders"] or doubts["asked_orders"] or doubts["doubted_torques"]:
        said.append(
            f"{counted(doubts['linked_orders'], 'pair')} of orders told twice, "
            f"{counted(doubts['asked_orders'], 'question')} about more; "
            f"{counted(doubts['doubted_torques'], 'torque')} in doubt of its unit."
        )
    worse = drift.filter(pl.col("note") == "worse lately")
    if worse.height:
        said.append(
            "Worse lately: "
            + listed(
                f"{shop}, {measure}" for shop, measure in worse.select("shop", "measure").rows()
            )
            + "."
        )
    missing = fix_first.filter(pl.col("gain") == MISSING)
    if missing.height:
        first = missing.row(0, named=True)
        much = (
            f"some {number(first['failures'])} failures "
            f"({between((first['lower'], first['upper']))})"
            if first["failures"] is not None
            else "failures of a number that cannot be told"
        )
        said.append(
            f"Mend first: {first['what']} ({first['where']}, {counted(first['rows'], 'row')}), "
            f"which hide {much}."
        )
    return tuple(said)
