"""Repeat repairs: how many, or how much money, per unit up to each age."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import (
    Floats,
    Ints,
    TimeScale,
    codes,
    count,
    distinct,
    normal_quantile,
    nullable,
    numbers,
    refuse,
    same_length,
    sorting,
    time_scale,
    weights,
)
from fleetlog.stats.compare import TestResult
from fleetlog.stats.curves import log_limits
from fleetlog.stats.risk import clustered_variance

Windows: TypeAlias = tuple[ArrayLike, ArrayLike, ArrayLike]
Truncation: TypeAlias = Literal["time", "failure"]


@dataclass(frozen=True)
class MeanCumulative:
    """Mean number or cost of recurrences per unit. See `mean_cumulative_function`.

    Attributes
    ----------
    table : Polars frame, one row per distinct time at which something happened or a window
        closed: ``time``, ``at_risk`` (weight of the units under watch), ``events``, ``cost`` where
        costs were given, ``estimate``, ``std_err``, ``lower``, ``upper``; limits are null while
        the estimate is 0 and where the variance is not known.
    level : confidence level of the limits, which hold at each time by itself.
    interval, variance : how they are formed.
    units : weight of the units with at least one window; None where a table was given, which
        counts windows and not units. events : weight of the recurrences.
    """

    table: pl.DataFrame
    level: float
    interval: str
    variance: str
    units: float | None
    events: float

    def at(self, times: ArrayLike) -> Floats:
        """Estimate at each of ``times``; NaN past the last time under watch."""
        asked = np.asarray(times, dtype=np.float64)
        values = _steps(self.table, "estimate", asked)
        return np.where((asked >= 0) & (asked <= self.table["time"][-1]), values, np.nan)


@dataclass(frozen=True)
class Recurrences:
    """Checked windows and recurrences on one time scale. Made by `check_recurrences` only.

    Attributes
    ----------
    scale : the times that the places point at.
    window_unit, start, stop : (w,) code of the unit, places of the ends of its windows.
    unit, time : (m,) code of the unit and place of each recurrence.
    unit_weight : weight by code of unit, or None where every unit counts once.
    """

    scale: TimeScale
    window_unit: Ints
    start: Ints
    stop: Ints
    unit: Ints
    time: Ints
    unit_weight: Floats | None

    @property
    def at_risk(self) -> Floats:
        """Weight of the units under watch at each time, start < time <= stop."""
        size = self.scale.size
        windows = under_watch(count(self.start, size), count(self.stop, size))
        if self.unit_weight is None:
            return windows
        weight = self.unit_weight[self.window_unit]
        weighed = under_watch(count(self.start, size, weight), count(self.stop, size, weight))
        # Sums of weights leave rounding where the last unit goes; whole counts do not.
        return np.where(windows > 0, np.maximum(weighed, weight.min()), 0.0)


def under_watch(entered: Floats, left: Floats) -> Floats:
    """At risk at each time of a scale: entered before it and not left before it."""
    return np.cumsum(entered) - entered - np.cumsum(left) + left


def check_recurrences(
    unit: ArrayLike, time: ArrayLike, windows: Windows, weight: ArrayLike | None = None
) -> Recurrences:
    """Check windows and recurrences together and place them on one scale. n log n.

    Parameters are those of `mean_cumulative_function`.
    """
    window_unit, start, stop = windows
    starts, stops = numbers(start, "start"), numbers(stop, "stop")
    if starts.size == 0:
        raise InvalidLives("There are no windows: pass when each unit was under watch.")
    same_length(starts.size, stop=stops)
    refuse(starts >= stops, "have start >= stop", "leave windows without length out and count them")
    times = numbers(time, "time")
    window_codes, event_codes = _shared_codes(window_unit, unit)
    same_length(starts.size, window_unit=window_codes)
    same_length(times.size, unit=event_codes)
    scale, (start_at, stop_at, time_at) = time_scale(starts, stops, times)
    # Merging near-equal times can leave a window of no length.
    if np.any(merged := start_at >= stop_at):
        refuse(merged, "have a start within rounding of their stop", "leave them out and count")
    placed = (window_codes, start_at, stop_at)
    outside = _unwatched(placed, (event_codes, time_at), scale.size)
    if outside.any():
        # Merging near-equal times can also put a recurrence onto the start of its window.
        scale, (start_at, stop_at, time_at) = _every_time(starts, stops, times)
        placed = (window_codes, start_at, stop_at)
        outside = _unwatched(placed, (event_codes, time_at), scale.size)
    refuse(
        outside,
        "(recurrences) lie outside every window (start, stop] of their unit",
        "give the window in which each was seen, or leave it out and count it",
    )
    return Recurrences(
        scale=scale,
        window_unit=window_codes,
        start=start_at,
        stop=stop_at,
        unit=event_codes,
        time=time_at,
        unit_weight=_unit_weight(weight, window_codes),
    )


@dataclass(frozen=True)
class FollowUp:
    """What a model of ages given the number of recurrences needs. Made by `follow_up` only.

    Attributes
    ----------
    window_unit, start, stop : (w,) code of the unit and ages, in order of unit and age.
    unit, age, window : (m,) code of the unit, age and position of the window of each recurrence
        that is free to fall anywhere.
    units : one more than the largest code.
    truncating : recurrences that ended the watch of their unit, which are not among the (m,).
    """

    window_unit: Ints
    start: Floats
    stop: Floats
    unit: Ints
    age: Floats
    window: Ints
    units: int
    truncating: int


def follow_up(watched: Recurrences, truncation: Truncation) -> FollowUp:
    """Put windows in order and set aside the recurrences that ended a watch. n log n.

    Parameters
    ----------
    truncation : "time" where each watch ended for reasons of its own, "failure" where the watch
        of every unit ended at its last recurrence, because of it.
    """
    if truncation not in ("time", "failure"):
        raise ValueError(f"truncation is {truncation!r}: pass 'time' or 'failure'")
    size, units = watched.scale.size, int(watched.window_unit.max()) + 1
    order = sorting(watched.window_unit.astype(np.int64) * size + watched.start)
    window_unit = watched.window_unit[order]
    opening = window_unit.astype(np.int64) * size + watched.start[order]
    at = watched.unit.astype(np.int64) * size + watched.time
    free = np.ones(at.size, dtype=np.bool_)
    if truncation == "failure":
        last = np.full(units, -1, dtype=np.intp)
        by_age = sorting(at)
        last[watched.unit[by_age]] = by_age
        closing = np.zeros(units, dtype=np.intp)
        np.maximum.at(closing, watched.window_unit, watched.stop)
        ended = last[watched.window_unit]
        reached = np.full(ended.size, -1)
        reached[ended >= 0] = watched.time[ended[ended >= 0]]
        refuse(
            reached != closing[watched.window_unit],
            "(windows) are of units whose watch does not end at a recurrence",
            "pass truncation='time' where a watch ended for another reason",
        )
        free[last[last >= 0]] = False
    times = watched.scale.times
    return FollowUp(
        window_unit=window_unit,
        start=times[watched.start[order]],
        stop=times[watched.stop[order]],
        unit=watched.unit[free],
        age=times[watched.time[free]],
        window=np.searchsorted(opening, at[free], side="left") - 1,
        units=units,
        truncating=int(free.size - np.count_nonzero(free)),
    )


def mean_cumulative_function(
    unit: ArrayLike,
    time: ArrayLike,
    windows: Windows,
    *,
    cost: ArrayLike | None = None,
    weight: ArrayLike | None = None,
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
    weight : (w,) > 0, how many units of the same history the unit of each window stands for, the
        same in every window of a unit. Weight 3 is the unit given three times under names of its
        own: those three count as independent.
    level : confidence level of the limits, formed on the log of the mean.

    Raises
    ------
    InvalidLives : also for recurrences outside every window of their unit.

    Notes
    -----
    Source: Nelson 1995, 2003; Lawless and Nadeau 1995.
    """
    watched = check_recurrences(unit, time, windows, weight)
    size, events = watched.scale.size, watched.time.size
    costs = None if cost is None else numbers(cost, "cost").astype(np.float64)
    same_length(events, cost=costs)
    by_unit = watched.unit_weight
    event_weight = None if by_unit is None else by_unit[watched.unit]
    happened = count(watched.time, size, event_weight)
    at_risk = watched.at_risk
    if costs is None:
        amount = happened
    else:
        weighed = costs if event_weight is None else costs * event_weight
        amount = count(watched.time, size, weighed)
    with np.errstate(divide="ignore"):
        share = np.where(at_risk > 0, 1.0 / at_risk, 0.0)
    integral = np.cumsum(amount * share**2)
    gained = share[watched.time] if costs is None else share[watched.time] * costs
    ones = np.ones(watched.start.size)
    if event_weight is not None and by_unit is not None:
        # A unit that stands for w others adds w times the square of the influence of one.
        gained = gained * np.sqrt(event_weight)
        ones = np.sqrt(by_unit[watched.window_unit])
    variance = clustered_variance(
        np.concatenate([watched.window_unit, watched.window_unit, watched.unit]),
        np.concatenate([watched.start, watched.stop, watched.time]),
        [
            np.concatenate(
                [ones * integral[watched.start], -ones * integral[watched.stop], gained]
            ),
            np.concatenate([ones, -ones, np.zeros(events)]),
        ],
        [np.ones(size), -integral],
    )
    kept = np.flatnonzero((count(watched.stop, size) > 0) | (happened > 0))
    # One unit says nothing of how units differ; its influence is 0 throughout.
    alone = distinct(watched.window_unit) == 1
    return MeanCumulative(
        table=_table(
            watched.scale.times[kept],
            at_risk[kept],
            happened[kept],
            None if costs is None else amount[kept],
            np.cumsum(amount * share)[kept],
            np.full(kept.size, np.nan) if alone else np.sqrt(variance)[kept],
            level,
        ),
        level=level,
        interval="log",
        variance="not known: one unit" if alone else "squared influence of each unit",
        units=(
            distinct(watched.window_unit)
            if by_unit is None
            else float(by_unit[np.unique(watched.window_unit)].sum())
        ),
        events=float(happened.sum()),
    )


