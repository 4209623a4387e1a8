"""When the tasks of a vehicle's service rules were last done, and when they fall due again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import NormalDist
from typing import Any

import numpy as np
import polars as pl

from fleetlog.analyses.wording import number
from fleetlog.settings import DUE_SOON_DAYS, LEVEL

FEWEST_RESIDUALS = 5
"""Limits of a pace need so many readings between others (our rule of thumb)."""

LONGEST_DAYS = 36_500
"""A date further off than a century is no date."""

OTHER_ACTIONS = (
    ("inspect", ("inspected",)),
    ("check", ("inspected",)),
    ("clean", ("cleaned",)),
    ("adjust", ("adjusted",)),
)
"""Words of a task and the actions that fulfil it beside a replacement."""

DUE_SCHEMA: Mapping[str, Any] = {
    "task": pl.String, "component": pl.String, "title": pl.String, "origin": pl.String,
    "safety_critical": pl.Boolean, "state": pl.String, "every_distance": pl.Int64,
    "every_days": pl.Int64, "every_hours": pl.Int64, "last_done_on": pl.Date,
    "last_done_distance": pl.Int64, "shop": pl.String, "ro_no": pl.String,
    "since_distance": pl.Int64, "since_days": pl.Int64, "since_hours": pl.Float64,
    "left_distance": pl.Int64, "left_days": pl.Int64, "left_hours": pl.Float64,
    "due_at_distance": pl.Int64, "due_on": pl.Date, "due_on_lower": pl.Date,
    "due_on_upper": pl.Date, "note": pl.String,
}  # fmt: skip


@dataclass(frozen=True)
class Pace:
    """How fast one vehicle runs up distance, and how unevenly.

    Attributes
    ----------
    per_day : distance a day over the last ``over_days`` before its last reading.
    steady, drift : the variance of the distance driven in T days about ``per_day`` times T is
        ``steady`` T + ``drift`` T T; None where the readings are too few to tell.
    """

    per_day: float
    over_days: int
    steady: float | None
    drift: float | None


def pace_of(sums: Mapping[str, Any]) -> Pace | None:
    """Return the pace that a row of ``vehicle_pace`` tells of; None where there is none.

    The two terms solve the two equations of moments that ``lives/sql/orders.sql`` solves for a
    group, here for the vehicle alone. The uncertainty of the pace itself is in ``drift``.
    """
    if not sums["per_day"] or sums["per_day"] <= 0:
        return None
    steady = drift = None
    if sums["near_n"] >= FEWEST_RESIDUALS and sums["near_hh"] > 0:
        under = sums["near_h"] * sums["far_hh"] - sums["far_h"] * sums["near_hh"]
        solved = (
            (sums["near_h"] * sums["far_rr"] - sums["far_h"] * sums["near_rr"]) / under
            if under
            else 0.0
        )
        drift = max(0.0, solved)
        if drift * sums["near_hh"] >= sums["near_rr"]:
            drift = sums["near_rr"] / sums["near_hh"]
        steady = max(0.0, (sums["near_rr"] - drift * sums["near_hh"]) / sums["near_h"])
        # What the pace was measured by errs as the days to come do.
        drift = 2 * drift + steady / sums["over_days"]
    return Pace(float(sums["per_day"]), int(sums["over_days"]), steady, drift)


def days_until(
    distance: float, pace: Pace, *, level: float = LEVEL.value
) -> tuple[float, float | None, float | None]:
    """Return in how many days a vehicle has gone ``distance`` further, with limits.

    The limits are where the distance lies on the edge of what may have been driven by then:
    (distance - p T)^2 = z^2 (steady T + drift T^2), a quadratic in T (as Fieller's limits of a
    ratio). The upper one is None where the pace is not known well enough to promise arrival; both
    are None where the pace has no spread.
    """
    days = distance / pace.per_day
    if pace.steady is None or pace.drift is None:
        return days, None, None
    z = NormalDist().inv_cdf((1 + level) / 2)
    a = pace.per_day**2 - z**2 * pace.drift
    b = 2 * pace.per_day * distance + z**2 * pace.steady
    root = math.sqrt(max(0.0, b**2 - 4 * a * distance**2))
    # The root that stays finite as a passes through nought.
    lower = 2 * distance**2 / (b + root)
    upper = (b + root) / (2 * a) if a > 0 else None
    return days, lower, upper


def due_tasks(
    rules: pl.DataFrame, lines: pl.DataFrame, meters: pl.DataFrame, vehicle: Mapping[str, Any],
    positions: Mapping[str, list[int]], on: date,
) -> pl.DataFrame:  # fmt: skip
    """Return the tasks of ``rules`` with what is left of each, the most pressing first.

    Parameters
    ----------
    rules : ``task``, ``component``, ``title``, ``every_distance``, ``every_days``,
        ``every_hours``, ``origin``, ``safety_critical``.
    lines : of the vehicle: ``component``, ``action``, ``positions`` (ordinals; null where a line
        made no event), ``position_assumed``, ``left_out`` (why it counts for nothing, else null),
        ``opened_on``, ``distance``, ``shop``, ``ro_no``.
    meters : ``read_on``, ``hours`` (believed).
    vehicle : a row of ``vehicle_head.sql``.
    positions : component to the ordinals of its positions on this engine family. A task is done
        when it is done at all of them: the position where it is longest ago counts.
    on : the day from which days are counted.

    Returns
    -------
    Columns :data:`DUE_SCHEMA`. ``state`` is "overdue", "due" (within
    :data:`fleetlog.settings.DUE_SOON_DAYS` days, or past by the vehicle's pace though by no
    reading), "later" or "not known"; ``left_*`` is negative where a limit is passed;
    ``due_on`` is the earliest of the limits, by the calendar or the vehicle's own pace, with
    limits where they could be formed; of an overdue task the day that its limit of days set.
    """
    pace = pace_of(vehicle)
    hours = _Hours.of(meters)
    told = [
        _task(rule, _last_done(rule, lines, positions), hours, pace, vehicle, on)
        for rule in rules.iter_rows(named=True)
    ]
    rank = pl.col("state").replace_strict(
        {"overdue": 0, "due": 1, "later": 2, "not known": 3}, return_dtype=pl.Int8
    )
    return pl.DataFrame(told, schema=dict(DUE_SCHEMA)).sort(
        rank, pl.col("safety_critical").not_(), "due_on", "task", nulls_last=True
    )


@dataclass(frozen=True)
class _Hours:
    """Believed engine hours of a vehicle by day."""

    days: Any
    hours: Any

    @classmethod
    def of(cls, meters: pl.DataFrame) -> _Hours:
        known = meters.drop_nulls("hours").group_by("read_on").agg(pl.col("hours").max())
        known = known.sort("read_on")
        days = known["read_on"].to_physical().cast(pl.Float64).to_numpy()
        return cls(days, known["hours"].to_numpy())

    def at(self, day: date) -> float | None:
        """Read the hours on a day between two readings; None outside of them."""
        place = (day - date(1970, 1, 1)).days
        if len(self.days) == 0 or not self.days[0] <= place <= self.days[-1]:
            return None
        return float(np.interp(place, self.days, self.hours))

    def per_day(self) -> float | None:
        """Return the hours a day over the last year of readings, or over all of them."""
        if len(self.days) < 2:
            return None
        start = max(0, int(np.searchsorted(self.days, self.days[-1] - 366)))
        if self.days[-1] - self.days[start] < 183:
            start = 0
        pace = (self.hours[-1] - self.hours[start]) / (self.days[-1] - self.days[start])
        return float(pace) if pace > 0 else None


def _last_done(
    rule: Mapping[str, Any], lines: pl.DataFrame, positions: Mapping[str, list[int]]
) -> dict[str, Any] | None:
    """Return the line that did the task last where that is longest ago; None where none did.

    Positions that no line names were never done since the vehicle came under watch.
    """
    task = rule["task"].lower()
    does = [
        "replaced",
        *(action for word, does in OTHER_ACTIONS if word in task for action in does),
    ]
    every = positions.get(rule["component"], [1])
    if rule["component"] is None:
        return None
    done = lines.filter(
        (pl.col("component") == rule["component"])
        & pl.col("action").is_in(does)
        & pl.col("distance").is_not_null()
        & pl.col("left_out").is_null()
    )
    if done.is_empty():
        return None
    # A line that made no event of its own (cleaned, adjusted) speaks for the whole component.
    placed = done.with_columns(
        ordinal=pl.coalesce("positions", pl.lit(every, dtype=pl.List(pl.Int16)))
    ).explode("ordinal", empty_as_null=True)
    latest = placed.sort("opened_on", "distance", maintain_order=True).group_by("ordinal").last()
    oldest = latest.sort("opened_on", "distance").row(0, named=True)
    oldest["complete"] = latest.height >= len(every)
    oldest["assumed"] = bool(latest["position_assumed"].any())
    return oldest


def _task(
    rule: Mapping[str, Any], done: Mapping[str, Any] | None, hours: _Hours, pace: Pace | None,
    vehicle: Mapping[str, Any], on: date,
) -> dict[str, Any]:  # fmt: skip
    notes: list[str] = []
    if rule["component"] is None:
        return _row(rule, "not known", note="the rule names no component to look for")
    never = done is None or not done["complete"]
    if never:
        # Counted from where the vehicle came under watch: what was done before is not known.
        late = bool(vehicle["generation_assumed"])
        start_on, start = vehicle["watched_from_on"], vehicle["watched_from_distance"]
        where = "never done" if done is None else "not done at every position"
        notes.append(
            f"{where} since the vehicle came under watch; what was done before is not known"
            if late
            else f"{where} since the vehicle was new"
        )
    else:
        assert done is not None
        late = False
        start_on, start = done["opened_on"], done["distance"]
        if done["assumed"]:
            notes.append("position assumed")
    since_hours = _hours_since(hours, start_on, new=never and not late)
    since = {
        "distance": vehicle["last_seen_distance"] - start,
        "days": (on - start_on).days,
        "hours": since_hours,
    }
    left = {
        clock: None
        if rule[f"every_{clock}"] is None or value is None
        else rule[f"every_{clock}"] - value
        for clock, value in since.items()
    }
    if rule["every_hours"] is not None and since_hours is None:
        notes.append("engine hours not known: that limit is left out")
    due_on, lower, upper = _dates(left, start_on, rule, hours, pace, vehicle)
    if any(value is not None and value <= 0 for value in left.values()):
        state = "overdue"
        # A limit of distance was passed on a day that is not known; one of days on a known one.
        passed = left["days"] is not None and left["days"] <= 0
        due_on = start_on + timedelta(days=rule["every_days"]) if passed else None
        lower = upper = due_on
    elif late or all(value is None for value in left.values()):
        state = "not known"
        due_on = lower = upper = None
    elif due_on is not None and due_on <= on + timedelta(days=int(DUE_SOON_DAYS.value)):
        state = "due"
        if due_on <= on:
            notes.append("likely past by now, though by no reading")
    else:
        state = "later"
    told = done if not never else None
    return _row(
        rule, state, note="; ".join(notes), due_on=due_on, due_on_lower=lower, due_on_upper=upper,
        last_done_on=told and told["opened_on"], last_done_distance=told and told["distance"],
        shop=told and told["shop"], ro_no=told and told["ro_no"],
        since_distance=since["distance"], since_days=since["days"], since_hours=since_hours,
        left_distance=left["distance"], left_days=left["days"], left_hours=left["hours"],
        due_at_distance=None if rule["every_distance"] is None else start + rule["every_distance"],
    )  # fmt: skip


def _row(rule: Mapping[str, Any], state: str, **known: Any) -> dict[str, Any]:
    kept = {name: rule[name] for name in DUE_SCHEMA if name in rule}
    return {**dict.fromkeys(DUE_SCHEMA), **kept, "state": state, **known}


def _hours_since(hours: _Hours, start_on: date, *, new: bool) -> float | None:
    if len(hours.days) == 0:
        return None
    start = 0.0 if new else hours.at(start_on)
    return None if start is None else float(hours.hours[-1]) - start


def _dates(
    left: Mapping[str, float | None], start_on: date, rule: Mapping[str, Any], hours: _Hours,
    pace: Pace | None, vehicle: Mapping[str, Any],
) -> tuple[date | None, date | None, date | None]:  # fmt: skip
    """Return the day of the first limit to come, with limits where distance decides."""
    seen = vehicle["last_seen_on"]
    found: list[tuple[date, date | None, date | None]] = []
    if left["days"] is not None:
        day = start_on + timedelta(days=rule["every_days"])
        found.append((day, day, day))
    if left["distance"] is not None and pace is not None and left["distance"] > 0:
        days, lower, upper = days_until(left["distance"], pace)
        if days < LONGEST_DAYS:
            found.append((_after(seen, days), _day(seen, lower), _day(seen, upper)))
    per_day = hours.per_day()
    if left["hours"] is not None and per_day and 0 < left["hours"] / per_day < LONGEST_DAYS:
        last = date(1970, 1, 1) + timedelta(days=int(hours.days[-1]))
        found.append((_after(last, left["hours"] / per_day), None, None))
    return min(found, key=lambda each: each[0]) if found else (None, None, None)


def _after(day: date, days: float) -> date:
    return day + timedelta(days=round(days))


def _day(day: date, days: float | None) -> date | None:
    return None if days is None or days >= LONGEST_DAYS else _after(day, days)


def interval_words(task: Mapping[str, Any], unit: str) -> str:
    """Say how often a task is due: "every 10,000 mi or 365 days"."""
    limits = [
        number(task[name], word)
        for name, word in (
            ("every_distance", unit),
            ("every_days", "days"),
            ("every_hours", "engine hours"),
        )
        if task[name] is not None
    ]
    return "every " + " or ".join(limits)
