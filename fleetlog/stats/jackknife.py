"""Errors from tables alone: each part of the vehicles is left out in turn.

Where single lives are not at hand, lives of one vehicle still depend on each other. Tables counted
by a fold of the vehicles (a hash of the vehicle, say, in 50 parts) keep each vehicle in one part,
so the spread of what is left when a part goes tells the error.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import (
    Floats,
    Ints,
    codes,
    count,
    normal_quantile,
    nullable,
    same_length,
    time_scale,
)
from fleetlog.stats.curves import (
    HazardCurve,
    IncidenceCurves,
    SurvivalCurve,
    cumulative_incidence_from_table,
    kaplan_meier_from_table,
    log_limits,
    log_log_limits,
    nelson_aalen_from_table,
)
from fleetlog.stats.risk import RiskTable, across, check_counts, risk_table_from_counts

VARIANCE = "jackknife that leaves out each fold"


@dataclass(frozen=True)
class Jackknife:
    """Error of one or more figures, from leaving out each fold in turn.

    Attributes
    ----------
    estimate, std_err : of the shape of the figures.
    folds : how many there are; limits take Student's t with one fewer degrees of freedom.
    """

    estimate: Floats
    std_err: Floats
    folds: int


def jackknife_from_table(
    statistic: Callable[[Floats, Floats, Floats, Floats], ArrayLike],
    time: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    events: ArrayLike,
    fold: ArrayLike,
) -> Jackknife:
    """Error of any figures of a table, by leaving out each fold of the vehicles in turn.

    Parameters
    ----------
    statistic : takes time, entered, left (r,) and events (r, causes) and gives figures of one
        shape; it is called once per fold and once for all.
    time, entered, left, events : (r,) rows as in `kaplan_meier_from_table`, each of one fold.
    fold : (r,) labels; all rows of one vehicle belong to one fold.

    Notes
    -----
    The variance is (G - 1) / G times the sum of squared departures from the whole.
    Source: Kott 2001 (delete-a-group jackknife); Shao and Tu 1995, section 5.
    """
    columns = check_counts(time, entered, left, events)
    times, came, went, failed = columns[0].astype(np.float64), *columns[1:]
    folds = _folds(fold, times.size)
    whole = np.asarray(statistic(times, came, went, failed), dtype=np.float64)
    number = int(folds.max()) + 1
    squares = np.zeros_like(whole)
    for rows in (folds != one for one in range(number)):
        moved = statistic(times[rows], came[rows], went[rows], failed[rows])
        squares = squares + (np.asarray(moved, dtype=np.float64) - whole) ** 2
    return Jackknife(whole, np.sqrt((number - 1) / number * squares), number)


def jackknife_survival(
    time: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    events: ArrayLike,
    fold: ArrayLike,
    *,
    level: float = 0.95,
) -> SurvivalCurve:
    """Product-limit curve from counts by fold, with the error that the folds tell.

    Parameters
    ----------
    time, entered, left, events : (r,) rows as in `kaplan_meier_from_table`, each of one fold.
    fold : (r,) labels; all rows of one vehicle belong to one fold. Some 50 folds are plenty.
    level : confidence level of the limits, which take Student's t.

    Returns
    -------
    SurvivalCurve, with ``clusters`` the number of folds. Where leaving out a fold leaves nobody at
    risk for a while, its curve stays as it is; past the last age that it watched it says nothing,
    and the error is null. Time grows as folds x ages.

    Notes
    -----
    Source: Kott 2001 (delete-a-group jackknife); Shao and Tu 1995, section 5.
    """
    curve = kaplan_meier_from_table(time, entered, left, events, level=level)
    parts = _Parts.of(time, entered, left, events, fold)
    error = parts.error(_survival)
    estimate = curve.table["estimate"].to_numpy()
    error = np.where(estimate > 0, error, np.nan)
    lower, upper = _share_limits(estimate, error, _student(level, parts.number))
    return replace(
        curve,
        table=_with_error(curve.table, error, lower, upper),
        variance=VARIANCE,
        clusters=parts.number,
    )


def jackknife_hazard(
    time: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    events: ArrayLike,
    fold: ArrayLike,
    *,
    level: float = 0.95,
) -> HazardCurve:
    """Cumulative hazard from counts by fold; all else as in `jackknife_survival`."""
    curve = nelson_aalen_from_table(time, entered, left, events, level=level)
    parts = _Parts.of(time, entered, left, events, fold)
    error, estimate = parts.error(_hazard), curve.table["estimate"].to_numpy()
    lower, upper = log_limits(estimate, error, _student(level, parts.number))
    return replace(
        curve,
        table=_with_error(curve.table, error, lower, upper),
        variance=VARIANCE,
        clusters=parts.number,
    )


def jackknife_incidence(
    time: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    events: ArrayLike,
    fold: ArrayLike,
    *,
    level: float = 0.95,
) -> IncidenceCurves:
    """Share failed by each cause from counts by fold; ``events`` is (r, causes).

    All else is as in `jackknife_survival`.
    """
    curves = cumulative_incidence_from_table(time, entered, left, events, level=level)
    parts = _Parts.of(time, entered, left, events, fold)
    # Causes follow one another, as in the table of the curves.
    error, estimate = parts.error(_shares), curves.table["estimate"].to_numpy()
    lower, upper = _share_limits(estimate, error, _student(level, parts.number))
    return replace(
        curves,
        table=_with_error(curves.table, error, lower, upper),
        variance=VARIANCE,
        clusters=parts.number,
    )


@dataclass(frozen=True)
class _Parts:
    """The whole table, and what each fold counts on its times.

    Attributes
    ----------
    whole : risk table. parts : one per fold. number : of folds.
    """

    whole: RiskTable
    parts: list[RiskTable]
    number: int

    @classmethod
    def of(
        cls,
        time: ArrayLike,
        entered: ArrayLike,
        left: ArrayLike,
        events: ArrayLike,
        fold: ArrayLike,
    ) -> _Parts:
        """Count the rows of each fold on the times of the whole."""
        times, came, went, failed = check_counts(time, entered, left, events)
        folds = _folds(fold, times.size)
        whole = risk_table_from_counts(time, entered, left, events)
        scale, (place,) = time_scale(times)
        size, kept, parts = scale.size, whole.place, []
        order = np.argsort(folds, kind="stable")
        for rows in np.split(order, np.cumsum(np.bincount(folds))[:-1]):
            at = place[rows]
            came_at, went_at = count(at, size, came[rows]), count(at, size, went[rows])
            gone = np.column_stack([count(at, size, column[rows])[kept] for column in failed.T])
            at_risk = (np.cumsum(came_at) - came_at - np.cumsum(went_at) + went_at)[kept]
            parts.append(RiskTable(whole.time, at_risk, gone, went_at[kept] - across(gone), kept))
        return cls(whole, parts, len(parts))

    def error(self, curve: Callable[[RiskTable], Floats]) -> Floats:
        """Jackknife error of a curve's figures: times, or causes one after the other by times."""
        whole = curve(self.whole)
        squares = np.zeros_like(whole)
        for part in self.parts:
            rest = RiskTable(
                self.whole.time,
                _rest(self.whole.at_risk, part.at_risk),
                _rest(self.whole.events, part.events),
                _rest(self.whole.censored, part.censored),
                self.whole.place,
            )
            watched = np.flatnonzero(rest.all_events + rest.censored)
            moved = curve(rest)
            moved[..., watched[-1] + 1 if watched.size else 0 :] = np.nan
            squares += (moved - whole) ** 2
        return np.sqrt((self.number - 1) / self.number * squares).ravel()