def mean_cumulative_from_table(
    time: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    events: ArrayLike,
    *,
    cost: ArrayLike | None = None,
    fold: ArrayLike | None = None,
    level: float = 0.95,
) -> MeanCumulative:
    """Mean number (or cost) of recurrences per unit from rows that were counted elsewhere.

    The estimate is that of `mean_cumulative_function`. A table does not say which recurrences
    belong to one unit, so the variance is one of two, named in the result:

    - with ``fold``, the delete-a-group jackknife: the estimate is formed again without each fold,
      and the squares of the changes are added up. Units must be put into folds whole. Good for
      dependent recurrences; wants some 20 folds or more.
    - without it, that of Poisson processes, which is too small where units differ. It is not
      known for costs, whose limits are then null.

    Parameters
    ----------
    time : (r,) times; may repeat and come in any order, so tables of several groups add up.
    entered : (r,) weight of the windows that open at ``time``, at time 0 too.
    left : (r,) weight of the windows that close at ``time``, after the recurrences there.
    events : (r,) weight of the recurrences.
    cost : (r,) total cost of those recurrences; the estimate is then the mean cost per unit.
    fold : (r,) label of the fold that the row's units are in.

    Notes
    -----
    n log n in rows, times the number of folds. Source: Nelson 2003; jackknife: Wolter 2007,
    section 4.2 (the squares are taken about the estimate from all folds).
    """
    times = numbers(time, "time")
    if times.size == 0:
        raise InvalidLives("The table is empty: pass at least one row.")
    columns = [numbers(entered, "entered"), numbers(left, "left"), numbers(events, "events")]
    if cost is not None:
        columns.append(numbers(cost, "cost"))
    same_length(times.size, entered=columns[0], left=columns[1], events=columns[2])
    same_length(times.size, cost=columns[-1])
    scale, (place,) = time_scale(times)
    values = [column.astype(np.float64) for column in columns]
    totals = [count(place, scale.size, column) for column in values]
    estimate, at_risk = _mean(totals)
    after = np.cumsum(totals[0]) - np.cumsum(totals[1])
    refuse(
        after - totals[0] < -1e-9 * max(1.0, float(totals[0].sum())),
        "(distinct times) have more windows closing than open",
        "count every opening, at time 0 too",
    )
    refuse(
        (at_risk <= 0) & (totals[-1] + totals[2] > 0),
        "(distinct times) have recurrences while no unit is under watch",
        "count every opening, at time 0 too",
    )
    if fold is not None:
        coded = codes(fold, "fold")
        same_length(times.size, fold=coded)
        folds = np.unique(coded)
        if folds.size < 2:
            raise InvalidLives(
                "There is 1 fold: put the units into at least two, some 20 for good limits."
            )
        squares = np.zeros(scale.size)
        for one in folds:
            mine = coded == one
            rest = [
                total - count(place[mine], scale.size, column[mine])
                for total, column in zip(totals, values, strict=True)
            ]
            squares += (_mean(rest)[0] - estimate) ** 2
        std_err = np.sqrt(squares * (folds.size - 1) / folds.size)
        variance = f"jackknife over {folds.size} folds"
    elif cost is None:
        with np.errstate(divide="ignore", invalid="ignore"):
            std_err = np.sqrt(np.cumsum(np.where(at_risk > 0, totals[2] / at_risk**2, 0.0)))
        variance = "Poisson: units alike, recurrences independent"
    else:
        std_err = np.full(scale.size, np.nan)
        variance = "not known: pass fold"
    kept = np.flatnonzero((totals[1] > 0) | (totals[2] > 0))
    return MeanCumulative(
        table=_table(
            scale.times[kept],
            at_risk[kept],
            totals[2][kept],
            None if cost is None else totals[3][kept],
            estimate[kept],
            std_err[kept],
            level,
        ),
        level=level,
        interval="log",
        variance=variance,
        units=None,
        events=float(totals[2].sum()),
    )


