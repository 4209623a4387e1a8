"""How much more often lives fail after something has happened to them than before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from fleetlog.errors import InvalidLives, NoInteriorMaximum
from fleetlog.stats._arrays import (
    Bools,
    Floats,
    Ints,
    TimeScale,
    booleans,
    codes,
    count,
    distinct,
    normal_quantile,
    same_length,
    time_scale,
)
from fleetlog.stats.risk import check_times, refuse_one_cluster

MOST_STEPS = 60
CONVERGED = 1e-10


@dataclass(frozen=True)
class SplitLives:
    """Lives cut in two at an age of their own. See `split_lives`.

    Attributes
    ----------
    row : (m,) row of the life that a piece belongs to, ascending.
    entry, exit : (m,) ages between which the piece was watched. event : (m,) bool.
    after : (m,) bool, whether the piece lies after the age of the cut.
    """

    row: Ints
    entry: Floats
    exit: Floats
    event: Bools
    after: Bools


def split_lives(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    at: ArrayLike,
    *,
    entry: ArrayLike | None = None,
) -> SplitLives:
    """Cut each life at an age: what it was before, and what after.

    A life is at risk on (entry, exit], so one that fails at the very age of the cut failed before
    it. Splitting adds and loses no risk: every estimate that knows nothing of the cut stays.

    Parameters
    ----------
    exit, event, entry : as for `kaplan_meier`.
    at : (n,) ages of the cuts, of any sign; NaN where a life has none.

    Returns
    -------
    SplitLives; a cut outside of (entry, exit) leaves one piece.
    """
    exits, entries, _ = check_times(exit, entry, None)
    failed = booleans(event, "event")
    cut = np.asarray(at, dtype=np.float64)
    same_length(exits.size, event=failed, at=cut)
    end = exits.astype(np.float64)
    start = np.zeros(end.size) if entries is None else entries.astype(np.float64)
    never = np.isnan(cut)
    before, after = never | (cut > start), ~never & (cut < end)
    both = before & after
    row = np.arange(end.size)
    pieces = np.concatenate([row[before], row[after]])
    order = np.argsort(pieces, kind="stable")
    return SplitLives(
        row=pieces[order],
        entry=np.concatenate([start[before], np.where(both, cut, start)[after]])[order],
        exit=np.concatenate([np.where(both, cut, end)[before], end[after]])[order],
        event=np.concatenate([(failed & ~both)[before], failed[after]])[order],
        after=np.repeat([False, True], [before.sum(), after.sum()])[order],
    )


@dataclass(frozen=True)
class HazardRatio:
    """Hazard of the exposed over that of the others at the same age. See `hazard_ratio`.

    Attributes
    ----------
    ratio, lower, upper : the ratio and its limits at ``level``.
    log_std_err : standard error of its logarithm; grouped by cluster where clusters were given.
    p_value : two-sided, of a ratio of 1 (Wald).
    events, other_events : weight of the failures among the exposed and among the others.
    exposure, other_exposure : time at risk of either.
    clusters : number of clusters, or None. level : as given.
    """

    ratio: float
    lower: float
    upper: float
    log_std_err: float
    p_value: float
    events: float
    other_events: float
    exposure: float
    other_exposure: float
    clusters: int | None
    level: float


def hazard_ratio(
    exit: ArrayLike,  # noqa: A002
    event: ArrayLike,
    exposed: ArrayLike,
    *,
    entry: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    stratum: ArrayLike | None = None,
    common: ArrayLike = (),
    cluster: ArrayLike | None = None,
    level: float = 0.95,
) -> HazardRatio:
    """Estimate one ratio of hazards between exposed and other lives, age by age.

    Cox's partial likelihood with one covariate, which is 0 or 1 and may change within a life that
    was split where it changed (`split_lives`). Ties by Breslow.

    Parameters
    ----------
    exit, event, entry, weight : as for `kaplan_meier`.
    exposed : (n,) bool.
    stratum : (n,) whole numbers; lives are compared only within their own. -1 marks a life that
        stands in each of the strata ``common``: so many alike lives, one in each.
    common : strata in which lives of stratum -1 stand.
    cluster : (n,) labels; the error is then robust to dependence within clusters.

    Returns
    -------
    HazardRatio

    Raises
    ------
    InvalidLives : what cannot be used.
    NoInteriorMaximum : the failures set no ratio, such as none among the exposed.

    Notes
    -----
    Linear in lives and in failure ages (n log n where ages are not whole numbers).

    Source: Cox 1972, 1975; Breslow 1974; Lin and Wei 1989 (clusters).
    """
    exits, entries, weighted = check_times(exit, entry, weight)
    failed, marked = booleans(event, "event"), booleans(exposed, "exposed")
    rows = exits.size
    of = np.zeros(rows, dtype=np.intp) if stratum is None else np.asarray(stratum, dtype=np.intp)
    clustered = None if cluster is None else codes(cluster, "cluster")
    same_length(rows, event=failed, exposed=marked, stratum=of, cluster=clustered)
    if clustered is not None:
        refuse_one_cluster(clustered)
    shared = np.unique(np.asarray(common, dtype=np.intp))
    if np.any(of < 0) and (shared.size == 0 or shared[0] < 0):
        raise InvalidLives("Lives of stratum -1 stand in the strata of common: name those.")
    started = np.zeros(rows, dtype=np.int64) if entries is None else entries
    scale, (ended, begun) = time_scale(exits, started)
    lives = _Lives(
        scale, ended, begun, failed, marked, np.ones(rows) if weighted is None else weighted,
        of, shared,
    )  # fmt: skip
    grid = _count(lives)
    log_ratio = _maximise(grid)
    share, information = _share(grid, log_ratio)
    if clustered is None:
        variance = 1 / information
    else:
        scores = _scores(lives, grid, log_ratio, share)
        variance = float((np.bincount(clustered, weights=scores) ** 2).sum()) / information**2
    error = float(np.sqrt(variance))
    half = normal_quantile(level) * error
    exposure = lives.time_at_risk()
    return HazardRatio(
        ratio=float(np.exp(log_ratio)),
        lower=float(np.exp(log_ratio - half)),
        upper=float(np.exp(log_ratio + half)),
        log_std_err=error,
        p_value=2 * float(ndtr(-abs(log_ratio) / error)) if error > 0 else np.nan,
        events=float(grid.exposed_events.sum()),
        other_events=float((grid.events - grid.exposed_events).sum()),
        exposure=exposure[1],
        other_exposure=exposure[0],
        clusters=None if clustered is None else distinct(clustered),
        level=level,
    )


@dataclass(frozen=True)
class _Lives:
    """Checked lives by place on one scale; ``stratum`` -1 stands in each of ``shared``."""

    scale: TimeScale
    exit: Ints
    entry: Ints
    event: Bools
    exposed: Bools
    weight: Floats
    stratum: Ints
    shared: Ints

    def time_at_risk(self) -> tuple[float, float]:
        """Weighted time at risk of the others and of the exposed."""
        copies = np.where(self.stratum < 0, self.shared.size, 1)
        lived = self.scale.times[self.exit] - self.scale.times[self.entry]
        sums = np.bincount(self.exposed, weights=lived * self.weight * copies, minlength=2)
        return float(sums[0]), float(sums[1])


@dataclass(frozen=True)
class _Grid:
    """Failure ages of each stratum in turn, with what was at risk and failed there.

    ``key`` is stratum * size + place, ascending; ``low`` and ``high`` bound, for each life with a
    stratum of its own, the ages at which it was at risk.
    """

    key: NDArray[np.int64]
    size: int
    exposed_at_risk: Floats
    others_at_risk: Floats
    exposed_events: Floats
    events: Floats
    own: Ints
    low: Ints
    high: Ints


def _count(lives: _Lives) -> _Grid:
    size = lives.scale.size
    # A failure in all of the common strata at once is one in each.
    split = np.flatnonzero(lives.event & (lives.stratum < 0))
    died = np.flatnonzero(lives.event & (lives.stratum >= 0))
    stratum = np.concatenate([lives.stratum[died], np.tile(lives.shared, split.size)])
    who = np.concatenate([died, np.repeat(split, lives.shared.size)])
    key, place = np.unique(stratum.astype(np.int64) * size + lives.exit[who], return_inverse=True)
    if key.size == 0:
        raise NoInteriorMaximum("No life failed, so the hazards have no ratio.")
    weight = lives.weight[who]
    events = count(place, key.size, weight)
    exposed_events = count(place, key.size, weight * lives.exposed[who])
    own = np.flatnonzero(lives.stratum >= 0)
    base = lives.stratum[own].astype(np.int64) * size
    low = np.searchsorted(key, base + lives.entry[own], side="right")
    high = np.searchsorted(key, base + lives.exit[own], side="right")
    at_risk = []
    of_all = np.isin(key // size, lives.shared)
    for marked in (True, False):
        chosen = lives.exposed[own] == marked
        steps = count(low[chosen], key.size + 1, lives.weight[own][chosen])
        steps -= count(high[chosen], key.size + 1, lives.weight[own][chosen])
        at_risk.append(np.cumsum(steps)[:-1] + of_all * _of_shared(lives, marked)[key % size])
    return _Grid(key, size, at_risk[0], at_risk[1], exposed_events, events, own, low, high)


def _of_shared(lives: _Lives, marked: bool) -> Floats:
    """Weight at risk of lives that stand in all common strata, at each place of the scale."""
    chosen = (lives.stratum < 0) & (lives.exposed == marked)
    weight, size = lives.weight[chosen], lives.scale.size
    # At risk from the place after entry up to that of the exit itself.
    return np.cumsum(
        count(lives.entry[chosen] + 1, size + 1, weight)
        - count(lives.exit[chosen] + 1, size + 1, weight)
    )[:-1]


def _maximise(grid: _Grid) -> float:
    """Log ratio at which as many exposed lives failed as were due, by bracketed Newton steps."""
    seen = grid.exposed_events.sum()
    always = grid.events[grid.others_at_risk <= 0].sum()
    ever = grid.events[grid.exposed_at_risk > 0].sum()
    if seen - always <= 0:
        raise NoInteriorMaximum(
            "No exposed life failed beside others at risk of the same age: the ratio of hazards "
            "has no estimate above 0."
        )
    if ever - seen <= 0:
        raise NoInteriorMaximum(
            "None but exposed lives failed at the ages at which any were at risk: the ratio of "
            "hazards has no finite estimate."
        )
    low, high, point = -np.inf, np.inf, 0.0
    for _ in range(MOST_STEPS):
        share, information = _share(grid, point)
        score = float(seen - grid.events @ share)
        low, high = (point, high) if score > 0 else (low, point)
        step = np.clip(score / information, -2.0, 2.0) if information > 0 else np.sign(score)
        if abs(step) < CONVERGED:
            return point + float(step)
        ahead = point + float(step)
        point = ahead if low < ahead < high else (low + high) / 2
    raise NoInteriorMaximum("The ratio of hazards was not found: the failures hardly set it.")


def _share(grid: _Grid, log_ratio: float) -> tuple[Floats, float]:
    """Share of the hazard at each failure age that the exposed carry; and the information."""
    carried = grid.exposed_at_risk * np.exp(log_ratio)
    share = carried / (carried + grid.others_at_risk)
    return share, float(grid.events @ (share * (1 - share)))


def _scores(lives: _Lives, grid: _Grid, log_ratio: float, share: Floats) -> Floats:
    """Score residual of each life, (n,)."""
    ratio = np.exp(log_ratio)
    jumps = grid.events / (grid.exposed_at_risk * ratio + grid.others_at_risk)
    # What a life that is exposed or not was due to add, up to each failure age.
    due = {
        True: ratio * np.concatenate([[0.0], np.cumsum((1 - share) * jumps)]),
        False: np.concatenate([[0.0], np.cumsum(-share * jumps)]),
    }
    of_shared = np.isin(grid.key // grid.size, lives.shared)
    places = (grid.key % grid.size)[of_shared]
    scores = np.zeros(lives.exit.size)
    for marked in (True, False):
        mine = lives.exposed[grid.own] == marked
        sums = due[marked]
        scores[grid.own[mine]] = sums[grid.low[mine]] - sums[grid.high[mine]]
        everywhere = np.flatnonzero((lives.stratum < 0) & (lives.exposed == marked))
        value = ratio * (1 - share) if marked else -share
        by_place = np.cumsum(np.bincount(places, (value * jumps)[of_shared], grid.size))
        scores[everywhere] = by_place[lives.entry[everywhere]] - by_place[lives.exit[everywhere]]
    died = lives.event[grid.own]
    scores[grid.own[died]] += lives.exposed[grid.own[died]] - share[grid.high[died] - 1]
    if np.any(both := lives.event & (lives.stratum < 0)):
        at = np.bincount(places, share[of_shared], grid.size)[lives.exit[both]]
        scores[both] += lives.exposed[both] * lives.shared.size - at
    return scores * lives.weight
