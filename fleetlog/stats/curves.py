"""Curves that assume no shape: survival, cumulative hazard, and incidence of competing causes.

All of them count lives into a risk table (who was at risk, who failed) and estimate from that, so
a table counted elsewhere gives the same answer: see the functions that end in ``_from_table``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypedDict

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import Floats, Ints, booleans, normal_quantile
from fleetlog.stats.risk import (
    Lives,
    RiskTable,
    check_lives,
    clustered_variance,
    life_jumps,
    risk_table,
    risk_table_from_counts,
    spread,
    table_frame,
)

# Below this many at risk, one early failure costs the whole later curve more than 5 %.
ENOUGH_AT_RISK = 20.0
NEARLY_NOTHING = 1e-12


@dataclass(frozen=True)
class ThinStart:
    """Failures at ages where late entry leaves too few at risk to bear the rest of the curve.

    Attributes
    ----------
    failures : weight of the failures before ``from_age``.
    at_risk : the fewest at risk at any of those failures.
    from_age : the first age from which enough were at risk; pass it as ``from_age`` to have the
        curve start there, given survival to that age.
    enough : how many at risk count as enough.
    """

    failures: float
    at_risk: float
    from_age: float
    enough: float


@dataclass(frozen=True)
class _Curve:
    """What every curve keeps.

    Attributes
    ----------
    table : Polars frame, one row per distinct time at which a life ended: ``time``, ``at_risk``
        (entry < time <= exit), ``events``, ``censored``, ``estimate``, ``std_err``, ``lower``,
        ``upper``; null where the limits are not defined.
    level : confidence level of the limits, which hold at each time by itself.
    interval : how the limits are formed.
    variance : how the variance is formed.
    start : the age from which the curve speaks.
    lives, events : weight of the lives and of the failures that went in.
    clusters : number of clusters, or None where lives were taken as independent.
    thin_start : set where late entry leaves the early risk set too thin.
    dropped : lives that were left out, counted by why.
    """

    table: pl.DataFrame
    level: float
    interval: str
    variance: str
    start: float
    lives: float
    events: float
    clusters: int | None
    thin_start: ThinStart | None
    dropped: dict[str, int] = field(default_factory=dict)

    def _step(self, times: ArrayLike, before: float) -> Floats:
        asked = np.asarray(times, dtype=np.float64)
        time = self.table["time"].to_numpy()
        steps = np.concatenate([[before], self.table["estimate"].to_numpy()])
        values = steps[np.searchsorted(time, asked, side="right")]
        known = (asked >= self.start) & (asked <= time[-1])
        return np.where(known, values, np.nan)


@dataclass(frozen=True)
class SurvivalCurve(_Curve):
    """Share surviving each age, as a step that falls at failures. See `kaplan_meier`."""

    def at(self, times: ArrayLike) -> Floats:
        """Estimate at each of ``times``; NaN before ``start`` and past the last time observed."""
        return self._step(times, 1.0)

    def quantile(self, p: float) -> float | None:
        """Age by which a fraction ``p`` has failed; None where the curve does not reach it."""
        return _first_at_or_below(self.table, "estimate", p)

    def quantile_interval(self, p: float) -> tuple[float | None, float | None]:
        """Limits of that age: where the limits of the curve reach 1 - p.

        Source: Brookmeyer and Crowley 1982, with the limits of this curve.
        """
        return _first_at_or_below(self.table, "lower", p), _first_at_or_below(
            self.table, "upper", p
        )

    @property
    def median(self) -> float | None:
        """Age by which half have failed; None where the curve does not reach it."""
        return self.quantile(0.5)


@dataclass(frozen=True)
class HazardCurve(_Curve):
    """Cumulative hazard at each age, as a step that rises at failures. See `nelson_aalen`."""

    def at(self, times: ArrayLike) -> Floats:
        """Estimate at each of ``times``; NaN before ``start`` and past the last time observed."""
        return self._step(times, 0.0)


@dataclass(frozen=True)
class IncidenceCurves:
    """Share failed by each cause, the other causes competing. See `cumulative_incidence`.

    Attributes
    ----------
    table : as for the other curves, with the column ``cause``; ordered by cause and time.
        ``events`` are the failures by that cause, ``censored`` the lives that ended unfailed.
    causes : the causes in it, ascending.
    """

    table: pl.DataFrame
    causes: tuple[int, ...]
    level: float
    interval: str
    variance: str
    start: float
    lives: float
    events: float
    clusters: int | None
    thin_start: ThinStart | None
    dropped: dict[str, int] = field(default_factory=dict)

    def at(self, times: ArrayLike, cause: int) -> Floats:
        """Share failed by ``cause`` at each time; NaN before ``start`` and past the last time."""
        if cause not in self.causes:
            raise ValueError(f"cause {cause} is not among {self.causes}: pass one of those")
        asked = np.asarray(times, dtype=np.float64)
        one = self.table.filter(pl.col("cause") == cause)
        time = one["time"].to_numpy()
        steps = np.concatenate([[0.0], one["estimate"].to_numpy()])
        values = steps[np.searchsorted(time, asked, side="right")]
        return np.where((asked >= self.start) & (asked <= time[-1]), values, np.nan)


def kaplan_meier(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
    from_age: float | None = None,
) -> SurvivalCurve:
    """Product-limit estimate of the share surviving each age.

    A life is at risk on (entry, exit]: who enters at t is not at risk at t. Failures come before
    censorings at the same time. Time and memory grow linearly with the lives for whole times of
    moderate span, as n log n otherwise and with ``cluster``.

    Parameters
    ----------
    exit : (n,) ages at the end of each life, > entry and > 0, in any unit.
    event : (n,) bool, True where the life ended by failure.
    entry : (n,) ages from which each life was watched; 0 where not given.
    weight : (n,) > 0, how many alike lives a row stands for.
    cluster : (n,) labels; lives of one cluster (one vehicle) may depend on each other. The
        variance is then the infinitesimal jackknife grouped by cluster.
    level : confidence level of the limits.
    from_age : estimate survival given survival to this age; lives that ended by then are left
        out and counted in ``dropped``.

    Returns
    -------
    SurvivalCurve. Limits are formed on log(-log S); they are null where S is 1 or 0.

    Raises
    ------
    InvalidLives : the count, first rows and remedy of what cannot be used.

    Notes
    -----
    Source: Kaplan and Meier 1958; Greenwood 1926; Borgan and Liestoel 1990 (limits); Klein and
    Moeschberger 2003, section 4.6 (late entry); Therneau and Grambsch 2000 (clusters).
    """
    lives = check_lives(
        exit,
        booleans(event, "event"),
        entry=entry,
        weight=weight,
        cluster=cluster,
        from_age=from_age,
    )
    return _survival(risk_table(lives), lives, level)


def kaplan_meier_from_table(
    time: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    events: ArrayLike,
    *,
    level: float = 0.95,
) -> SurvivalCurve:
    """Product-limit estimate from counts; the same answer as `kaplan_meier` on the lives.

    Parameters
    ----------
    time : (r,) ages; rows may repeat an age and come in any order.
    entered : (r,) lives that came under watch at that age (age 0 too).
    left : (r,) lives that ended at that age, failed or not.
    events : (r,) those of them that failed.
    """
    return _survival(risk_table_from_counts(time, entered, left, events), None, level)


def nelson_aalen(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
    from_age: float | None = None,
) -> HazardCurve:
    """Estimate of the cumulative hazard at each age.

    Parameters as in `kaplan_meier`. The variance is the sum of events / at_risk**2, or the
    infinitesimal jackknife grouped by ``cluster``; limits are formed on the log of the hazard and
    are null while it is 0.

    Notes
    -----
    Source: Nelson 1972; Aalen 1978; Klein and Moeschberger 2003, section 4.2.
    """
    lives = check_lives(
        exit,
        booleans(event, "event"),
        entry=entry,
        weight=weight,
        cluster=cluster,
        from_age=from_age,
    )
    return _hazard(risk_table(lives), lives, level)


def nelson_aalen_from_table(
    time: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    events: ArrayLike,
    *,
    level: float = 0.95,
) -> HazardCurve:
    """Cumulative hazard from counts; parameters as in `kaplan_meier_from_table`."""
    return _hazard(risk_table_from_counts(time, entered, left, events), None, level)


def cumulative_incidence(
    exit: ArrayLike,  # noqa: A002
    cause: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    level: float = 0.95,
    from_age: float | None = None,
) -> IncidenceCurves:
    """Share failed by each cause at each age, the other causes competing (Aalen-Johansen).

    Parameters
    ----------
    cause : (n,) whole numbers, 0 where the life did not fail, else the cause of failure.

    The others are as in `kaplan_meier`. At every age the shares of all causes and the survival
    add up to 1. With one cause the variance is Greenwood's. Limits are formed on log(-log F).

    Notes
    -----
    Source: Aalen and Johansen 1978; Putter, Fiocco and Geskus 2007. Variance: Andersen, Borgan,
    Gill and Keiding 1993, section IV.4 (multinomial increments).
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
    return _incidence(risk_table(lives), causes, lives, level)


