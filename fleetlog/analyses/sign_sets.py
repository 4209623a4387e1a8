"""Signs held against failures: who had the sign, of those who failed and of others as old.

Every failure is matched with all vehicles of its engine family that were under watch at its age
and had been for the horizon before it. A vehicle has a sign at an age where it was noted within
the horizon before, yet not within the days in which two orders may be one job, and where the
component has not failed since. A part that was fitted after the sign is none that it warned of.
Growth: n log n in signs, failures and vehicles, and linear in signs looked at times failures.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.analyses.one_vehicle import by_vehicle, limited_by_vehicles
from fleetlog.analyses.wording import counted, is_thin
from fleetlog.settings import SAME_JOB_DAYS
from fleetlog.stats import (
    MatchedOdds,
    clustered_proportion,
    kaplan_meier,
    mantel_haenszel,
    proportion_interval,
    rate_interval,
    sample_quantile,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

APART: int = int(SAME_JOB_DAYS.value)
MOST_CELLS = 4_000_000
"""Cells of signs by failures that are held in memory at a time."""
YEAR_DAYS = 365.25
RATE_DISTANCE = 10_000
# Ages lie below this, so that a family's number times it keeps families apart on one scale.
FAR = 1 << 40


@dataclass(frozen=True)
class Fleet:
    """The vehicles watched: their spans, and the ages sorted by family, on one clock.

    ``spans`` has what ``sign_spans.sql`` gives, ``family`` (a number), ``entry``, ``exit`` (ages on
    the clock) and ``pace`` (on the clock, per day). ``exposure`` is the vehicle-years (or
    :data:`RATE_DISTANCE`) in which a sign is followed to the horizon.
    """

    spans: pl.DataFrame
    clock: str
    horizon: int
    entered: Ints
    ripe: Ints
    left: Ints
    exposure: float


def gather_fleet(spans: pl.DataFrame, clock: str, horizon: int) -> Fleet:
    """Give numbers to families, and sort the ages at which vehicles come and go."""
    one_per_day = pl.lit(1.0)
    numbered = spans.with_columns(
        family=pl.col("engine_family").rank("dense").cast(pl.Int64),
        entry=pl.col(f"entry_{clock}").cast(pl.Int64),
        exit=pl.col(f"exit_{clock}").cast(pl.Int64),
        pace=one_per_day
        if clock == "days"
        else (pl.col("exit_distance") - pl.col("entry_distance"))
        / (pl.col("exit_days") - pl.col("entry_days")).clip(1),
    )
    family = numbered["family"].to_numpy() * FAR
    entry, leave = numbered["entry"].to_numpy(), numbered["exit"].to_numpy()
    return Fleet(
        spans=numbered,
        clock=clock,
        horizon=horizon,
        entered=np.sort(family + entry),
        # Who leaves before the horizon has passed is never among those compared.
        ripe=np.sort(family + np.minimum(entry + horizon, leave + 1)),
        left=np.sort(family + leave),
        exposure=float(np.maximum(leave - entry - horizon, 0).sum())
        / (YEAR_DAYS if clock == "days" else RATE_DISTANCE),
    )


@dataclass(frozen=True)
class Followed:
    """Visits with signs, each with the next failure of one component on the same vehicle.

    ``visits`` has what :func:`place_on_fleet` gives, and ``next_age``, ``next_days``,
    ``next_distance``, ``failed_ro`` of that failure, ``stop`` (age at which it was last followed),
    ``event`` (failed within the horizon) and ``why`` (why it does not count; null where it does).
    ``kept`` are those that count, with a row for each ``sign``.
    """

    visits: pl.DataFrame
    kept: pl.DataFrame


def follow(fleet: Fleet, visits: pl.DataFrame, failures: pl.DataFrame, component: str) -> Followed:
    """Give each visit with a sign the failure that came next, or the reason why it cannot count.

    Parameters
    ----------
    visits : as :func:`place_on_fleet` gives them, by days, each with its ``signs``.
    failures : those of ``component``, as :func:`occasions` gives them.
    """
    coming = failures.select(
        "vehicle", "days", "failed_ro", "fitted_days", fitted_age=f"fitted_{fleet.clock}",
        next_days="days", next_age="age", next_distance="distance",
    )  # fmt: skip
    joined = visits.join_asof(
        coming, on="days", by="vehicle", strategy="forward", check_sortedness=False
    )
    # A sign says nothing of a part that was fitted after it: it is followed until then.
    of_it = (pl.col("fitted_days") <= pl.col("days")).fill_null(value=False)
    gap = pl.when(of_it).then(pl.col("next_days") - pl.col("days"))
    why = (
        pl.when(pl.col("failed").list.contains(component))
        .then(pl.lit("sign on a visit that found the part failed: no warning, but its occasion"))
        .when(pl.col("unread"))
        .then(pl.lit("sign on a visit with a line whose part was not recognised"))
        .when(pl.col("age").is_null())
        .then(pl.lit("sign at an unknown distance"))
        .when((pl.col("age") < pl.col("entry")) | (pl.col("age") > pl.col("exit")))
        .then(pl.lit("sign noted while the vehicle was not under watch"))
        .when(gap <= APART)
        .then(pl.lit(f"sign within {APART} days of the failure: perhaps the same job"))
        .when(gap.is_null() & (pl.col("exit_days") - pl.col("days") <= APART))
        .then(pl.lit(f"vehicle not seen for more than {APART} days after the sign"))
    )
    limit = pl.col("age") + fleet.horizon
    followed = joined.with_columns(
        why=why,
        event=of_it & (pl.col("next_age") <= limit).fill_null(value=False),
        stop=pl.min_horizontal(
            pl.when(of_it).then("next_age").otherwise("fitted_age"), "exit", limit
        ),
    ).drop("failed", "unread", "fitted_days", "fitted_age")
    kept = followed.lazy().filter(pl.col("why").is_null()).select(KEPT).collect(engine="in-memory")
    return Followed(followed, kept.explode("signs").rename({"signs": "sign"}))


KEPT = ("signs", "vehicle", "family", "entry", "age", "pace", "days", "distance", "next_age",
        "next_days", "next_distance", "event", "stop")  # fmt: skip


def place_on_fleet(fleet: Fleet, rows: pl.DataFrame) -> pl.DataFrame:
    """Give visits or failures the family and span of the vehicle, and an age."""
    age = pl.col("days" if fleet.clock == "days" else "distance")
    columns = ("vehicle", "family", "entry", "exit", "exit_days", "pace")
    return rows.join(fleet.spans.select(columns), on="vehicle").with_columns(age=age.cast(pl.Int64))


def occasions(failures: pl.DataFrame) -> pl.DataFrame:
    """Sort the failures of one component by vehicle and days; what soon follows is no other one."""
    rows = failures.sort("vehicle", "days")
    same = pl.col("vehicle") == pl.col("vehicle").shift()
    return rows.filter(~(same & (pl.col("days").diff() <= APART)).fill_null(value=False))


@dataclass(frozen=True)
class Cases:
    """The failures that can be compared: sorted by family and age."""

    frame: pl.DataFrame
    key: Ints
    at_risk: Ints
    tied: Ints
    left_out: int


def compare_at(fleet: Fleet, failures: pl.DataFrame) -> Cases:
    """Take failures before which the vehicle was watched for the horizon, with their risk sets."""
    able = (
        pl.col("age").is_not_null()
        & (pl.col("age") - pl.col("entry") >= fleet.horizon)
        & (pl.col("age") <= pl.col("exit"))
    )
    frame = (
        failures.filter(able)
        .with_columns(key=pl.col("family") * FAR + pl.col("age"))
        .sort("key", "vehicle")
        .with_row_index("case")
        .with_columns(pl.col("case").cast(pl.Int64))
    )
    key = frame["key"].to_numpy().astype(np.int64)
    return Cases(
        frame=frame,
        key=key,
        at_risk=np.searchsorted(fleet.ripe, key, "right") - np.searchsorted(fleet.left, key),
        tied=np.searchsorted(key, key, "right") - np.searchsorted(key, key),
        left_out=failures.height - frame.height,
    )


@dataclass(frozen=True)
class Compared:
    """What the matched sets say of each sign, in the order of the signs given."""

    odds: MatchedOdds
    had: NDArray[np.bool_]
    background: Floats


def compare(
    fleet: Fleet, followed: Followed, cases: Cases, signs: list[str], level: float
) -> Compared:
    """Count, for each sign and failure, who had the sign; then the odds ratio of each sign."""
    count = len(cases.key)
    number = {sign: row for row, sign in enumerate(signs)}
    kept = followed.kept.with_columns(
        row=pl.col("sign").replace_strict(number, default=None, return_dtype=pl.Int64)
    ).drop_nulls("row")
    had = np.zeros((len(signs), count), dtype=bool)
    warned = kept.filter("event").join(
        cases.frame.select("vehicle", "case", next_days="days"), on=["vehicle", "next_days"]
    )
    had[warned["row"].to_numpy(), warned["case"].to_numpy()] = True
    row, first, last = _ranges(fleet, kept, cases)
    at_a_time = max(1, MOST_CELLS // max(1, count))
    parts = [
        _compare_some(cases, had[start : start + at_a_time], start, row, first, last, level)
        for start in range(0, len(signs), at_a_time)
    ]
    fields = ("odds_ratio", "lower", "upper", "log_variance", "observed", "expected", "cases",
              "informative", "p_value", "p_excess")  # fmt: skip
    odds = MatchedOdds(
        **{name: np.concatenate([getattr(part, name) for part, _ in parts]) for name in fields},
        level=level,
    )
    return Compared(odds, had, np.concatenate([background for _, background in parts]))


def _ranges(fleet: Fleet, kept: pl.DataFrame, cases: Cases) -> tuple[Ints, Ints, Ints]:
    """Return which failures fall into the time in which a vehicle has a sign: sign, first, last.

    Times of one vehicle and sign that overlap are one.
    """
    row, vehicle, family, age, entry, end = (
        kept[name].to_numpy() for name in ("row", "vehicle", "family", "age", "entry", "stop")
    )
    begins = age + np.ceil(kept["pace"].to_numpy() * APART).astype(np.int64)
    before_next = (kept["next_age"] - 1).fill_null(FAR).to_numpy()
    start = np.maximum(np.minimum(begins, before_next), entry + fleet.horizon - 1)
    # The visits come by days: a stable sort leaves those of one vehicle and sign in that order.
    order = np.argsort(row * (int(vehicle.max(initial=0)) + 1) + vehicle, kind="stable")
    row, vehicle, family, start, end = (
        values[order] for values in (row, vehicle, family * FAR, start, end)
    )
    again = (row[1:] == row[:-1]) & (vehicle[1:] == vehicle[:-1])
    start[1:] = np.where(again, np.maximum(start[1:], end[:-1]), start[1:])
    lasting = start < end
    first = np.searchsorted(cases.key, (family + start)[lasting], "right")
    last = np.searchsorted(cases.key, (family + end)[lasting], "right")
    return row[lasting], first, last


def _compare_some(
    cases: Cases,
    had: NDArray[np.bool_],
    start: int,
    row: Ints,
    first: Ints,
    last: Ints,
    level: float,
) -> tuple[MatchedOdds, Floats]:
    """Compare some of the signs: those from ``start`` on, as many as ``had`` has rows."""
    signs, count = had.shape
    mine = (row >= start) & (row < start + signs)
    base = (row[mine] - start) * (count + 1)
    steps = np.bincount(base + first[mine], minlength=signs * (count + 1)) - np.bincount(
        base + last[mine], minlength=signs * (count + 1)
    )
    exposed = np.cumsum(steps.reshape(signs, count + 1), axis=1)[:, :count]
    # Vehicles that fail at the very same age are no controls of each other.
    ends = np.searchsorted(cases.key, cases.key, "right")
    starts = np.searchsorted(cases.key, cases.key)
    running = np.zeros((signs, count + 1), dtype=np.int64)
    np.cumsum(had, axis=1, out=running[:, 1:])
    tied_exposed = running[:, ends] - running[:, starts]
    exposed_controls = np.maximum(exposed - tied_exposed, 0)
    controls = np.maximum(cases.at_risk - cases.tied, 0)
    odds = mantel_haenszel(
        had.astype(np.float64),
        1.0 - had,
        exposed_controls,
        np.maximum(controls - exposed_controls, 0),
        cluster=cases.frame["vehicle"].to_numpy() if count else None,
        level=level,
    )
    usable = controls > 0
    share = exposed_controls[:, usable] / controls[usable]
    return odds, share.mean(axis=1) if usable.any() else np.full(signs, np.nan)


def cumulative_rate(fleet: Fleet, failures: pl.DataFrame) -> tuple[Ints, Floats]:
    """Failures per vehicle up to each age, by family: keys in order, and the sums so far."""
    known = failures.filter(pl.col("age").is_not_null())
    key = np.sort((known["family"] * FAR + known["age"]).to_numpy().astype(np.int64))
    at_risk = np.searchsorted(fleet.entered, key) - np.searchsorted(fleet.left, key)
    return key, np.cumsum(1.0 / np.maximum(at_risk, 1))


def usual_chance(fleet: Fleet, kept: pl.DataFrame, rate: tuple[Ints, Floats]) -> float | None:
    """Chance of a failure over the horizon of any vehicle of the family as old as those."""
    if kept.is_empty():
        return None
    key, total = rate[0], np.append(0.0, rate[1])
    family, age = kept["family"].to_numpy() * FAR, kept["age"].to_numpy()
    begin = age + np.ceil(kept["pace"].to_numpy() * APART).astype(np.int64)
    until = total[np.searchsorted(key, family + age + fleet.horizon, "right")]
    since = total[np.searchsorted(key, family + begin, "right")]
    return float(np.mean(-np.expm1(since - until)))


def describe(
    fleet: Fleet, kept: pl.DataFrame, had: NDArray[np.bool_], vehicles: Ints, level: float
) -> dict[str, Any]:
    """Say of one sign and one component: how often it warned, what follows it, and how soon.

    Parameters
    ----------
    kept : the visits with this sign that count. had : which comparable failures it warned of.
    vehicles : of those failures, in the same order.
    """
    row: dict[str, Any] = {
        "visits": kept.height,
        "vehicles": kept["vehicle"].n_unique(),
        "failures": len(had),
        "warned": int(had.sum()),
    }
    share = clustered_proportion(had, vehicles, level=level) if len(had) else None
    row |= {
        "sensitivity": share.share if share else None,
        "sensitivity_lower": share.lower if share else None,
        "sensitivity_upper": share.upper if share else None,
    }
    row |= _chance(fleet, kept, level)
    event = kept.filter("event")
    row["followed"] = event.height
    first = event.group_by("vehicle", "next_days").agg(
        days=(pl.col("next_days") - pl.col("days")).max(),
        distance=(pl.col("next_distance") - pl.col("distance")).max(),
    )
    for name in ("days", "distance"):
        row |= _lead(first[name].drop_nulls(), name, level)
    passed = kept.filter(~pl.col("event") & (pl.col("stop") - pl.col("age") >= fleet.horizon))
    row["unfollowed"] = passed.height
    row["false_rate"] = row["false_rate_lower"] = row["false_rate_upper"] = None
    if fleet.exposure > 0:
        lower, upper = rate_interval(passed.height, fleet.exposure, level=level)
        row |= {
            "false_rate": passed.height / fleet.exposure,
            "false_rate_lower": float(lower),
            "false_rate_upper": float(upper),
        }
    row["note"] = _note(row)
    return row


def _chance(fleet: Fleet, kept: pl.DataFrame, level: float) -> dict[str, float | None]:
    """Chance that the component fails within the horizon of the sign, by the product limit."""
    if kept.is_empty():
        return {"chance": None, "chance_lower": None, "chance_upper": None}
    cluster = by_vehicle(kept["vehicle"])
    # A visit and the failure may lie less than one mile apart.
    time = np.maximum((kept["stop"] - kept["age"]).to_numpy(), 1)
    event = kept["event"].to_numpy()
    curve = limited_by_vehicles(
        kaplan_meier(time, event, cluster=cluster, level=level), cluster
    ).table.row(-1, named=True)
    lower, upper = curve["upper"], curve["lower"]
    # Where the curve has no limits (all or none failed, or all that were left), those of a count.
    if lower is None or not event.any():
        watched = int((event | (time >= fleet.horizon)).sum())
        low, high = (
            proportion_interval(int(event.sum()), watched, method="exact", level=level)
            if watched
            else (0.0, 1.0)
        )
        return {
            "chance": 1 - curve["estimate"],
            "chance_lower": float(low),
            "chance_upper": float(high),
        }
    return {"chance": 1 - curve["estimate"], "chance_lower": 1 - lower, "chance_upper": 1 - upper}


def _lead(values: pl.Series, name: str, level: float) -> dict[str, float | None]:
    """Median lead with its limits, and the range that holds the middle four in five."""
    ends = ("", "_lower", "_upper", "_p10", "_p90")
    if values.is_empty():
        return {f"lead_{name}{end}": None for end in ends}
    sample = values.cast(pl.Float64).clip(0).to_numpy()
    middle = sample_quantile(sample, 0.5, level=level)
    low, high = np.quantile(sample, [0.1, 0.9])
    found = (middle.value, middle.lower, middle.upper, float(low), float(high))
    return {f"lead_{name}{end}": value for end, value in zip(ends, found, strict=True)}


def _note(row: dict[str, Any]) -> str:
    said = []
    if row["warned"] and is_thin(row["warned"]):
        said.append(f"thin: only {counted(row['warned'], 'failure')} with this sign before")
    if row["visits"] and row["vehicles"] == 1:
        said.append("one vehicle only: the limits take its visits as independent")
    return "; ".join(said)
