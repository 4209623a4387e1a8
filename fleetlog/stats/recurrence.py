"""Repeat repairs: how many, or how much money, per unit up to each age."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import (
    Floats,
    Ints,
    codes,
    count,
    distinct,
    nullable,
    numbers,
    refuse,
    same_length,
    sorting,
    time_scale,
)
from fleetlog.stats.curves import log_limits
from fleetlog.stats.risk import clustered_variance


@dataclass(frozen=True)
class MeanCumulative:
    """Mean number or cost of recurrences per unit. See `mean_cumulative_function`.

    Attributes
    ----------
    table : Polars frame, one row per distinct time at which something happened or a window
        closed: ``time``, ``at_risk`` (units under watch), ``events``, ``cost`` where costs were
        given, ``estimate``, ``std_err``, ``lower``, ``upper``; limits are null while the estimate
        is 0.
    level : confidence level of the limits, which hold at each time by itself.
    interval, variance : how they are formed.
    units : units with at least one window. events : recurrences.
    """

    table: pl.DataFrame
    level: float
    interval: str
    variance: str
    units: int
    events: int

    def at(self, times: ArrayLike) -> Floats:
        """Estimate at each of ``times``; NaN past the last time under watch."""
        asked = np.asarray(times, dtype=np.float64)
        time = self.table["time"].to_numpy()
        steps = np.concatenate([[0.0], self.table["estimate"].to_numpy()])
        values = steps[np.searchsorted(time, asked, side="right")]
        return np.where((asked >= 0) & (asked <= time[-1]), values, np.nan)


def mean_cumulative_function(
    unit: ArrayLike,
    time: ArrayLike,
    windows: tuple[ArrayLike, ArrayLike, ArrayLike],
    *,
    cost: ArrayLike | None = None,
    level: float = 0.95,
) -> MeanCumulative:
    """Mean number (or cost) of recurrences per unit up to each age.

    A unit is at risk in its windows (start, stop] only. The variance is the sum over units of
    the squared influence of each, so recurrences of one unit may depend on each other. n log n.

    Parameters
    ----------
    unit, time : (m,) the unit and age of each recurrence; may be empty.
    windows : unit, start and stop, (w,) each: when each unit was under watch. A unit may have
        several windows, which must not overlap. A unit without recurrences has windows too.
    cost : (m,) >= 0, cost of each recurrence; the estimate is then the mean cost per unit.
    level : confidence level of the limits, formed on the log of the mean.

    Raises
    ------
    InvalidLives : also for recurrences outside every window of their unit.

    Notes
    -----
    Source: Nelson 1995, 2003; Lawless and Nadeau 1995.
    """
    window_unit, start, stop = windows
    starts, stops = numbers(start, "start"), numbers(stop, "stop")
    if starts.size == 0:
        raise InvalidLives("There are no windows: pass when each unit was under watch.")
    same_length(starts.size, stop=stops)
    refuse(starts >= stops, "have start >= stop", "leave windows without length out and count them")
    times = numbers(time, "time")
    costs = None if cost is None else numbers(cost, "cost").astype(np.float64)
    window_codes, event_codes = _shared_codes(window_unit, unit)
    same_length(starts.size, window_unit=window_codes)
    same_length(times.size, unit=event_codes, cost=costs)
    scale, (start_at, stop_at, time_at) = time_scale(starts, stops, times)
    _check_watched((window_codes, start_at, stop_at), (event_codes, time_at), scale.size)

    size = scale.size
    left, happened = count(stop_at, size), count(time_at, size)
    entered = count(start_at, size)
    at_risk = np.cumsum(entered) - entered - np.cumsum(left) + left
    amount = happened if costs is None else count(time_at, size, costs)
    with np.errstate(divide="ignore"):
        share = np.where(at_risk > 0, 1.0 / at_risk, 0.0)
    estimate = np.cumsum(amount * share)
    integral = np.cumsum(amount * share**2)

    ones, none = np.ones(starts.size), np.zeros(times.size)
    gained = share[time_at] if costs is None else share[time_at] * costs
    variance = clustered_variance(
        np.concatenate([window_codes, window_codes, event_codes]),
        np.concatenate([start_at, stop_at, time_at]),
        [
            np.concatenate([integral[start_at], -integral[stop_at], gained]),
            np.concatenate([ones, -ones, none]),
        ],
        [np.ones(size), -integral],
    )
    std_err = np.sqrt(variance)
    lower, upper = log_limits(estimate, std_err, level)
    kept = np.flatnonzero((left > 0) | (happened > 0))
    columns: dict[str, Floats | pl.Series] = {
        "time": scale.times[kept],
        "at_risk": at_risk[kept],
        "events": happened[kept],
    }
    if costs is not None:
        columns["cost"] = amount[kept]
    columns |= {
        "estimate": estimate[kept],
        "std_err": std_err[kept],
        "lower": nullable(lower[kept]),
        "upper": nullable(upper[kept]),
    }
    return MeanCumulative(
        table=pl.DataFrame(columns),
        level=level,
        interval="log",
        variance="squared influence of each unit",
        units=distinct(window_codes),
        events=int(times.size),
    )


def _shared_codes(window_unit: ArrayLike, unit: ArrayLike) -> tuple[Ints, Ints]:
    """Code the units of windows and recurrences alike."""
    watched = window_unit if isinstance(window_unit, pl.Series) else np.asarray(window_unit)
    happened = unit if isinstance(unit, pl.Series) else np.asarray(unit)
    if len(happened) == 0:
        return codes(watched, "window unit"), np.zeros(0, dtype=np.intp)
    if isinstance(watched, pl.Series) or isinstance(happened, pl.Series):
        joined: ArrayLike | pl.Series = pl.concat(
            [pl.Series("unit", watched), pl.Series("unit", happened)]
        )
    else:
        joined = np.concatenate([watched, happened])
    together = codes(joined, "unit")
    return together[: len(watched)], together[len(watched) :]


def _check_watched(
    windows: tuple[Ints, Ints, Ints], recurrences: tuple[Ints, Ints], size: int
) -> None:
    """Refuse overlapping windows, and recurrences outside every window of their unit."""
    window_codes, start_at, stop_at = windows
    event_codes, time_at = recurrences
    key = window_codes.astype(np.int64) * size + start_at
    order = sorting(key)
    ordered = key[order]
    ends = window_codes.astype(np.int64)[order] * size + stop_at[order]
    overlaps: NDArray[np.bool_] = np.zeros(key.size, dtype=np.bool_)
    overlaps[order[1:]] = ordered[1:] < ends[:-1]
    refuse(overlaps, "(windows) overlap another window of their unit", "join overlapping windows")
    at = event_codes.astype(np.int64) * size + time_at
    # The last window that starts before the recurrence is the only one that can hold it.
    last = np.searchsorted(ordered, at, side="left") - 1
    outside = (last < 0) | (at > ends[last])
    refuse(
        outside,
        "(recurrences) lie outside every window (start, stop] of their unit",
        "give the window in which each was seen, or leave it out and count it",
    )