def check_causes(cause: ArrayLike) -> tuple[Ints, tuple[int, ...]]:
    """Give the causes of failure numbers from 1, in ascending order; 0 stays no failure."""
    given = np.asarray(cause)
    if given.ndim != 1 or given.dtype.kind not in "ui":
        raise InvalidLives(
            f"cause holds {given.dtype} values: pass whole numbers, 0 where a life did not fail."
        )
    if given.size and given.min() < 0:
        raise InvalidLives("cause has negative values: pass 0 where a life did not fail.")
    present = np.unique(given[given > 0])
    causes = tuple(int(value) for value in present)
    return np.where(given > 0, np.searchsorted(present, given) + 1, 0), causes


def cumulative_incidence_from_table(
    time: ArrayLike,
    entered: ArrayLike,
    left: ArrayLike,
    events: ArrayLike,
    *,
    level: float = 0.95,
) -> IncidenceCurves:
    """Cumulative incidence from counts.

    ``events`` is (r, causes): the failures by cause 1, 2, ...; the others are as in
    `kaplan_meier_from_table`.
    """
    table = risk_table_from_counts(time, entered, left, events)
    causes = tuple(range(1, table.events.shape[1] + 1))
    return _incidence(table, causes, None, level)


def _survival(table: RiskTable, lives: Lives | None, level: float) -> SurvivalCurve:
    failed = table.all_events
    survivors = table.at_risk - failed
    estimate = table.survival
    with np.errstate(divide="ignore", invalid="ignore"):
        # At the age where everybody left fails, the survival is 0 and has no variance.
        hazard_gain = np.where(survivors > 0, failed / (table.at_risk * survivors), 0.0)
        if lives is None or lives.cluster is None:
            relative = np.sqrt(np.cumsum(hazard_gain))
            variance = "Greenwood"
        else:
            gain = np.where(survivors > 0, 1.0 / survivors, 0.0)
            relative = np.sqrt(_clustered(table, lives, hazard_gain, gain))
            variance = "infinitesimal jackknife grouped by cluster"
    std_err = np.where(estimate > 0, estimate * relative, np.nan)
    lower, upper = log_log_limits(estimate, relative, normal_quantile(level))
    return SurvivalCurve(
        table=table_frame(table, estimate, std_err, lower, upper),
        interval="log(-log)",
        variance=variance,
        **_kept(table, lives, level),
    )


