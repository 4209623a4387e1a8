"""Odds ratios over matched sets: whether something is seen more often before an event."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, chdtrc

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Floats, codes, normal_quantile, refuse


@dataclass(frozen=True)
class MatchedOdds:
    """A common odds ratio over strata, with limits and tests. See `mantel_haenszel`.

    Attributes
    ----------
    odds_ratio : (...,) NaN where no stratum tells anything, infinite where nothing speaks against.
    lower, upper : limits at ``level``; 0 and infinity where the data do not bound it.
    log_variance : variance of the logarithm of the odds ratio; NaN where it has no limits.
    observed : exposed cases. expected : the same where exposure and case have nothing to do with
        each other, given the margins of every stratum.
    cases : all cases. informative : strata in which exposure differs.
    p_value : two-sided, by the score statistic without a continuity correction.
    p_excess : one-sided, the chance of so many exposed cases or more: an upper bound, so that it is
        never too small, however rare the exposure is.
    level : as given.
    """

    odds_ratio: Floats
    lower: Floats
    upper: Floats
    log_variance: Floats
    observed: Floats
    expected: Floats
    cases: Floats
    informative: NDArray[np.int64]
    p_value: Floats
    p_excess: Floats
    level: float


def mantel_haenszel(
    exposed_cases: ArrayLike,
    unexposed_cases: ArrayLike,
    exposed_controls: ArrayLike,
    unexposed_controls: ArrayLike,
    *,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
) -> MatchedOdds:
    """Estimate the odds ratio that all strata have in common.

    Parameters
    ----------
    exposed_cases, unexposed_cases, exposed_controls, unexposed_controls : (..., strata) counts
        >= 0 that broadcast; a stratum may be one case with all that were at risk with it.
    cluster : (strata,) labels of strata that may be alike, such as those of one vehicle's cases.
        The limits then rest on the larger of two variances: that of independent strata, and that
        of the estimating equation summed by cluster. None takes the strata as independent.
    level : confidence level of the limits.

    Raises
    ------
    InvalidLives : counts that are negative or not numbers.

    Notes
    -----
    The limits are good for few large strata and for many small ones. ``p_excess`` rests on the
    sum of the strata being one of independent trials, whose upper tail a binomial of the same
    size and mean bounds from one above the mean on; nearer to it, Markov's inequality does. Cost:
    linear in the counts.

    Sources: Mantel and Haenszel 1959; Robins, Breslow and Greenland 1986 (variance); Liang 1985
    (clusters, by the estimating equation); Vatutin and Mikhailov 1982 and Hoeffding 1956 (tail).
    """
    a, c, b, d = np.broadcast_arrays(
        *(
            np.atleast_1d(_counts(values, name))
            for values, name in (
                (exposed_cases, "exposed_cases"),
                (unexposed_cases, "unexposed_cases"),
                (exposed_controls, "exposed_controls"),
                (unexposed_controls, "unexposed_controls"),
            )
        )
    )
    total = a + b + c + d
    size = np.maximum(total, 1.0)  # an empty stratum adds nothing
    R, S = a * d / size, b * c / size
    P, Q = (a + d) / size, (b + c) / size
    sum_r, sum_s = R.sum(axis=-1), S.sum(axis=-1)
    bounded = (sum_r > 0) & (sum_s > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where((sum_r == 0) & (sum_s == 0), np.nan, sum_r / sum_s)
        variance = (
            (P * R).sum(axis=-1) / (2 * sum_r**2)
            + (P * S + Q * R).sum(axis=-1) / (2 * sum_r * sum_s)
            + (Q * S).sum(axis=-1) / (2 * sum_s**2)
        )
        if cluster is not None:
            variance = np.fmax(variance, _clustered(R, S, ratio, sum_r, cluster))
        variance = np.where(bounded, variance, np.nan)
        reach = np.exp(normal_quantile(level) * np.sqrt(variance))
        lower = np.where(bounded, ratio / reach, 0.0)
        upper = np.where(bounded, ratio * reach, np.inf)
    cases, exposed = a + c, a + b
    expected = (cases * exposed / size).sum(axis=-1)
    spread = np.where(
        total > 1,
        cases * (b + d) * exposed * (c + d) / (size**2 * np.maximum(total - 1, 1.0)),
        0.0,
    ).sum(axis=-1)
    observed = a.sum(axis=-1)
    score = np.where(spread > 0, (observed - expected) ** 2 / np.where(spread > 0, spread, 1), 0.0)
    return MatchedOdds(
        odds_ratio=ratio[()],
        lower=lower[()],
        upper=upper[()],
        log_variance=variance[()],
        observed=observed[()],
        expected=expected[()],
        cases=cases.sum(axis=-1)[()],
        informative=((R + S) > 0).sum(axis=-1)[()],
        p_value=chdtrc(1, score)[()],
        p_excess=_as_many(observed, expected, cases.sum(axis=-1))[()],
        level=level,
    )


def _clustered(R: Floats, S: Floats, ratio: Floats, sum_r: Floats, cluster: ArrayLike) -> Floats:
    """Variance of the log odds ratio from the estimating equation, summed by cluster."""
    labels = codes(cluster, "cluster")
    if labels.shape != R.shape[-1:]:
        raise InvalidLives(
            f"cluster has {labels.size} labels for {R.shape[-1]} strata: give one per stratum."
        )
    order = np.argsort(labels, kind="stable")
    starts = np.flatnonzero(np.append(True, np.diff(labels[order]) != 0))
    part = (R - np.nan_to_num(ratio, posinf=0.0)[..., None] * S)[..., order]
    sums = np.add.reduceat(part, starts, axis=-1)
    return np.asarray((sums**2).sum(axis=-1) / sum_r**2)


def _as_many(observed: Floats, expected: Floats, cases: Floats) -> Floats:
    """Upper bound of the chance of so many exposed cases, where exposure does not matter."""
    share = np.clip(expected / np.maximum(cases, 1.0), 0.0, 1.0)
    near = observed - 1 < expected
    k = np.where(near, 1.0, observed)
    tail = betainc(k, np.maximum(cases - k, 0.0) + 1, share)
    markov = np.minimum(1.0, expected / np.maximum(observed, 1.0))
    return np.where(near, np.where(observed > 0, markov, 1.0), tail)


def _counts(values: ArrayLike, name: str) -> Floats:
    counts = np.asarray(values, dtype=np.float64)
    refuse(
        np.atleast_1d(~(np.isfinite(counts) & (counts >= 0))).ravel(),
        f"{name} holds values that are no counts",
        "counts are finite and not below 0",
    )
    return counts