def _survival(table: RiskTable) -> Floats:
    return np.cumprod(1 - _failing(table, table.all_events), dtype=np.float64)


def _hazard(table: RiskTable) -> Floats:
    return np.cumsum(_failing(table, table.all_events))


def _shares(table: RiskTable) -> Floats:
    before = np.concatenate([[1.0], _survival(table)[:-1]])
    return np.cumsum([before * _failing(table, column) for column in table.events.T], axis=1)


def _failing(table: RiskTable, failed: Floats) -> Floats:
    """Share failing of those at risk; none where nobody is."""
    return np.divide(failed, table.at_risk, out=np.zeros(failed.size), where=table.at_risk > 0)


def _share_limits(estimate: Floats, error: Floats, multiplier: float) -> tuple[Floats, Floats]:
    with np.errstate(divide="ignore", invalid="ignore"):
        return log_log_limits(estimate, error / estimate, multiplier)


def _student(level: float, folds: int) -> float:
    normal_quantile(level)  # Refuses an impossible level.
    return float(stdtrit(folds - 1, 0.5 + level / 2))


def _with_error(table: pl.DataFrame, error: Floats, lower: Floats, upper: Floats) -> pl.DataFrame:
    return table.with_columns(
        nullable(error).alias("std_err"),
        nullable(lower).alias("lower"),
        nullable(upper).alias("upper"),
    )


def _folds(fold: ArrayLike, rows: int) -> Ints:
    coded = codes(fold, "fold")
    same_length(rows, fold=coded)
    used = np.bincount(coded) > 0
    if np.count_nonzero(used) < 2:
        raise InvalidLives(
            "All rows are of one fold, which has no spread to tell the error by: split the "
            "vehicles into at least two, better 50."
        )
    return (np.cumsum(used) - 1)[coded]


def _rest(whole: Floats, part: Floats) -> Floats:
    """Take a part away; a rounding of fractional weights is nothing."""
    left = whole - part
    return np.where(left > 1e-9 * whole, left, 0.0)