def _hazard(table: RiskTable, lives: Lives | None, level: float) -> HazardCurve:
    failed = table.all_events
    estimate = np.cumsum(failed / table.at_risk)
    gain = failed / table.at_risk**2
    if lives is None or lives.cluster is None:
        std_err = np.sqrt(np.cumsum(gain))
        variance = "Aalen"
    else:
        std_err = np.sqrt(_clustered(table, lives, gain, 1.0 / table.at_risk))
        variance = "infinitesimal jackknife grouped by cluster"
    lower, upper = log_limits(estimate, std_err, normal_quantile(level))
    return HazardCurve(
        table=table_frame(table, estimate, std_err, lower, upper),
        interval="log",
        variance=variance,
        **_kept(table, lives, level),
    )


def _incidence(
    table: RiskTable, causes: tuple[int, ...], lives: Lives | None, level: float
) -> IncidenceCurves:
    at_risk, failed, survival = table.at_risk, table.all_events, table.survival
    before = np.concatenate([[1.0], survival[:-1]])
    frames = []
    for column, cause in enumerate(causes):
        mine = table.events[:, column]
        estimate = np.cumsum(before * mine / at_risk, dtype=np.float64)
        if lives is None or lives.cluster is None:
            variance = _incidence_variance(at_risk, failed, mine, before, estimate)
        else:
            variance = _clustered_incidence(table, lives, column, before, estimate)
        std_err = np.sqrt(variance)
        with np.errstate(divide="ignore", invalid="ignore"):
            relative = std_err / estimate
        lower, upper = log_log_limits(estimate, relative, normal_quantile(level))
        frames.append(
            table_frame(table, estimate, std_err, lower, upper).with_columns(
                pl.lit(cause, dtype=pl.Int64).alias("cause"), pl.Series("events", mine)
            )
        )
    empty = table_frame(table, survival, survival, survival, survival).with_columns(
        pl.lit(0, dtype=pl.Int64).alias("cause")
    )
    columns = ["cause", *(name for name in empty.columns if name != "cause")]
    return IncidenceCurves(
        table=pl.concat(frames).select(columns) if frames else empty.clear().select(columns),
        causes=causes,
        interval="log(-log)",
        variance="multinomial increments"
        if lives is None or lives.cluster is None
        else "infinitesimal jackknife grouped by cluster",
        **_kept(table, lives, level),
    )


