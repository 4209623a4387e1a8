"""Events of a group against those that all the others would have had on the same cases."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Floats, Ints, count, nullable, refuse
from fleetlog.stats.rates import RateMethod, rate_ratio

# Sums of parts leave rounding where a group is all there is of a kind.
NOTHING = 1e-9


@dataclass(frozen=True)
class GroupsAgainstOthers:
    """Each group's observed against expected events. See `compare_with_others`.

    Attributes
    ----------
    table : one row per group, in the order of the numbers given: ``group``, ``size`` (of the
        cases that others have too), ``size_alone`` (of those that nobody else has, left out of
        all that follows), ``observed``, ``expected``, ``behind`` (the events that the expected
        number rests on, as a Poisson count of equal precision), ``precision`` (the expected
        number whose Poisson variation alone is that of ``observed`` and ``expected`` together,
        dispersion included),
        ``ratio``, ``lower``, ``upper``, ``p_value`` (two-sided); null where the others have none of
        the group's cases. Where they have, and had no event, ``expected`` is 0, there is no
        ``ratio``, ``upper`` or ``precision``, and ``lower`` and ``p_value`` are those of none seen
        in cases of the same weight.
    level : confidence level of the limits.
    """

    table: pl.DataFrame
    level: float


def compare_with_others(
    observed: ArrayLike,
    size: ArrayLike,
    group: ArrayLike,
    kind: ArrayLike,
    *,
    dispersion: float = 1.0,
    method: RateMethod = "mid-p",
    level: float = 0.95,
) -> GroupsAgainstOthers:
    """Hold each group against the rates of all the other groups, case for case.

    The expected events of a group are the sum over kinds of its size times the rate that all
    others have in that kind (indirect standardisation, the group itself left out of its
    standard). A group of hard cases is so held against the hard cases of the others.

    Parameters
    ----------
    observed : (rows,) counts >= 0. size : (rows,) trials or exposure, > 0, fractions allowed.
        Rows of the same group and kind add up.
    group, kind : (rows,) whole numbers from 0.
    dispersion : variance of a group's events as a multiple of that of a Poisson count, at least
        1; above it where events come in clusters, as several of one vehicle.
    method : as in `standardised_ratio`.

    Notes
    -----
    Both the count and the number expected are uncertain. The expected number is a weighted sum of
    Poisson counts, with variance ``sum of size**2 * others / others_size**2``; it is matched by
    mean and variance to a Poisson count of ``behind`` = expected**2 / variance events, as Fay and
    Feuer 1997 do for directly standardised rates, rounded down, and the two counts are compared by
    `rate_ratio`. With very many others these are the limits of `standardised_ratio`. Where the
    others had no event, their cases count as size**2 / sum of (size**2 / others_size), which is
    the same match at a rate that all kinds share.

    With a dispersion both counts are divided by it before all that (Rao and Scott 1999), the
    events behind before they are rounded down: events that come in pairs are half as many, so
    that telling each case twice, with twice the dispersion, changes neither limits nor p-value.
    Groups of one kind share their standard, so their ratios are not independent. Cost: n log n in
    rows.

    Source: Breslow and Day 1987, section 2.3; Fay and Feuer 1997; dispersion: Rao and Scott 1999.
    """
    if not (np.isfinite(dispersion) and dispersion >= 1):
        raise ValueError(f"dispersion is {dispersion}: pass 1 or more")
    counts, sizes, groups, kinds = _checked(observed, size, group, kind)
    span = int(kinds.max(initial=0)) + 1
    cell, place = np.unique(groups * span + kinds, return_inverse=True)
    of_group, of_kind = cell // span, cell % span
    mine, own = count(place, cell.size, counts), count(place, cell.size, sizes)
    others = count(of_kind, span, mine)[of_kind] - mine
    others_size = count(of_kind, span, own)[of_kind] - own
    shared = others_size > NOTHING * own
    number, row = np.unique(of_group, return_inverse=True)

    def total(values: Floats) -> Floats:
        return count(row, number.size, np.where(shared, values, 0.0))

    weight = np.divide(own, others_size, out=np.zeros(cell.size), where=shared)
    compared, seen, expected = total(own), total(mine), total(weight * others)
    any_shared, known = compared > 0, expected > 0
    behind = np.divide(expected**2, total(weight**2 * others), out=0 * expected, where=known)
    ratio, lower, upper, p_value = (np.full(number.size, np.nan) for _ in range(4))
    apart = seen / dispersion
    # With less than one event behind it there is still an event: a count cannot be smaller.
    held = np.maximum(np.floor(behind[known] / dispersion + NOTHING), 1.0)
    found = rate_ratio(
        apart[known], expected[known] / dispersion, held, held, method=method, level=level
    )
    ratio[known] = seen[known] / expected[known]
    lower[known], upper[known], p_value[known] = found.lower, found.upper, found.p_value
    none = any_shared & ~known
    like = compared[none] ** 2 / total(weight * own)[none]
    empty = rate_ratio(apart[none], compared[none], 0, like, method=method, level=level)
    lower[none], p_value[none] = empty.lower, empty.p_value
    # 1 / (1 / expected + 1 / behind), the variances of both on the log scale.
    both = np.where(known, expected + behind, 1.0)
    precision = expected * behind / both / dispersion
    return GroupsAgainstOthers(
        table=pl.DataFrame(
            {
                "group": number,
                "size": compared,
                "size_alone": count(row, number.size, own) - compared,
                "observed": seen.astype(np.int64),
                "expected": nullable(np.where(any_shared, expected, np.nan)),
                "behind": nullable(np.where(any_shared, behind, np.nan)),
                "precision": nullable(np.where(known, precision, np.nan)),
                "ratio": nullable(ratio),
                "lower": nullable(lower),
                "upper": nullable(upper),
                "p_value": nullable(p_value),
            }
        ),
        level=level,
    )


def _checked(
    observed: ArrayLike, size: ArrayLike, group: ArrayLike, kind: ArrayLike
) -> tuple[Floats, Floats, Ints, Ints]:
    counts, sizes = np.asarray(observed, dtype=np.float64), np.asarray(size, dtype=np.float64)
    groups, kinds = _numbered(group, "group"), _numbered(kind, "kind")
    if not counts.shape == sizes.shape == groups.shape == kinds.shape or counts.ndim != 1:
        raise InvalidLives(
            "observed, size, group and kind differ in length: pass one of each a row."
        )
    refuse(~(counts >= 0) | (counts != np.rint(counts)), "have no whole count", "count again")
    refuse(~(np.isfinite(sizes) & (sizes > 0)), "have no size above 0", "leave them out")
    return counts, sizes, groups, kinds


def _numbered(values: ArrayLike, name: str) -> Ints:
    array = np.asarray(values)
    if array.dtype.kind not in "ui" or (array.size and array.min() < 0):
        raise InvalidLives(f"{name} does not hold whole numbers from 0: number them.")
    return array.astype(np.int64)
