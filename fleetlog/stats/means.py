"""Mean life up to an age, and what each cause of failure takes from it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Floats, booleans, normal_quantile
from fleetlog.stats.curves import check_causes
from fleetlog.stats.risk import (
    Lives,
    RiskTable,
    check_lives,
    risk_table,
    risk_table_from_counts,
    spread,
)


@dataclass(frozen=True)
class RestrictedMean:
    """Mean time survived between two ages. See `restricted_mean`.

    Attributes
    ----------
    estimate, std_err, lower, upper : in the unit of the ages.
    start, to_age : the ages between which time is counted.
    level : confidence level of the limits, which are symmetric. variance : how it is formed.
    clusters : number of clusters, or None where lives were taken as independent.
    dropped : lives that were left out, counted by why.
    """

    estimate: float
    std_err: float
    lower: float
    upper: float
    start: float
    to_age: float
    level: float
    variance: str
    clusters: int | None
    dropped: dict[str, int] = field(default_factory=dict)


def restricted_mean(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    *,
    to_age: float,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
    from_age: float | None = None,
) -> RestrictedMean:
    """Mean time survived up to ``to_age``: the area under the product-limit curve.

    Parameters
    ----------
    to_age : the age at which counting stops; no later than the last age observed, unless nobody
        survives that.

    The others are as in `kaplan_meier`; with ``from_age`` the mean is of the time after that age,
    given survival to it. Time and memory grow as for the curve.

    Notes
    -----
    Source: Klein and Moeschberger 2003, section 4.5; with ``cluster``, the infinitesimal jackknife
    grouped by cluster.
    """
    lives = check_lives(
        exit,
        booleans(event, "event"),
        entry=entry,
        weight=weight,
        cluster=cluster,
        from_age=from_age,
    )
    return _mean(risk_table(lives), lives, to_age, level)


def restricted_mean_from_table(
    time: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    events: ArrayLike,
    *,
    to_age: float,
    level: float = 0.95,
) -> RestrictedMean:
    """Mean time survived, from counts; the same answer as `restricted_mean` on the lives."""
    return _mean(risk_table_from_counts(time, entered, left, events), None, to_age, level)


def time_lost_by_cause(
    exit: ArrayLike,  # noqa: A002
    cause: ArrayLike,
    *,
    to_age: float,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
    from_age: float | None = None,
) -> pl.DataFrame:
    """Mean time that each cause of failure takes before ``to_age``.

    The area under the cumulative incidence of a cause. The times lost to all causes and the
    restricted mean add up to the time from the start to ``to_age``.

    Parameters
    ----------
    As in `cumulative_incidence` and `restricted_mean`.

    Returns
    -------
    Polars frame: ``cause``, ``estimate``, ``std_err``, ``lower``, ``upper`` (symmetric limits).

    Notes
    -----
    Source: Andersen 2013 (Statistics in Medicine 32: 5278); the variance is that of the incidence
    curve, multinomial or, with ``cluster``, the infinitesimal jackknife grouped by cluster.
    """
    coded, causes = check_causes(cause)
    lives = check_lives(
        exit,
        coded,
        causes=len(causes),
        entry=entry,
        weight=weight,
        cluster=cluster,
        from_age=from_age,
    )
    table = risk_table(lives)
    _check_age(table, lives.start, to_age)
    z = normal_quantile(level)
    found = []
    for column, label in enumerate(causes):
        estimate, variance = _lost(table, lives, column, to_age)
        std_err = float(np.sqrt(variance))
        found.append((label, estimate, std_err, estimate - z * std_err, estimate + z * std_err))
    schema = {
        "cause": pl.Int64,
        "estimate": pl.Float64,
        "std_err": pl.Float64,
        "lower": pl.Float64,
        "upper": pl.Float64,
    }
    return pl.DataFrame(found, schema=schema, orient="row")


def _mean(table: RiskTable, lives: Lives | None, to_age: float, level: float) -> RestrictedMean:
    start = 0.0 if lives is None else lives.start
    _check_age(table, start, to_age)
    failed, at_risk = table.all_events, table.at_risk
    survivors = at_risk - failed
    beyond = _area_beyond(table, table.survival, to_age)
    estimate = min(float(table.time[0]), to_age) - start + float(beyond[0])
    with np.errstate(divide="ignore"):
        jump = beyond * np.where(survivors > 0, 1.0 / survivors, 0.0)
    if lives is None or lives.cluster is None:
        variance = float(np.sum(jump * beyond * failed / at_risk))
        kind = "Greenwood"
    else:
        size = lives.scale.size
        at_exit = np.where(lives.cause > 0, spread(table, jump, size)[lives.exit], 0.0)
        variance = _grouped(lives, at_exit, spread(table, jump * failed / at_risk, size))
        kind = "infinitesimal jackknife grouped by cluster"
    std_err = float(np.sqrt(variance))
    z = normal_quantile(level)
    return RestrictedMean(
        estimate=estimate,
        std_err=std_err,
        lower=estimate - z * std_err,
        upper=estimate + z * std_err,
        start=start,
        to_age=to_age,
        level=level,
        variance=kind,
        clusters=None if lives is None else lives.clusters,
        dropped={} if lives is None else lives.dropped,
    )


def _lost(table: RiskTable, lives: Lives, column: int, to_age: float) -> tuple[float, float]:
    """Mean time lost to one cause, and its variance.

    A failure moves the share failed by the cause from its age on, by what it adds itself and by
    the later failures that it forestalls.
    """
    at_risk, failed, mine = table.at_risk, table.all_events, table.events[:, column]
    survivors = at_risk - failed
    before = np.concatenate([[1.0], table.survival[:-1]])
    share = np.cumsum(before * mine / at_risk, dtype=np.float64)
    beyond = _area_beyond(table, share, to_age)
    ahead = np.maximum(to_age - table.time, 0.0)
    direct = before * ahead / at_risk
    with np.errstate(divide="ignore"):
        forestalled = (beyond - ahead * share) * np.where(survivors > 0, 1.0 / survivors, 0.0)
    if lives.cluster is None:
        own, other = mine / at_risk, (failed - mine) / at_risk
        by_own, by_other = direct - forestalled, -forestalled
        mean = own * by_own + other * by_other
        terms = at_risk * (own * by_own**2 + other * by_other**2 - mean**2)
        return float(beyond[0]), max(float(terms.sum()), 0.0)
    size = lives.scale.size
    at_exit = np.where(lives.cause == column + 1, spread(table, direct, size)[lives.exit], 0.0)
    at_exit -= np.where(lives.cause > 0, spread(table, forestalled, size)[lives.exit], 0.0)
    gain = (direct * mine - forestalled * failed) / at_risk
    return float(beyond[0]), _grouped(lives, at_exit, spread(table, gain, size))


def _area_beyond(table: RiskTable, values: Floats, to_age: float) -> Floats:
    """Area under a step curve from each of its times to ``to_age``, (t,)."""
    edges = np.minimum(np.append(table.time, to_age), to_age)
    edges[-1] = to_age
    return np.cumsum((values * np.diff(edges))[::-1])[::-1]


def _grouped(lives: Lives, at_exit: Floats, gain: Floats) -> float:
    """Sum over clusters the square of what its lives add: at exit, less the gains while at risk."""
    assert lives.cluster is not None
    running = np.cumsum(gain)
    influence = at_exit - running[lives.exit]
    if lives.entry is not None:
        influence += running[lives.entry]
    if lives.weight is not None:
        influence *= lives.weight
    return float(np.sum(np.bincount(lives.cluster, weights=influence) ** 2))


def _check_age(table: RiskTable, start: float, to_age: float) -> None:
    if not (np.isfinite(to_age) and to_age > start):
        raise ValueError(f"to_age is {to_age}: pass an age above {start:g}")
    emptied = table.at_risk[-1] <= table.all_events[-1]
    if to_age > table.time[-1] and not emptied:
        raise InvalidLives(
            f"to_age is {to_age:g}, but survivors were watched to {table.time[-1]:g} only: pass an "
            "age up to that."
        )