@dataclass(frozen=True)
class MeanCumulativeDifference:
    """How much one mean cumulative function lies above another. See `compare_mean_cumulative`.

    Attributes
    ----------
    table : Polars frame: ``time``, ``difference``, ``std_err``, ``lower``, ``upper``, at every
        time of either function up to the last that both reach.
    level : confidence level of the limits, which hold at each time by itself.
    interval : how they are formed.
    """

    table: pl.DataFrame
    level: float
    interval: str

    def at(self, time: float) -> dict[str, float]:
        """Difference, std_err, lower and upper at one age; choose it before looking."""
        times = self.table["time"].to_numpy()
        if not 0 <= time <= times[-1]:
            raise ValueError(f"time is {time}: both functions are known from 0 to {times[-1]}")
        row = int(np.searchsorted(times, time, side="right")) - 1
        columns = ("difference", "std_err", "lower", "upper")
        return {name: float(self.table[name][row]) if row >= 0 else 0.0 for name in columns}


def compare_mean_cumulative(
    a: MeanCumulative, b: MeanCumulative, *, level: float = 0.95
) -> MeanCumulativeDifference:
    """Difference of two mean cumulative functions, a - b, with limits at every time.

    The groups must have no unit in common: the variances add up. Limits hold at each time by
    itself; to test whether the groups differ anywhere, use `mean_cumulative_test`.

    Notes
    -----
    Source: Nelson 2003, chapter 5; variance: Lawless and Nadeau 1995.
    """
    for name, one in (("first", a), ("second", b)):
        if one.table["std_err"].null_count():
            raise InvalidLives(
                f"The {name} function has no variance ({one.variance}): form it from rows, or "
                f"pass fold."
            )
    times = np.union1d(a.table["time"].to_numpy(), b.table["time"].to_numpy())
    times = times[times <= min(a.table["time"][-1], b.table["time"][-1])]
    difference = _steps(a.table, "estimate", times) - _steps(b.table, "estimate", times)
    std_err = np.hypot(_steps(a.table, "std_err", times), _steps(b.table, "std_err", times))
    half = normal_quantile(level) * std_err
    return MeanCumulativeDifference(
        table=pl.DataFrame(
            {
                "time": times,
                "difference": difference,
                "std_err": std_err,
                "lower": difference - half,
                "upper": difference + half,
            }
        ),
        level=level,
        interval="normal",
    )


