"""Risk tables: who was at risk and what ended, counted once; and variances clustered by unit."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import (
    Bools,
    Floats,
    Ints,
    TimeScale,
    codes,
    count,
    distinct,
    nullable,
    numbers,
    refuse,
    same_length,
    sorting,
    time_scale,
    weights,
)

ROUNDING = 1e-13


@dataclass(frozen=True)
class RiskTable:
    """Counts on ascending distinct times; each life is at risk on (entry, exit].

    Attributes
    ----------
    time : (t,) float, the times at which a life ended.
    at_risk : (t,) float, weight of the lives with entry < time <= exit.
    events : (t, causes) float, weight of the failures at that time, by cause.
    censored : (t,) float, weight of the lives that ended there unfailed, after the failures.
    place : (t,) position of each time on the scale that the lives were counted on.
    """

    time: Floats
    at_risk: Floats
    events: Floats
    censored: Floats
    place: Ints

    @cached_property
    def all_events(self) -> Floats:
        """Failures at each time, (t,), whatever the cause."""
        return across(self.events)

    @property
    def survival(self) -> Floats:
        """Product-limit estimate of the share surviving each time, (t,)."""
        return np.cumprod((self.at_risk - self.all_events) / self.at_risk, dtype=np.float64)


@dataclass(frozen=True)
class Lives:
    """Checked lives, placed on one time scale. Made by `check_lives` only.

    ``cause`` is 0 where a life did not fail, else the number of its cause, up to ``causes``.
    """

    scale: TimeScale
    exit: Ints
    cause: NDArray[np.integer | np.bool_]
    causes: int
    entry: Ints | None
    weight: Floats | None
    cluster: Ints | None
    start: float
    dropped: dict[str, int]

    @property
    def rows(self) -> int:
        """How many lives are in."""
        return int(self.exit.size)

    @property
    def clusters(self) -> int | None:
        """How many clusters they come in, or None where they are independent."""
        return None if self.cluster is None else distinct(self.cluster)


def check_times(
    exit: ArrayLike,  # noqa: A002
    entry: ArrayLike | None,
    weight: ArrayLike | None,
) -> tuple[NDArray[np.int64] | Floats, NDArray[np.int64] | Floats | None, Floats | None]:
    """Check exits, entries and weights together; lives must end after they are first seen."""
    exits = numbers(exit, "exit")
    if exits.size == 0:
        raise InvalidLives("There are no lives: pass at least one.")
    entries = None if entry is None else numbers(entry, "entry")
    same_length(exits.size, entry=entries)
    remedy = (
        "swap swapped readings, and leave lives with no follow-up out and count them"
        if entries is not None
        else "leave lives with no follow-up out and count them"
    )
    if entries is None:
        if exits.min() <= 0:
            refuse(exits <= 0, "have an exit of 0", remedy)
    else:
        refuse(entries >= exits, "have entry >= exit", remedy)
    return exits, entries, weights(weight, exits.size)


def refuse_one_cluster(coded: Ints) -> None:
    """Refuse clusters that tell nothing of how clusters differ."""
    if distinct(coded) < 2:
        raise InvalidLives(
            "All lives are of one cluster, which says nothing of how clusters differ: pass lives "
            "of at least two clusters, or leave cluster out."
        )


def check_lower(
    lower: ArrayLike,
    exits: NDArray[np.int64] | Floats,
    failed: Bools,
    entries: NDArray[np.int64] | Floats | None,
) -> Floats:
    """Lower ends with NaN made the exit itself: the age at failure is known."""
    ends = np.asarray(lower, dtype=np.float64)
    same_length(exits.size, lower=ends)
    ends = np.where(np.isnan(ends), exits, ends)
    refuse(ends > exits, "have lower > exit", "swap swapped readings")
    began = 0.0 if entries is None else entries
    refuse(ends < began, "have lower < entry", "a failure before entry was never watched for")
    refuse(
        ~failed & (ends < exits), "have an interval but no failure", "give no lower end for them"
    )
    return ends


def check_lives(
    exit: ArrayLike,  # noqa: A002
    cause: NDArray[np.integer | np.bool_],
    *,
    causes: int = 1,
    entry: ArrayLike | None,
    weight: ArrayLike | None,
    cluster: ArrayLike | None,
    from_age: float | None,
) -> Lives:
    """Check lives, condition them on survival to ``from_age`` and place them on one scale."""
    exits, entries, weighted = check_times(exit, entry, weight)
    same_length(exits.size, event=cause)
    clustered = None if cluster is None else codes(cluster, "cluster")
    same_length(exits.size, cluster=clustered)
    dropped: dict[str, int] = {}
    if from_age is not None:
        if not (np.isfinite(from_age) and from_age >= 0):
            raise ValueError(f"from_age is {from_age}: pass an age of 0 or more")
        kept = exits > from_age
        dropped["ended_by_from_age"] = int(kept.size - np.count_nonzero(kept))
        if not kept.any():
            raise InvalidLives(f"No life lasts beyond from_age = {from_age}: lower it.")
        exits, cause = exits[kept], cause[kept]
        begun = np.zeros(exits.size) if entries is None else entries[kept]
        entries = np.maximum(begun, from_age)
        weighted = None if weighted is None else weighted[kept]
        clustered = None if clustered is None else clustered[kept]
    if clustered is not None:
        refuse_one_cluster(clustered)
    if entries is None:
        scale, (exit_place,) = time_scale(exits)
        entry_place = None
    else:
        scale, (exit_place, entry_place) = time_scale(exits, entries)
        # Merging near-equal times can leave a life of no length: it was never at risk.
        if scale.size and np.any(merged := entry_place >= exit_place):
            refuse(
                merged, "have an entry within rounding of their exit", "leave them out and count"
            )
    return Lives(
        scale=scale,
        exit=exit_place,
        cause=cause,
        causes=causes,
        entry=entry_place,
        weight=weighted,
        cluster=clustered,
        start=0.0 if from_age is None else float(from_age),
        dropped=dropped,
    )


def risk_table(lives: Lives) -> RiskTable:
    """Count lives into a risk table. Linear in lives and times."""
    size, columns = lives.scale.size, lives.causes + 1
    # One pass counts failures by cause and censorings: each pair of place and cause is a cell.
    cells = count(lives.exit * columns + lives.cause, size * columns, lives.weight)
    ended = cells.reshape(size, columns)
    entered = None if lives.entry is None else count(lives.entry, size, lives.weight)
    return _assemble(lives.scale.times, entered, ended, whole=lives.weight is None)


def across(columns: Floats) -> Floats:
    """Sum of a few long columns; by column, which is several times faster than by row."""
    total = np.zeros(columns.shape[0])
    for column in columns.T:
        total += column
    return total


def _assemble(time: Floats, entered: Floats | None, ended: Floats, *, whole: bool) -> RiskTable:
    """Build the table from lives that began (t,) and ended (t, 1 + causes), censored first."""
    left = across(ended)
    gone = np.cumsum(left)
    kept = np.flatnonzero(left)
    before = gone[kept] - left[kept]
    if entered is None:
        at_risk = gone[-1] - before
    else:
        at_risk = (np.cumsum(entered) - entered)[kept] - before
    events = ended[kept, 1:]
    if not whole:
        # Sums of fractional weights leave rounding where the risk set empties exactly.
        failed = across(events)
        emptied = np.abs(at_risk - failed) < 1e-9 * failed
        at_risk = np.where(emptied, failed, np.maximum(at_risk, left[kept]))
    return RiskTable(time[kept], at_risk, events, ended[kept, 0], kept)


def check_counts(
    time: ArrayLike, entered: ArrayLike, left: ArrayLike, events: ArrayLike
) -> tuple[NDArray[np.int64] | Floats, Floats, Floats, Floats]:
    """Check the columns of a table counted elsewhere; events come back as (r, causes)."""
    times = numbers(time, "time")
    if times.size == 0:
        raise InvalidLives("The risk table is empty: pass at least one row.")
    came, went = numbers(entered, "entered"), numbers(left, "left")
    same_length(times.size, entered=came, left=went)
    failed = np.asarray(events, dtype=np.float64)
    failed = failed.reshape(-1, 1) if failed.ndim == 1 else failed
    if failed.ndim != 2 or failed.shape[0] != times.size:
        raise InvalidLives(
            f"events has shape {failed.shape} for {times.size} rows: pass one row per time."
        )
    refuse(
        np.any(~np.isfinite(failed) | (failed < 0), axis=1),
        "have events that are NaN, infinite or negative",
        "count the failures again",
    )
    return times, came.astype(np.float64), went.astype(np.float64), failed


def risk_table_from_counts(
    time: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    events: ArrayLike,
) -> RiskTable:
    """Build a risk table from rows that were counted elsewhere.

    Parameters
    ----------
    time : (r,) times; may repeat and come in any order, so tables of several groups add up.
    entered : (r,) weight of the lives that are at risk after ``time``, counted at their entry.
    left : (r,) weight of the lives that ended at ``time``, failed or not.
    events : (r,) or (r, causes), weight of those that failed.
    """
    times, came, went, failed = check_counts(time, entered, left, events)
    scale, (place,) = time_scale(times)
    came_at = count(place, scale.size, came)
    went_at = count(place, scale.size, went)
    failed_at = np.column_stack([count(place, scale.size, column) for column in failed.T])
    slack = 1e-9 * max(1.0, float(came_at.sum()))
    refuse(
        across(failed_at) > went_at + slack,
        "(distinct times) have more events than lives that left",
        "count failures among those that left",
    )
    after = np.cumsum(came_at) - np.cumsum(went_at)
    refuse(
        after - came_at < -slack,
        "(distinct times) have more lives leaving than at risk",
        "count every entry, at time 0 too",
    )
    censored_at = np.maximum(went_at - across(failed_at), 0.0)
    return _assemble(
        scale.times,
        came_at,
        np.column_stack([censored_at, failed_at]),
        whole=bool(np.all(went_at == np.rint(went_at))),
    )


def clustered_variance(
    cluster: Ints,
    place: Ints,
    jumps: list[Floats],
    coefficients: list[Floats],
) -> Floats:
    """Sum over clusters the square of a cluster's influence, at every time.

    The influence of cluster c at time t is ``sum_j v_cj(t) * coefficients[j][t]`` where ``v_cj``
    is piecewise constant: it rises by ``jumps[j][i]`` at ``place[i]`` for ``cluster[i] = c``. So
    the sum of squares is a quadratic form in the coefficients whose matrix changes only at the
    jumps: one sort (n log n) replaces a clusters-by-times array.

    Parameters
    ----------
    cluster, place : (m,) codes of the cluster and position of the time of each jump.
    jumps : p arrays (m,). coefficients : p arrays (t,).

    Returns
    -------
    (t,) float.
    """
    size = coefficients[0].size
    order = sorting(cluster.astype(np.int64) * size + place)
    cluster, place = cluster[order], place[order]
    first = np.flatnonzero(np.diff(cluster, prepend=-1))
    lengths = np.diff(first, append=cluster.size)
    after: list[Floats] = []
    before: list[Floats] = []
    for jump in jumps:
        step = jump[order]
        running = np.cumsum(step)
        running -= np.repeat(running[first] - step[first], lengths)
        after.append(running)
        before.append(running - step)
    total, largest = np.zeros(size), np.zeros(size)
    for j in range(len(jumps)):
        for k in range(j, len(jumps)):
            change = after[j] * after[k] - before[j] * before[k]
            moment = np.cumsum(np.bincount(place, weights=change, minlength=size))
            factor = coefficients[j] * coefficients[k] * (1.0 if j == k else 2.0)
            total += moment * factor
            np.maximum(largest, np.maximum.accumulate(np.abs(moment)) * np.abs(factor), out=largest)
    # Where the terms cancel, as when one cluster holds all lives at risk, what is left is rounding.
    return np.where(total > ROUNDING * largest, total, 0.0)


def life_jumps(
    lives: Lives, at_exit: Floats, integral: Floats, late: Bools | None = None
) -> tuple[Ints, Ints, Floats, Floats]:
    """Jumps of the influence of lives whose at-risk part is minus a common running integral.

    A life contributes, up to time t, ``at_exit`` once it has left by t, less what ``integral``
    (t,) gained while it was at risk. Written as ``a - b * integral(t)``, ``a`` and ``b`` change
    at entry and exit only.

    Parameters
    ----------
    late : (n,) lives that came after the integral began to rise; where two integrals share their
        jumps, the lives that came after either began.

    Returns
    -------
    cluster, place, jumps of a, jumps of b: each (m,). Lives that came before the integral began
    to rise are joined into one jump of their cluster.
    """
    assert lives.cluster is not None
    ones = np.ones(lives.rows) if lives.weight is None else lives.weight
    out = ones * (at_exit - integral[lives.exit])
    if lives.entry is None:
        early = np.bincount(lives.cluster, weights=ones)
        late = np.zeros(lives.rows, dtype=np.bool_)
        begun, came = lives.exit[late], out[late]
    else:
        missed = integral[lives.entry]
        if late is None:
            late = missed > 0
        early = np.bincount(lives.cluster, weights=np.where(late, 0.0, ones))
        begun, came = lives.entry[late], (ones * missed)[late]
    starting = np.flatnonzero(early)
    none = np.zeros(starting.size)
    return (
        np.concatenate([starting, lives.cluster[late], lives.cluster]),
        np.concatenate([np.zeros(starting.size, dtype=np.intp), begun, lives.exit]),
        np.concatenate([none, came, out]),
        np.concatenate([early[starting], ones[late], -ones]),
    )


def spread(table: RiskTable, values: Floats, size: int) -> Floats:
    """Put values of a risk table's times onto the whole scale it was counted on, else 0."""
    whole = np.zeros(size)
    whole[table.place] = values
    return whole


def table_frame(
    table: RiskTable, estimate: Floats, std_err: Floats, lower: Floats, upper: Floats
) -> pl.DataFrame:
    """Lay a curve out in the columns that all curves share."""
    return pl.DataFrame(
        {
            "time": table.time,
            "at_risk": table.at_risk,
            "events": table.all_events,
            "censored": table.censored,
            "estimate": estimate,
            "std_err": nullable(std_err),
            "lower": nullable(lower),
            "upper": nullable(upper),
        }
    )