def _incidence_variance(
    at_risk: Floats, failed: Floats, mine: Floats, before: Floats, share: Floats
) -> Floats:
    """Sum over earlier times of what their multinomial counts add to the variance of a share."""
    own, any_cause = mine / at_risk, failed / at_risk
    with np.errstate(divide="ignore", invalid="ignore"):
        odds = np.where(any_cause < 1, any_cause / (1 - any_cause), 0.0) / at_risk
    crossed = before * own / at_risk
    variance = (
        np.cumsum(before**2 * own * (1 - own) / at_risk)
        - 2 * (share * np.cumsum(crossed) - np.cumsum(crossed * share))
        + share**2 * np.cumsum(odds)
        - 2 * share * np.cumsum(odds * share)
        + np.cumsum(odds * share**2)
    )
    return np.maximum(variance, 0.0)


def _clustered(table: RiskTable, lives: Lives, gain: Floats, jump: Floats) -> Floats:
    """Variance of the sum of the increments of a hazard whose lives come in clusters."""
    assert lives.cluster is not None
    size = lives.scale.size
    integral = np.cumsum(spread(table, gain, size))
    at_exit = np.where(lives.cause > 0, spread(table, jump, size)[lives.exit], 0.0)
    cluster, place, constant, risk = life_jumps(lives, at_exit, integral)
    variance = clustered_variance(cluster, place, [constant, risk], [np.ones(size), -integral])
    return variance[table.place]