def mean_cumulative_test(
    unit: ArrayLike, time: ArrayLike, windows: Windows, group: ArrayLike
) -> TestResult:
    """Test whether groups of units have one mean cumulative function.

    The recurrences of each group are set against those expected from its share of the units under
    watch at each recurrence, as a log-rank test does. The variance is the sum over units of the
    squared influence of each, so recurrences of one unit may depend on each other. Most power
    where the rates of the groups are in one ratio at every age.

    Parameters
    ----------
    unit, time, windows : as in `mean_cumulative_function`.
    group : (w,) label of the group of the unit of each window, the same in every window of a unit.

    Notes
    -----
    n log n, times the number of groups. Source: Lawless and Nadeau 1995; Cook and Lawless 2007,
    section 3.7.5. It is the robust score test of a proportional-rates model (Lin and Wei 1989).
    """
    watched = check_recurrences(unit, time, windows)
    labels = group if isinstance(group, pl.Series) else pl.Series("group", np.asarray(group))
    if len(labels) != watched.start.size:
        raise InvalidLives(
            f"group has {len(labels)} values for {watched.start.size} windows: pass one per window."
        )
    coded = codes(labels, "group")
    names = labels.unique().sort()
    if len(names) < 2:
        raise InvalidLives("There is 1 group: pass at least two groups to compare.")
    coded = np.unique(coded, return_inverse=True)[1].astype(np.intp)
    units = int(watched.window_unit.max()) + 1
    group_of = np.zeros(units, dtype=np.intp)
    group_of[watched.window_unit] = coded
    refuse(
        group_of[watched.window_unit] != coded,
        "(windows) have another group than an earlier window of their unit",
        "give a unit one group",
    )
    size = watched.scale.size
    happened = count(watched.time, size)
    total = watched.at_risk
    with np.errstate(divide="ignore"):
        share = np.where(total > 0, 1.0 / total, 0.0)
    seen = np.bincount(group_of[watched.unit], minlength=len(names)).astype(np.float64)
    influence = np.zeros((len(names), units))
    expected = np.zeros(len(names))
    for k in range(len(names)):
        mine = coded == k
        part = share * under_watch(
            count(watched.start[mine], size), count(watched.stop[mine], size)
        )
        expected[k] = float(part @ happened)
        own = (group_of == k).astype(np.float64)
        due = np.cumsum(share * happened)
        shared = np.cumsum(part * share * happened)
        over = due[watched.stop] - due[watched.start]
        over_shared = shared[watched.stop] - shared[watched.start]
        influence[k] = (
            own * np.bincount(watched.unit, minlength=units)
            - np.bincount(watched.unit, weights=part[watched.time], minlength=units)
            - own * np.bincount(watched.window_unit, weights=over, minlength=units)
            + np.bincount(watched.window_unit, weights=over_shared, minlength=units)
        )
    covariance = influence @ influence.T
    difference = seen - expected
    # The differences add up to 0, so any one group says nothing new.
    df = int(np.linalg.matrix_rank(covariance, tol=1e-9 * (1 + seen.sum()), hermitian=True))
    inverse = np.linalg.pinv(covariance, rcond=1e-9, hermitian=True)
    statistic = float(difference @ inverse @ difference)
    members = np.bincount(group_of[np.unique(watched.window_unit)], minlength=len(names))
    return TestResult(
        statistic=statistic,
        df=df,
        p_value=float(chdtrc(df, statistic)) if df else 1.0,
        groups=pl.DataFrame(
            {
                "group": names,
                "lives": members.astype(np.float64),
                "observed": seen,
                "expected": expected,
            }
        ),
        variance="squared influence of each unit",
        clusters=int(members.sum()),
    )


