"""Incidence in many groups at once: the last point of each group's curve, with its limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import (
    Floats,
    Ints,
    codes,
    count,
    normal_quantile,
    nullable,
    same_length,
)
from fleetlog.stats.curves import check_causes, log_log_limits
from fleetlog.stats.risk import check_lives


@dataclass(frozen=True)
class GroupedIncidence:
    """What `incidence_by_group` found.

    Attributes
    ----------
    table : one row per group, in the order of the numbers given: ``lives``, ``events`` (of cause
        1), ``clusters``, ``estimate`` (share failed by cause 1 at the group's last time),
        ``std_err``, ``lower``, ``upper``; null where they are not defined, or where the lives of
        the group are all of one cluster.
    curves : ``group`` (its number), ``time``, ``at_risk``, ``events``, ``competing``,
        ``estimate`` and ``competing_estimate`` (the shares failed by cause 1 and by any other),
        a row for each time at which a life of the group ended.
    """

    table: pl.DataFrame
    curves: pl.DataFrame


def incidence_by_group(
    exit: ArrayLike,  # noqa: A002
    cause: ArrayLike,
    group: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
) -> GroupedIncidence:
    """Share failed by cause 1 in each group, all other causes competing (Aalen-Johansen).

    The answer for each group is that of `cumulative_incidence` on its lives at its last time, to
    rounding, but thousands of groups take one pass: n log n in the lives, however many groups.

    Parameters
    ----------
    exit : (n,) times at the end of each life, > 0, in any unit; lives are watched from 0.
    cause : (n,) whole numbers: 0 where the life did not fail, 1 for the cause asked about, above
        for the causes that compete with it.
    group : (n,) whole numbers from 0; a number without a life has no row.
    cluster : (n,) labels; lives of one cluster (one vehicle) may depend on each other, within a
        group. Without them each life stands for itself.

    Raises
    ------
    InvalidLives : the count, first rows and remedy of what cannot be used.

    Notes
    -----
    Source: Aalen and Johansen 1978; the variance is the infinitesimal jackknife grouped by
    cluster, as in R's ``survfit(..., cluster=)`` (Therneau and Grambsch 2000).
    """
    check_causes(cause)
    given = np.asarray(cause)
    lives = check_lives(
        exit, np.minimum(given, 2), causes=2, entry=None, weight=None, cluster=None, from_age=None
    )
    clustered = None if cluster is None else codes(cluster, "cluster")
    same_length(lives.rows, cluster=clustered)
    numbered = np.asarray(group)
    if (
        numbered.shape != lives.exit.shape
        or numbered.dtype.kind not in "ui"
        or np.any(numbered < 0)
    ):
        raise InvalidLives("group holds no whole number from 0 for each life: number the groups.")
    size = lives.scale.size
    key, place = _cells(numbered.astype(np.int64) * size + lives.exit)
    of_group, at = key // size, key % size
    ended = np.bincount(place)
    mine = np.bincount(place, lives.cause == 1)
    failed = np.bincount(place, lives.cause > 0)
    first = np.flatnonzero(np.diff(of_group, prepend=-1))
    in_group = np.repeat(np.arange(first.size), np.diff(first, append=key.size))
    # Of a group of n lives there are n less those that ended earlier at risk.
    before_end = np.cumsum(ended) - ended
    at_risk = np.add.reduceat(ended, first)[in_group] - (before_end - before_end[first][in_group])
    survivors = at_risk - failed
    survival = _product(survivors / at_risk, first, in_group)
    before = np.where(np.arange(key.size) == first[in_group], 1.0, np.roll(survival, 1))
    share = _sum(before * mine / at_risk, first, in_group)
    other = _sum(before * (failed - mine) / at_risk, first, in_group)
    last = np.append(first[1:], key.size) - 1
    final = share[last]
    # What each life adds to the last point: see `curves._clustered_incidence`, at one time only.
    jump = np.divide(1.0, survivors, out=np.zeros(key.size), where=survivors > 0)
    gain = failed * jump / at_risk
    log_sum = _sum(gain, first, in_group)
    share_sum = _sum(before * mine / at_risk**2 + share * gain, first, in_group)
    risen = (share - final[in_group]) * jump
    influence = (
        np.where(lives.cause == 1, (before / at_risk)[place], 0.0)
        + np.where(lives.cause > 0, risen[place], 0.0)
        + (final[in_group] * log_sum - share_sum)[place]
    )
    variance, clusters = _by_cluster(influence, in_group[place], clustered, first.size)
    std_err = np.where(clusters > 1, np.sqrt(variance), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        lower, upper = log_log_limits(final, std_err / final, normal_quantile(level))
    return GroupedIncidence(
        table=pl.DataFrame(
            {
                "group": of_group[first],
                "lives": np.add.reduceat(ended, first),
                "events": np.add.reduceat(mine, first).astype(np.int64),
                "clusters": clusters,
                "estimate": final,
                "std_err": nullable(std_err),
                "lower": nullable(lower),
                "upper": nullable(upper),
            }
        ),
        curves=pl.DataFrame(
            {
                "group": of_group,
                "time": lives.scale.times[at],
                "at_risk": at_risk,
                "events": mine.astype(np.int64),
                "competing": (failed - mine).astype(np.int64),
                "estimate": share,
                "competing_estimate": other,
            }
        ),
    )


def _sum(values: Floats, first: Ints, in_group: Ints) -> Floats:
    """Add up, beginning anew at each group."""
    total = np.cumsum(values, dtype=np.float64)
    return np.asarray(total - (total - values)[first][in_group])


def _product(ratios: Floats, first: Ints, in_group: Ints) -> Floats:
    """Multiply up, beginning anew at each group; 0 from the first ratio of 0 on."""
    none = ratios <= 0
    logs = np.log(np.where(none, 1.0, ratios))
    gone = _sum(none.astype(np.float64), first, in_group) > 0
    return np.where(gone, 0.0, np.exp(_sum(logs, first, in_group)))


def _by_cluster(
    influence: Floats, group: Ints, cluster: Ints | None, groups: int
) -> tuple[Floats, Ints]:
    """Sum of the squared influences of each group's clusters, and how many clusters it has."""
    if cluster is None:
        return count(group, groups, influence**2), np.bincount(group, minlength=groups)
    span = int(cluster.max()) + 1
    key, place = _cells(group.astype(np.int64) * span + cluster)
    of_group = key // span
    together = count(place, key.size, influence)
    return (
        count(of_group, groups, together**2),
        np.bincount(of_group, minlength=groups),
    )


def _cells(key: Ints) -> tuple[Ints, Ints]:
    """Distinct keys in ascending order, and which of them each row has.

    Keys of moderate span are counted, the others sorted.
    """
    if int(key.max()) > 4 * key.size + 1024:
        found, place = np.unique(key, return_inverse=True)
        return found, place
    used = np.bincount(key) > 0
    return np.flatnonzero(used), (np.cumsum(used) - 1)[key]
