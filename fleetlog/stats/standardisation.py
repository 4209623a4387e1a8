"""Events of a group against those that all the others would have had on the same cases."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Floats, Ints, count, nullable, refuse
from fleetlog.stats.rates import RateMethod, RateRatio, rate_ratio

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
        ``ratio``, ``lower``, ``upper``, ``p_value`` (two-sided); null where others had no event,
        or none of the group's cases.
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
    mean and variance to a Poisson count of ``behind`` = expected**2 / variance events, rounded
    down, as Fay and Feuer 1997 do for directly standardised rates, and the two counts are compared
    by `rate_ratio`. Dispersion stretches the logs of the limits by its root and shrinks the normal
    score of the p-value likewise; where a group has no events, it multiplies the upper limit, as
    fewer of them would. With very many others these are the limits of `standardised_ratio`.
    Groups of one kind share their standard, so their ratios are not independent. Cost: n log n
    in rows.

    Source: Breslow and Day 1987, section 2.3; Fay and Feuer 1997; dispersion: McCullagh and
    Nelder 1989, section 6.2.
    """
    if not (np.isfinite(dispersion) and dispersion >= 1):
        raise ValueError(f"dispersion is {dispersion}: pass 1 or more")
    counts, sizes = np.asarray(observed, dtype=np.float64), np.asarray(size, dtype=np.float64)
    groups, kinds = (_numbered(values, name) for values, name in ((group, "group"), (kind, "kind")))
    if not counts.shape == sizes.shape == groups.shape == kinds.shape or counts.ndim != 1:
        raise InvalidLives(
            "observed, size, group and kind differ in length: pass one of each a row."
        )
    refuse(~(counts >= 0) | (counts != np.rint(counts)), "have no whole count", "count again")
    refuse(~(np.isfinite(sizes) & (sizes > 0)), "have no size above 0", "leave them out")
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
    seen, expected = total(mine), total(weight * others)
    variance = total(weight**2 * others)
    behind = np.divide(expected**2, variance, out=np.zeros(number.size), where=variance > 0)
    known = expected > 0
    # With less than one event behind it there is still an event: a count cannot be smaller.
    found = rate_ratio(
        seen[known], expected[known], *(np.maximum(np.floor(behind[known] + NOTHING), 1.0),) * 2,
        method=method, level=level,
    )  # fmt: skip

    lower, upper, p_value = _stretched(found, dispersion)

    def spread(values: Floats) -> pl.Series:
        full = np.full(number.size, np.nan)
        full[known] = values
        return nullable(full)

    return GroupsAgainstOthers(
        table=pl.DataFrame(
            {
                "group": number,
                "size": total(own),
                "size_alone": count(row, number.size, own) - total(own),
                "observed": seen.astype(np.int64),
                "expected": spread(expected[known]),
                "behind": spread(behind[known]),
                "precision": spread(1 / (1 / expected[known] + 1 / behind[known]) / dispersion),
                "ratio": spread(found.ratio),
                "lower": spread(lower),
                "upper": spread(upper),
                "p_value": spread(p_value),
            }
        ),
        level=level,
    )


def _stretched(found: RateRatio, dispersion: float) -> tuple[Floats, Floats, Floats]:
    """Limits and p-value of a ratio, of counts that vary more than by chance."""
    root = np.sqrt(dispersion)
    none = found.ratio == 0
    with np.errstate(divide="ignore", invalid="ignore"):
        lower = np.where(none, 0.0, found.ratio * (found.lower / found.ratio) ** root)
        upper = np.where(
            none, found.upper * dispersion, found.ratio * (found.upper / found.ratio) ** root
        )
    return lower, upper, 2 * ndtr(ndtri(found.p_value / 2) / root)


def _numbered(values: ArrayLike, name: str) -> Ints:
    array = np.asarray(values)
    if array.dtype.kind not in "ui" or (array.size and array.min() < 0):
        raise InvalidLives(f"{name} does not hold whole numbers from 0: number them.")
    return array.astype(np.int64)