def _mean(totals: list[Floats]) -> tuple[Floats, Floats]:
    """Estimate and numbers at risk from openings, closings, recurrences and perhaps their cost."""
    at_risk = under_watch(totals[0], totals[1])
    if not np.all(totals[1] == np.rint(totals[1])):
        # Sums of fractional weights leave rounding where the last unit goes.
        at_risk = np.where(np.abs(at_risk) > 1e-9 * totals[0].sum(), at_risk, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.cumsum(np.where(at_risk > 0, totals[-1] / at_risk, 0.0)), at_risk


def _steps(table: pl.DataFrame, column: str, times: Floats) -> Floats:
    """Values of a step function that starts at 0."""
    steps = np.concatenate([[0.0], table[column].to_numpy()])
    return steps[np.searchsorted(table["time"].to_numpy(), times, side="right")]


def _table(
    time: Floats,
    at_risk: Floats,
    events: Floats,
    cost: Floats | None,
    estimate: Floats,
    std_err: Floats,
    level: float,
) -> pl.DataFrame:
    lower, upper = log_limits(estimate, std_err, normal_quantile(level))
    columns: dict[str, Floats | pl.Series] = {"time": time, "at_risk": at_risk, "events": events}
    if cost is not None:
        columns["cost"] = cost
    columns |= {
        "estimate": estimate,
        "std_err": nullable(std_err),
        "lower": nullable(lower),
        "upper": nullable(upper),
    }
    return pl.DataFrame(columns)


def _unit_weight(weight: ArrayLike | None, window_unit: Ints) -> Floats | None:
    """Weights by code of unit; windows of one unit must agree."""
    given = weights(weight, window_unit.size)
    if given is None:
        return None
    by_unit = np.zeros(int(window_unit.max()) + 1)
    by_unit[window_unit] = given
    refuse(
        by_unit[window_unit] != given,
        "(windows) have another weight than a later window of their unit",
        "give a unit one weight",
    )
    return by_unit


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


def _every_time(*arrays: NDArray[np.int64] | Floats) -> tuple[TimeScale, list[Ints]]:
    """Place times on a scale that keeps near-equal times apart. n log n."""
    times, place = np.unique(np.concatenate(arrays), return_inverse=True)
    ends = np.cumsum([array.size for array in arrays])[:-1]
    return TimeScale(times.astype(np.float64)), list(np.split(place, ends))


def _unwatched(
    windows: tuple[Ints, Ints, Ints], recurrences: tuple[Ints, Ints], size: int
) -> NDArray[np.bool_]:
    """Find recurrences outside every window of their unit; refuse overlapping windows."""
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
    outside: NDArray[np.bool_] = (last < 0) | (at > ends[last])
    return outside
