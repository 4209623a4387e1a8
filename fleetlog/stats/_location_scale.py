"""Maximum likelihood where the log of an age has a location, linear in columns, and a sigma.

A life's part in the likelihood is a function of its own linear predictor and log sigma alone, so
five derivatives per life (`Terms`) give the gradient, the Hessian and the scores that a
covariance grouped by cluster needs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.optimize import linprog

from fleetlog.errors import NoInteriorMaximum
from fleetlog.stats._arrays import Floats, Ints, count
from fleetlog.stats._design import labelled
from fleetlog.stats._maximise import Derivatives, Maximum, maximise
from fleetlog.stats._standard import Curve, StandardLaw

LEAST_SIGMA, GREATEST_SIGMA = 1e-4, 1e2
# A covariate of spread 1 whose standard error exceeds this many sigmas may have none: whether the
# likelihood runs away is then settled exactly.
DOUBTFUL = 50.0
# Intervals over which the log density changes by less than this are integrated numerically: the
# difference of two chances would lose the digits that its derivatives need.
NARROW = 1.0
NODES, NODE_WEIGHTS = np.polynomial.legendre.leggauss(12)


@dataclass(frozen=True)
class Data:
    """Checked lives, on the log of age.

    Attributes
    ----------
    log_exit, weight : (n,).
    exact, censored, between, late : rows that failed at a known age, that did not fail, that
        failed within an interval, and that were first seen after age 0.
    log_lower : (i,) lower ends of the intervals, minus infinity for 0.
    log_entry : (l,) of the late rows.
    cluster : (n,) codes, or None where lives are independent.
    """

    log_exit: Floats
    weight: Floats
    exact: Ints
    censored: Ints
    between: Ints
    late: Ints
    log_lower: Floats
    log_entry: Floats
    cluster: Ints | None

    @property
    def rows(self) -> int:
        """How many rows there are."""
        return int(self.log_exit.size)

    @property
    def events(self) -> float:
        """Weight of the failures."""
        return float(self.weight[self.exact].sum() + self.weight[self.between].sum())

    @property
    def failed(self) -> Floats:
        """1 where a row failed, else 0, (n,)."""
        out = np.ones(self.rows)
        out[self.censored] = 0.0
        return out


class Terms(NamedTuple):
    """Parts of a log-likelihood, (n,), and their derivatives.

    By the linear predictor, by log sigma, and twice by each and by both.
    """

    value: Floats
    predictor: Floats
    log_sigma: Floats
    predictor_twice: Floats
    mixed: Floats
    log_sigma_twice: Floats


def _chain(curve: Curve, z: Floats, sigma: Floats) -> Terms:
    """Take a function of ``z = (log age - predictor) / sigma`` to its parameters."""
    value, first, second = curve
    return Terms(
        value,
        -first / sigma,
        -z * first,
        second / sigma**2,
        (first + z * second) / sigma,
        z * (first + z * second),
    )


def _failure_terms(law: StandardLaw, z: Floats, sigma: Floats) -> Terms:
    """Log density of the log of age."""
    terms = _chain(law.log_density(z), z, sigma)
    return terms._replace(value=terms.value - np.log(sigma), log_sigma=terms.log_sigma - 1)


def _interval_terms(law: StandardLaw, low: Floats, high: Floats, sigma: Floats) -> Terms:
    """Log chance of an age whose z lies between ``low`` and ``high``."""
    with np.errstate(invalid="ignore"):
        steepest = np.maximum(
            np.abs(law.log_density(np.maximum(low, high - 1.0)).first),
            np.abs(law.log_density(high).first),
        )
        narrow = (high - low) * np.maximum(steepest, 1.0) < NARROW
    out = np.empty((len(Terms._fields), low.size))
    wide = ~narrow
    out[:, narrow] = _narrow_terms(law, low[narrow], high[narrow], sigma[narrow])
    out[:, wide] = _wide_terms(law, low[wide], high[wide], sigma[wide])
    return Terms(*out)


def _wide_terms(law: StandardLaw, low: Floats, high: Floats, sigma: Floats) -> Floats:
    """Terms of intervals by the chances and densities at their ends."""
    value = law.log_between(low, high)
    born = np.isneginf(low)
    finite = np.where(born, 0.0, low)
    below, above = law.log_density(finite), law.log_density(high)
    # An end at age 0 stays there whatever the parameters.
    at_low = np.where(born, 0.0, -np.exp(below.value - value))
    at_high = np.exp(above.value - value)
    low_twice = at_low * (below.first - at_low)
    # Far beyond the law's reach the density is 0 to the last digit and its log falls without bound.
    high_twice = at_high * (np.where(at_high > 0, above.first, 0.0) - at_high)
    both = -at_low * at_high
    shift = at_low + at_high
    stretch = finite * at_low + high * at_high
    bend = low_twice + 2 * both + high_twice
    tilt = finite * low_twice + (finite + high) * both + high * high_twice
    twice = finite**2 * low_twice + 2 * finite * high * both + high**2 * high_twice
    return np.stack(
        [value, -shift / sigma, -stretch, bend / sigma**2, (shift + tilt) / sigma, stretch + twice]
    )


def _narrow_terms(law: StandardLaw, low: Floats, high: Floats, sigma: Floats) -> Floats:
    """Terms of intervals as averages over exact failures inside them (Gauss and Legendre)."""
    half = (high - low) / 2
    z = (low + half) + half * NODES[:, None]
    inside = _failure_terms(law, z, np.broadcast_to(sigma, z.shape))
    top = inside.value.max(axis=0)
    share = NODE_WEIGHTS[:, None] * np.exp(inside.value - top)
    total = share.sum(axis=0)
    share /= total

    def mean(values: Floats) -> Floats:
        return np.asarray((share * values).sum(axis=0))

    predictor, log_sigma = mean(inside.predictor), mean(inside.log_sigma)
    by_predictor, by_sigma = inside.predictor - predictor, inside.log_sigma - log_sigma
    return np.stack(
        [
            top + np.log(total) + np.log(half * sigma),
            predictor,
            log_sigma,
            mean(inside.predictor_twice + by_predictor**2),
            mean(inside.mixed + by_predictor * by_sigma),
            mean(inside.log_sigma_twice + by_sigma**2),
        ]
    )


def _terms(law: StandardLaw, data: Data, predictor: Floats, sigma: Floats) -> Terms:
    """Log-likelihood of every life given survival to its entry, without weights."""
    z = (data.log_exit - predictor) / sigma
    out = np.empty((len(Terms._fields), data.rows))
    rows = data.exact
    out[:, rows] = _failure_terms(law, z[rows], sigma[rows])
    out[0, rows] -= data.log_exit[rows]
    rows = data.censored
    out[:, rows] = _chain(law.log_survival(z[rows]), z[rows], sigma[rows])
    if data.between.size:
        rows = data.between
        low = (data.log_lower - predictor[rows]) / sigma[rows]
        out[:, rows] = _interval_terms(law, low, z[rows], sigma[rows])
    if data.late.size:
        rows = data.late
        began = (data.log_entry - predictor[rows]) / sigma[rows]
        out[:, rows] -= np.stack(_chain(law.log_survival(began), began, sigma[rows]))
    return Terms(*out)


@dataclass(frozen=True)
class Columns:
    """Columns of a linear model on scales of their own, and the way back.

    Attributes
    ----------
    x : (n, k) the intercept, and covariates of mean 0 and spread 1.
    back : (k, k) takes coefficients of these columns to those of the caller's.
    stratum : (n,) code of the sigma that a row has. strata : how many there are.
    """

    x: Floats
    back: Floats
    stratum: Ints
    strata: int

    @property
    def width(self) -> int:
        """How many coefficients there are."""
        return int(self.x.shape[1])

    def keep(self, places: list[int]) -> Columns:
        """Only some of the columns."""
        return Columns(
            self.x[:, places], self.back[np.ix_(places, places)], self.stratum, self.strata
        )

    def whole_back(self) -> Floats:
        """As ``back``, for the coefficients and log sigmas together."""
        size = self.width + self.strata
        out = np.eye(size)
        out[: self.width, : self.width] = self.back
        return out


def standardise(matrix: Floats) -> Columns:
    """Bring columns (n, k), the first of them ones, to mean 0 and spread 1."""
    centre, spread = matrix.mean(axis=0), matrix.std(axis=0)
    centre[0], spread[0] = 0.0, 1.0
    back = np.diag(1 / spread)
    back[0, 1:] = -centre[1:] / spread[1:]
    return Columns((matrix - centre) / spread, back, np.zeros(matrix.shape[0], dtype=np.intp), 1)


def spread_out(columns: Columns, point: Floats) -> tuple[Floats, Floats]:
    """Predictor and sigma of every row at a point."""
    width = columns.width
    return columns.x @ point[:width], np.exp(point[width:])[columns.stratum]


def log_likelihood(law: StandardLaw, data: Data, columns: Columns, point: Floats) -> Derivatives:
    """Value, gradient and Hessian; the point is the coefficients and then the log sigmas."""
    # Far from the maximum a hazard may overflow; the search then turns back.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        parts = _terms(law, data, *spread_out(columns, point))
        weighed = Terms(*(part * data.weight for part in parts))
        x, width = columns.x, columns.width

        def by_stratum(values: Floats) -> Floats:
            return count(columns.stratum, columns.strata, values)

        gradient = np.concatenate([weighed.predictor @ x, by_stratum(weighed.log_sigma)])
        hessian = np.zeros((point.size, point.size))
        hessian[:width, :width] = (x * weighed.predictor_twice[:, None]).T @ x
        mixed = np.stack([by_stratum(weighed.mixed * column) for column in x.T])
        hessian[:width, width:], hessian[width:, :width] = mixed, mixed.T
        hessian[width:, width:] = np.diag(by_stratum(weighed.log_sigma_twice))
    return float(weighed.value.sum()), gradient, hessian


def covariance_of(law: StandardLaw, data: Data, columns: Columns, top: Maximum) -> Floats:
    """Covariance of the point: inverse information, or the sandwich grouped by cluster."""
    inverse = np.linalg.inv(-top.hessian)
    inverse = (inverse + inverse.T) / 2
    if data.cluster is None:
        return inverse
    parts = _terms(law, data, *spread_out(columns, top.point))
    by_predictor, by_sigma = parts.predictor * data.weight, parts.log_sigma * data.weight
    own = [np.where(columns.stratum == s, by_sigma, 0.0) for s in range(columns.strata)]
    scores = [by_predictor * column for column in columns.x.T] + own
    grouped = np.stack([np.bincount(data.cluster, weights=score) for score in scores])
    return np.asarray(inverse @ (grouped @ grouped.T) @ inverse)


def start_from(data: Data, columns: Columns) -> Floats:
    """Least squares on the ends of the lives: near enough to start from."""
    root = np.sqrt(data.weight)
    found = np.linalg.lstsq(columns.x * root[:, None], data.log_exit * root, rcond=None)[0]
    left = data.log_exit - columns.x @ found
    spread = np.sqrt(np.average(left**2, weights=data.weight))
    return np.append(found, np.log(max(float(spread), 1e-3)))


def fit_columns(
    law: StandardLaw,
    data: Data,
    columns: Columns,
    start: Floats,
    labels: list[tuple[str, str | None]],
) -> Maximum:
    """Maximise the likelihood; where it has no maximum, say what runs away."""
    try:
        top = maximise(lambda point: log_likelihood(law, data, columns, point), start)
    except NoInteriorMaximum:
        _explain(data, columns, labels)
        raise
    width = columns.width
    sigma = np.exp(top.point[width:])
    curvature = np.linalg.eigvalsh(-top.hessian)
    curved = bool(curvature[0] > 0)
    if not curved or np.any(
        np.diag(np.linalg.inv(-top.hessian))[:width] > (DOUBTFUL * sigma.max()) ** 2
    ):
        _explain(data, columns, labels)
    if not (curved and np.all((sigma > LEAST_SIGMA) & (sigma < GREATEST_SIGMA))):
        raise NoInteriorMaximum(
            f"The likelihood keeps rising towards an extreme sigma "
            f"({', '.join(f'{value:g}' for value in sigma)}): the failures do not determine the "
            f"model, so gather more failures or leave covariates out."
        )
    return top


def _explain(data: Data, columns: Columns, labels: list[tuple[str, str | None]]) -> None:
    """Raise NoInteriorMaximum naming the terms along which the likelihood rises for ever.

    With ``z = rate * log age - predictor`` the likelihood of these laws is concave, so it has no
    maximum just where some direction keeps every exact failure in place and lets no censored
    life, nor either end of an interval, fall back (Silvapulle and Burridge 1986). A linear
    program finds such a direction. Late entry, which can only add others, is left aside.
    """
    age = data.log_exit - data.log_exit.mean()
    x = columns.x
    exact = np.unique(np.column_stack([-x[data.exact], age[data.exact]]), axis=0)
    lower = np.isfinite(data.log_lower)
    held = np.vstack(
        [
            np.column_stack([-x[data.censored], age[data.censored]]),
            np.column_stack(
                [-x[data.between[lower]], data.log_lower[lower] - data.log_exit.mean()]
            ),
            np.column_stack([x[data.between], -age[data.between]]),
        ]
    )
    held = np.unique(held, axis=0)
    size = columns.width + 1
    towards = held.sum(axis=0) - np.eye(size)[-1] * (exact.shape[0] > 0)

    def direction_with(reach: float) -> Floats | None:
        """Direction in which no coefficient but the intercept exceeds ``reach``."""
        answer = linprog(
            towards,
            A_ub=held,
            b_ub=np.zeros(held.shape[0]),
            A_eq=exact if exact.size else None,
            b_eq=np.zeros(exact.shape[0]) if exact.size else None,
            bounds=[(-1.0, 1.0), *[(-reach, reach)] * (columns.width - 1), (0.0, 1.0)],
            method="highs",
        )
        return None if answer.x is None or towards @ answer.x > -1e-6 else answer.x

    if direction_with(0.0) is not None:
        raise NoInteriorMaximum(
            "The ages at which lives ended leave the spread or the length of life open, whatever "
            "the covariates: gather failures, or inspections, at more ages."
        )
    found = direction_with(1.0)
    if found is None:
        return
    if found[-1] > 1e-6 and exact.size:
        raise NoInteriorMaximum(
            "The covariates fit the failures exactly, so their spread cannot be estimated: gather "
            "more failures or leave covariates out."
        )
    direction = columns.back @ found[: columns.width]
    moved = [
        labelled(*labels[place])
        for place in range(1, columns.width)
        if abs(direction[place]) > 1e-6 * np.max(np.abs(direction))
    ]
    raise NoInteriorMaximum(
        f"Perfect separation: {' with '.join(moved)} tells the lives that failed from those that "
        f"did not, so the likelihood keeps rising; leave that out, or join its lives with others."
    )


def fits_exactly(x: Floats, log_age: Floats) -> bool:
    """Whether the columns reproduce the log ages, so that no spread is left to estimate."""
    found = np.linalg.lstsq(x, log_age, rcond=None)[0]
    return bool(np.max(np.abs(log_age - x @ found)) <= 1e-9 * max(1.0, float(np.ptp(log_age))))


def hazards_of(
    law: StandardLaw, data: Data, predictor: Floats, sigma: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Standardised log ages at exit and entry, and the cumulative hazards there, (n,) each."""
    z = (data.log_exit - predictor) / sigma
    began = np.full(data.rows, -np.inf)
    began[data.late] = (data.log_entry - predictor[data.late]) / sigma[data.late]
    hazard, hazard_began = law.cumulative_hazard(z), law.cumulative_hazard(began)
    if data.between.size:
        rows = data.between
        low = (data.log_lower - predictor[rows]) / sigma[rows]
        start = law.cumulative_hazard(low)
        # Mean of an exponential variable known to lie between the two cumulative hazards.
        gained = np.maximum(hazard[rows] - start, 1e-300)
        hazard[rows] = start + np.where(
            gained < 1e-4, gained / 2, 1 - gained / np.expm1(np.minimum(gained, 700.0))
        )
    return z, began, hazard, hazard_began