def _clustered_incidence(
    table: RiskTable, lives: Lives, column: int, before: Floats, share: Floats
) -> Floats:
    """Infinitesimal jackknife of a cumulative incidence, grouped by cluster.

    A life's influence at t is ``G(t) - F(t) L(t)``: L is its influence on the log survival, and
    G gathers what it adds to the share F directly and through earlier survival.
    """
    assert lives.cluster is not None
    size = lives.scale.size
    at_risk, failed = table.at_risk, table.all_events
    survivors = at_risk - failed
    with np.errstate(divide="ignore"):
        jump = np.where(survivors > 0, 1.0 / survivors, 0.0)
    gain = failed * jump / at_risk
    direct_gain = before * table.events[:, column] / at_risk**2
    log_integral = np.cumsum(spread(table, gain, size))
    share_integral = np.cumsum(spread(table, direct_gain + share * gain, size))
    carried = _carry(table, share, size)
    failed_here = np.where(lives.cause > 0, spread(table, jump, size)[lives.exit], 0.0)
    mine = np.where(
        lives.cause == column + 1, spread(table, before / at_risk, size)[lives.exit], 0.0
    )
    # Where all at risk fail at once, only one of the two integrals rises.
    late = (
        None
        if lives.entry is None
        else (log_integral[lives.entry] > 0) | (share_integral[lives.entry] > 0)
    )
    _, _, log_constant, _ = life_jumps(lives, failed_here, log_integral, late)
    cluster, place, share_constant, risk = life_jumps(
        lives, mine + carried[lives.exit] * failed_here, share_integral, late
    )
    variance = clustered_variance(
        cluster,
        place,
        [share_constant, log_constant, risk],
        [np.ones(size), -carried, carried * log_integral - share_integral],
    )
    return variance[table.place]


def _carry(table: RiskTable, values: Floats, size: int) -> Floats:
    """Step values of a risk table carried forward over the whole scale, 0 before the first."""
    gains = np.diff(values, prepend=0.0)
    return np.cumsum(spread(table, gains, size))


def log_log_limits(estimate: Floats, relative: Floats, multiplier: float) -> tuple[Floats, Floats]:
    """Limits of a share, formed on log(-log); NaN where it is 0 or 1."""
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(estimate)
        # A sum of shares may miss 1 by rounding.
        logs[(logs > -NEARLY_NOTHING) | np.isneginf(logs)] = np.nan
        factor = np.exp(multiplier * relative / logs)
        return np.exp(logs / factor), np.exp(logs * factor)


def log_limits(estimate: Floats, std_err: Floats, multiplier: float) -> tuple[Floats, Floats]:
    """Limits of a positive quantity, formed on its log; NaN where it is 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.exp(multiplier * std_err / estimate)
        positive = estimate > 0
        return np.where(positive, estimate / factor, np.nan), np.where(
            positive, estimate * factor, np.nan
        )


class _Kept(TypedDict):
    level: float
    start: float
    lives: float
    events: float
    clusters: int | None
    thin_start: ThinStart | None
    dropped: dict[str, int]


def _kept(table: RiskTable, lives: Lives | None, level: float) -> _Kept:
    start = 0.0 if lives is None else lives.start
    return {
        "level": level,
        "start": start,
        "lives": float(table.all_events.sum() + table.censored.sum()),
        "events": float(table.all_events.sum()),
        "clusters": None if lives is None else lives.clusters,
        "thin_start": _thin_start(table),
        "dropped": {} if lives is None else lives.dropped,
    }


def _thin_start(table: RiskTable) -> ThinStart | None:
    """Look for failures before the risk set, still filling up by late entry, is large enough."""
    peak = int(np.argmax(table.at_risk))
    enough = np.flatnonzero(table.at_risk >= ENOUGH_AT_RISK)
    first = min(int(enough[0]), peak) if enough.size else peak
    failed = table.all_events[:first]
    early = np.flatnonzero(failed)
    if not early.size:
        return None
    return ThinStart(
        failures=float(failed.sum()),
        at_risk=float(table.at_risk[early].min()),
        from_age=float(table.time[first - 1]),
        enough=ENOUGH_AT_RISK,
    )


def _first_at_or_below(table: pl.DataFrame, column: str, p: float) -> float | None:
    if not 0 < p < 1:
        raise ValueError(f"p is {p}: pass the fraction failed, between 0 and 1")
    values = table[column].to_numpy()
    with np.errstate(invalid="ignore"):
        # Products of ratios may miss a round share by rounding: 0.9 * 8/9 against 0.8.
        reached = np.flatnonzero(values <= (1 - p) * (1 + 1e-12))
    return float(table["time"][int(reached[0])]) if reached.size else None
