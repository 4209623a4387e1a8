"""Which repairs of one vehicle may still come back, and until when."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import polars as pl

from fleetlog.analyses.due_tasks import LONGEST_DAYS, Pace

WINDOW_SCHEMA: Mapping[str, Any] = {
    "component": pl.String, "title": pl.String, "shop": pl.String, "ro_no": pl.String,
    "ready_on": pl.Date, "distance": pl.Int64, "technician": pl.String, "until_on": pl.Date,
    "until_distance": pl.Int64, "closes_on": pl.Date, "back_shop": pl.String,
    "back_ro_no": pl.String, "back_on": pl.Date,
}  # fmt: skip


def open_windows(
    orders: pl.DataFrame, lines: pl.DataFrame, vehicle: Mapping[str, Any], pace: Pace | None,
    on: date, *, unrelated: pl.DataFrame, window_days: int, window_distance: float,
) -> pl.DataFrame:  # fmt: skip
    """Return the repairs whose comeback window is open on a day, the latest first.

    A repair is what :func:`fleetlog.analyses.comebacks.comebacks` counts as one: a visit's work on
    one component that was not planned service alone. Its window is open for ``window_days``, or
    until ``window_distance`` has been driven, whichever is later. ``until_on`` and
    ``until_distance`` are the two limits; ``closes_on`` is the day of the later one, by the
    vehicle's pace (null where that is not known); ``back_*`` names the visit on which the same
    component was at fault again meanwhile. Pairs in ``unrelated`` (``shop``, ``ro_no``,
    ``back_shop``, ``back_ro_no``) are passed over, as people have ruled.
    """
    work = (
        lines.filter(
            pl.col("component").is_not_null()
            & (pl.col("action") != "inspected")
            & pl.col("left_out").is_null()
        )
        .join(
            orders.select(
                "ro_id", "visit_ro", "technician", ready_on=pl.coalesce("closed_on", "opened_on")
            ),
            on="ro_id",
        )
        .sort("opened_on", "ro_id")
        .group_by("visit_ro", "component", maintain_order=True)
        .agg(
            pl.col("title", "shop", "ro_no", "technician", "opened_on", "distance").first(),
            pl.col("ready_on").max(),
            failed=(pl.col("reason") == "failed").any(),
            planned=(pl.col("reason") == "planned").all(),
        )
    )  # fmt: skip
    repairs = work.filter(~pl.col("planned")).with_columns(
        until_on=pl.col("ready_on") + timedelta(days=window_days),
        until_distance=(pl.col("distance") + window_distance).cast(pl.Int64),
    )
    # Most windows are closed by both limits; what is left is a handful.
    perhaps = repairs.filter(
        (pl.col("until_on") >= on) | (pl.col("until_distance") >= vehicle["last_seen_distance"])
    )
    ruled = set(unrelated.select("shop", "ro_no", "back_shop", "back_ro_no").iter_rows())
    found = []
    for repair in perhaps.iter_rows(named=True):
        by_distance = _day_at(repair["until_distance"], vehicle, pace)
        closes = None if by_distance is None else max(repair["until_on"], by_distance)
        if on <= repair["until_on"] or (
            repair["until_distance"] is not None
            and vehicle["last_seen_distance"] <= repair["until_distance"]
            and (closes is None or on <= closes)
        ):
            found.append({**repair, "closes_on": closes} | _back(repair, work, ruled))
    kept = [{name: row[name] for name in WINDOW_SCHEMA} for row in found]
    return pl.DataFrame(kept, schema=dict(WINDOW_SCHEMA)).sort(
        "ready_on", "title", descending=[True, False]
    )


def _day_at(distance: float | None, vehicle: Mapping[str, Any], pace: Pace | None) -> date | None:
    """Return the day on which the vehicle is at a distance; its last day where it is past it."""
    if distance is None:
        return None
    left = distance - vehicle["last_seen_distance"]
    seen: date = vehicle["last_seen_on"]
    if left <= 0:
        return seen
    if pace is None or left / pace.per_day > LONGEST_DAYS:
        return None
    return seen + timedelta(days=round(left / pace.per_day))


def _back(
    repair: Mapping[str, Any], work: pl.DataFrame, ruled: set[tuple[Any, ...]]
) -> dict[str, Any]:
    later = work.filter(
        (pl.col("component") == repair["component"])
        & pl.col("failed")
        & (pl.col("opened_on") > repair["ready_on"])
    )
    this = (repair["shop"], repair["ro_no"])
    row: Mapping[str, Any] = next(
        (
            visit
            for visit in later.iter_rows(named=True)
            if (*this, visit["shop"], visit["ro_no"]) not in ruled
        ),
        {},
    )
    return {
        "back_shop": row.get("shop"),
        "back_ro_no": row.get("ro_no"),
        "back_on": row.get("opened_on"),
    }
