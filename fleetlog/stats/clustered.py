"""Limits that rest on few assumptions: shares, mean differences and quantiles."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainc, stdtrit

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import codes, numbers
from fleetlog.stats.rates import proportion_interval, tail_chance


@dataclass(frozen=True)
class ClusteredShare:
    """A share of trials that come in clusters. See `clustered_proportion`.

    Attributes
    ----------
    share, lower, upper : the share and its limits at ``level``.
    seen, trials, clusters : how many there were.
    design_effect : variance as a multiple of that of independent trials, at least 1.
    """

    share: float
    lower: float
    upper: float
    seen: int
    trials: int
    clusters: int
    design_effect: float
    level: float


def clustered_proportion(
    seen: ArrayLike, cluster: ArrayLike, *, level: float = 0.95
) -> ClusteredShare:
    """Limits of a share where trials of one cluster may be alike: jobs of one vehicle.

    Parameters
    ----------
    seen : (trials,) booleans. cluster : (trials,) labels.

    Notes
    -----
    Wilson's limits with as many trials as independent ones would say as much: the trials divided
    by the design effect. It is held to 1 or more, so that limits are never shorter than those of
    independent trials. Where all trials agree nothing tells how alike clusters are inside, and
    each counts once. One cluster alone bears no limits: they are 0 and 1.

    Source: Rao and Scott 1992; Wilson 1927.
    """
    hits = np.asarray(seen)
    labels = codes(cluster, "cluster")
    if hits.ndim != 1 or hits.dtype != np.bool_ or hits.shape != labels.shape or not hits.size:
        raise InvalidLives(
            "seen and cluster do not suit each other: give one boolean and one label per trial, "
            "and one trial at least."
        )
    trials, count = hits.size, int(hits.sum())
    sizes = np.bincount(labels)
    sizes = sizes[sizes > 0]
    clusters, share = sizes.size, count / trials
    if clusters == 1:
        return ClusteredShare(share, 0.0, 1.0, count, trials, 1, float(trials), level)
    if count in (0, trials):
        effect = trials / clusters
    else:
        by_cluster = np.bincount(labels, weights=hits - share)
        variance = clusters / (clusters - 1) * float((by_cluster**2).sum()) / trials**2
        effect = max(1.0, variance / (share * (1 - share) / trials))
    lower, upper = proportion_interval(count / effect, trials / effect, level=level)
    return ClusteredShare(share, float(lower), float(upper), count, trials, clusters, effect, level)


@dataclass(frozen=True)
class SampleQuantile:
    """A quantile of a plain sample; a limit is None where the sample is too small for it."""

    value: float
    lower: float | None
    upper: float | None
    size: int
    level: float


def sample_quantile(values: ArrayLike, p: float, *, level: float = 0.95) -> SampleQuantile:
    """Quantile of independent values without censoring, with limits for any distribution.

    Parameters
    ----------
    values : (n,) finite, at least one. p : between 0 and 1.

    Returns
    -------
    The quantile (straight between order statistics) and limits that are order statistics
    themselves: each end misses with a chance of at most (1 - level) / 2.

    Source: Thompson 1936; Hahn and Meeker 1991, section 5.2.
    """
    sample = np.sort(np.asarray(numbers(values, "values"), dtype=np.float64))
    if not sample.size or not 0 < p < 1:
        raise InvalidLives("a quantile needs one value at least and p between 0 and 1.")
    size, tail = sample.size, tail_chance(level)

    def at_most(k: int) -> float:
        """Chance that at most k values lie below the quantile: the next one then lies above it."""
        return float(betainc(size - k, k + 1, 1 - p))

    # The chance rises with k, so halving finds where it passes either tail.
    low = bisect_left(range(size), 1, key=lambda k: at_most(k) > tail)
    high = bisect_left(range(size), 1, key=lambda k: 1 - at_most(k) <= tail)
    return SampleQuantile(
        value=float(np.quantile(sample, p)),
        lower=float(sample[low - 1]) if low > 0 else None,
        upper=float(sample[high]) if high < size else None,
        size=size,
        level=level,
    )


@dataclass(frozen=True)
class MeanDifference:
    """A difference of two means. See `clustered_mean_difference`.

    ``lower`` and ``upper`` are None where fewer than two clusters leave nothing to judge by.
    """

    difference: float
    lower: float | None
    upper: float | None
    mean_with: float
    mean_without: float
    with_it: int
    without_it: int
    clusters: int
    level: float


def clustered_mean_difference(
    values: ArrayLike, having: ArrayLike, cluster: ArrayLike, *, level: float = 0.95
) -> MeanDifference:
    """Difference of the mean of values with something and of those without.

    Parameters
    ----------
    values : (n,) finite. having : (n,) booleans, of both kinds. cluster : (n,) labels.

    Notes
    -----
    The regression on the one indicator, with the variance summed by cluster and Student's t on
    clusters - 1 degrees of freedom. It rests on means, so it wants some tens of clusters where
    values are as skewed as hours of waiting are. Linear in values.

    Source: Liang and Zeger 1986; Cameron and Miller 2015, section II (degrees of freedom).
    """
    sample = np.asarray(numbers(values, "values"), dtype=np.float64)
    has = np.asarray(having)
    labels = codes(cluster, "cluster")
    if has.dtype != np.bool_ or not sample.shape == has.shape == labels.shape:
        raise InvalidLives("give one number, one boolean and one cluster label per value.")
    with_it, without_it = int(has.sum()), int((~has).sum())
    if not with_it or not without_it:
        raise InvalidLives("all values are of one kind: there is nothing to compare.")
    means = float(sample[has].mean()), float(sample[~has].mean())
    weight = np.where(has, 1 / with_it, -1 / without_it)
    part = np.bincount(labels, weights=weight * (sample - np.where(has, *means)))
    clusters = int(np.count_nonzero(np.bincount(labels)))
    difference = means[0] - means[1]
    lower = upper = None
    if clusters > 1 and sample.size > 2:
        small = clusters / (clusters - 1) * (sample.size - 1) / (sample.size - 2)
        error = float(np.sqrt(small * (part**2).sum()))
        reach = float(stdtrit(clusters - 1, 1 - tail_chance(level))) * error
        lower, upper = difference - reach, difference + reach
    return MeanDifference(difference, lower, upper, *means, with_it, without_it, clusters, level)
