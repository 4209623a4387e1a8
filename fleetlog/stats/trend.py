"""Do recurrences come faster or slower with age? Tests of a constant rate within each unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.special import chdtr, chdtrc

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Floats, count, distinct, sorting
from fleetlog.stats.compare import TestResult
from fleetlog.stats.recurrence import (
    FollowUp,
    Recurrences,
    Truncation,
    Windows,
    check_recurrences,
    follow_up,
)

Direction: TypeAlias = Literal["rising", "falling", "level"]


@dataclass(frozen=True, kw_only=True)
class TrendResult(TestResult):
    """A test of the hypothesis that every unit has a constant rate, which may differ by unit.

    ``groups`` sets the recurrences of the first and second half of each unit's watched time
    against those expected of a constant rate; ``lives`` are the units.

    Attributes
    ----------
    direction : "rising" where recurrences come faster with age, "falling" where slower. It says
        which way the data lean, whether or not the test is significant.
    recurrences : how many were used.
    truncating : how many ended the watch of their unit, whose age says nothing of a trend.
    """

    direction: Direction
    recurrences: int
    truncating: int


def laplace_trend(
    unit: ArrayLike, time: ArrayLike, windows: Windows, *, truncation: Truncation = "time"
) -> TrendResult:
    """Test for a trend by the mean age at recurrence, pooled over units.

    Given their number, recurrences at a constant rate fall evenly over the watched ages of their
    unit. The statistic is the square of the standardised sum of ages (1 degree of freedom, two
    sides, a normal approximation that is good from about 4 recurrences). Recurrences that trigger
    each other look like a trend to it: see `lewis_robinson_trend`. n log n.

    Parameters
    ----------
    unit, time, windows : as in `mean_cumulative_function`; late entry and gaps are allowed.
    truncation : "failure" where the watch of every unit ended at its last recurrence, because of
        it.

    Raises
    ------
    InvalidLives : also for fewer than 2 recurrences besides truncating ones.

    Notes
    -----
    Source: Cox and Lewis 1966; pooled: Kvaloy and Lindqvist 1998; NIST/SEMATECH e-Handbook
    8.2.3.4.
    """
    seen = _enough(follow_up(check_recurrences(unit, time, windows), truncation))
    score = _laplace(seen)
    return _result(seen, statistic=score**2, df=1, lean=score, variance="even ages within units")


def military_handbook_trend(
    unit: ArrayLike, time: ArrayLike, windows: Windows, *, truncation: Truncation = "time"
) -> TrendResult:
    """Test for a trend of power-law form, pooled over units.

    The statistic is twice the sum of log(watched time of the unit / watched time up to the
    recurrence). At constant rates it is exactly chi-squared with 2 degrees of freedom for each
    recurrence, with late entry and gaps too, since only watched time is counted. The p-value is
    two-sided: twice the smaller tail. n log n.

    Parameters, errors : as in `laplace_trend`.

    Notes
    -----
    Source: MIL-HDBK-189C; Crow 1974; NIST/SEMATECH e-Handbook 8.2.3.4.
    """
    seen = _enough(follow_up(check_recurrences(unit, time, windows), truncation))
    elapsed, watched = _elapsed(seen)
    statistic = 2 * float(np.log(watched[seen.unit] / elapsed).sum())
    df = 2 * seen.age.size
    tail = 2 * min(float(chdtr(df, statistic)), float(chdtrc(df, statistic)))
    # A large sum means early recurrences.
    return _result(
        seen, statistic=statistic, df=df, lean=df - statistic, variance="exact", p_value=tail
    )


def lewis_robinson_trend(
    unit: ArrayLike, time: ArrayLike, windows: Windows, *, truncation: Truncation = "time"
) -> TrendResult:
    """Test for a trend where times between recurrences need not be exponential.

    The score of `laplace_trend` divided by the coefficient of variation of the times between
    recurrences, pooled over units, which are taken to be alike: differences between units make
    the test cautious. Only times whose both ends were seen count: between two recurrences without
    a gap, and from age 0 to the first.

    Parameters, errors : as in `laplace_trend`; also for fewer than 3 such times.

    Notes
    -----
    Source: Lewis and Robinson 1974; Ascher and Feingold 1984; pooled: Lawless, Cigsar and Cook
    2012.
    """
    watched = check_recurrences(unit, time, windows)
    seen = _enough(follow_up(watched, truncation))
    between = _between(watched)
    if between.size < 3:
        raise InvalidLives(
            f"There are {between.size} times between recurrences with both ends seen: at least 3 "
            f"are needed to know their spread."
        )
    variation = float(between.std(ddof=1) / between.mean()) if between.any() else 0.0
    if variation == 0:
        raise InvalidLives(
            "The times between recurrences are all alike: there is no spread to judge a trend by."
        )
    score = _laplace(seen) / variation
    return _result(
        seen, statistic=score**2, df=1, lean=score, variance="spread of times between recurrences"
    )


def _enough(seen: FollowUp) -> FollowUp:
    if seen.age.size < 2:
        besides = " besides those that ended a watch" if seen.truncating else ""
        raise InvalidLives(
            f"There are {seen.age.size} recurrences{besides}: a trend needs at least 2."
        )
    return seen


def _laplace(seen: FollowUp) -> float:
    """Standardised sum of ages, above 0 where recurrences come late."""
    units = seen.units
    # Ages are taken from the first of each unit, so that squares do not cancel.
    first = np.full(units, np.inf)
    np.minimum.at(first, seen.window_unit, seen.start)
    start, stop = seen.start - first[seen.window_unit], seen.stop - first[seen.window_unit]

    def summed(values: Floats) -> Floats:
        return count(seen.window_unit, units, values)

    number = np.bincount(seen.unit, minlength=units)
    used = np.flatnonzero(number)
    length = summed(stop - start)[used]
    mean = summed(stop**2 - start**2)[used] / (2 * length)
    spread = summed(stop**3 - start**3)[used] / (3 * length) - mean**2
    surplus = float((seen.age - first[seen.unit]).sum() - number[used] @ mean)
    return surplus / float(np.sqrt(number[used] @ spread))


def _elapsed(seen: FollowUp) -> tuple[Floats, Floats]:
    """Watched time up to each recurrence, and of each unit in all."""
    length = seen.stop - seen.start
    running = np.cumsum(length)
    before = running - length
    opening = np.flatnonzero(np.diff(seen.window_unit, prepend=-1))
    behind = np.zeros(seen.units)
    behind[seen.window_unit[opening]] = before[opening]
    passed = before[seen.window] - behind[seen.unit]
    watched = count(seen.window_unit, seen.units, length)
    return passed + seen.age - seen.start[seen.window], watched


def _between(watched: Recurrences) -> Floats:
    """Give the times between recurrences of which both ends were seen."""
    everything = follow_up(watched, "time")
    fresh = (np.diff(everything.window_unit, prepend=-1) != 0) | (
        everything.start != np.concatenate([[-1.0], everything.stop[:-1]])
    )
    run = np.cumsum(fresh) - 1
    opened = everything.start[np.flatnonzero(fresh)]
    place = watched.unit.astype(np.int64) * watched.scale.size + watched.time
    order = sorting(place)
    age, mine = everything.age[order], run[everything.window[order]]
    follows = mine == np.concatenate([[-1], mine[:-1]])
    since = np.where(follows, np.concatenate([[0.0], age[:-1]]), opened[mine])
    both: Floats = (age - since)[follows | (opened[mine] == 0)]
    return both


def _result(
    seen: FollowUp,
    *,
    statistic: float,
    df: int,
    lean: float,
    variance: str,
    p_value: float | None = None,
) -> TrendResult:
    elapsed, watched = _elapsed(seen)
    early = int(np.count_nonzero(elapsed <= watched[seen.unit] / 2))
    recurrences = int(seen.age.size)
    return TrendResult(
        statistic=statistic,
        df=df,
        p_value=float(chdtrc(df, statistic)) if p_value is None else min(p_value, 1.0),
        groups=pl.DataFrame(
            {
                "group": ["first half", "second half"],
                "lives": [float(distinct(seen.window_unit))] * 2,
                "observed": [float(early), float(recurrences - early)],
                "expected": [recurrences / 2] * 2,
            }
        ),
        variance=variance,
        direction="rising" if lean > 0 else "falling" if lean < 0 else "level",
        recurrences=recurrences,
        truncating=seen.truncating,
    )
