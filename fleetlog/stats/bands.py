"""Bands that hold a whole curve at once, where the limits of a curve hold at one age only."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import polars as pl
from numpy.polynomial import legendre
from scipy.linalg import eigh
from scipy.optimize import brentq

from fleetlog.errors import InvalidLives
from fleetlog.stats._arrays import normal_quantile
from fleetlog.stats.curves import HazardCurve, SurvivalCurve, log_limits, log_log_limits

SHAPES = 24
NODES = 200
HIGHEST = 12.0


@dataclass(frozen=True)
class Band:
    """Simultaneous limits of a curve. See `equal_precision_band`.

    Attributes
    ----------
    table : Polars frame: ``time``, ``estimate``, ``std_err``, ``lower``, ``upper``; each row holds
        until the next.
    level : chance that the whole curve lies inside, from ``from_age`` to ``to_age``.
    critical_value : how many standard errors wide it is, where single limits take 1.96.
    interval : the scale that the limits are formed on.
    """

    table: pl.DataFrame
    level: float
    critical_value: float
    from_age: float
    to_age: float
    interval: str


def equal_precision_band(
    curve: SurvivalCurve | HazardCurve,
    *,
    level: float = 0.95,
    from_age: float | None = None,
    to_age: float | None = None,
) -> Band:
    """Limits that hold the whole curve between two ages with the chance ``level``.

    The band is everywhere the same number of standard errors wide, on the scale that the limits of
    the curve are formed on. That number follows from the growth of the variance between the ages.

    Parameters
    ----------
    curve : of independent lives. With clusters the variance does not grow in independent steps,
        and the curve is refused.
    from_age, to_age : where the band is to hold; the first and last failures, where not given, at
        which there are limits.

    Notes
    -----
    Source: Nair 1984; Borgan and Liestoel 1990 (scales); Klein and Moeschberger 2003, section 4.4.
    """
    if curve.clusters is not None:
        raise InvalidLives(
            "The curve has clusters, for which no equal-precision band is known: estimate the "
            "curve without cluster, or use its limits at single ages."
        )
    table = curve.table.filter(pl.col("lower").is_not_null())
    if table.height == 0:
        raise InvalidLives("The curve has no limits to widen: it needs a failure with survivors.")
    time = table["time"].to_numpy()
    failures = table.filter(pl.col("events") > 0)["time"].to_numpy()
    begin = float(failures[0] if from_age is None else from_age)
    end = float(failures[-1] if to_age is None else to_age)
    if not time[0] <= begin <= end <= curve.table["time"].to_numpy()[-1]:
        raise ValueError(
            f"The band was asked from {begin:g} to {end:g}: pass ages in order, from the first "
            f"failure at {time[0]:g} on and up to the last age observed"
        )
    if curve.table.filter(pl.col("time") <= end)["lower"][-1] is None:
        raise ValueError(f"to_age is {end:g}, where nobody survives: pass an earlier age")
    first = int(np.searchsorted(time, begin, side="right")) - 1
    stop = int(np.searchsorted(time, end, side="right"))
    kept = table[first:stop]
    estimate, std_err = kept["estimate"].to_numpy(), kept["std_err"].to_numpy()
    survival = isinstance(curve, SurvivalCurve)
    # The process with independent steps: the relative error of survival, the error of the hazard.
    error = std_err / estimate if survival else std_err
    value = critical_value(level, float(np.log(error[-1] / error[0])))
    if survival:
        lower, upper = log_log_limits(estimate, error, value)
    else:
        lower, upper = log_limits(estimate, std_err, value)
    return Band(
        table=kept.select("time", "estimate", "std_err").with_columns(
            pl.Series("lower", lower), pl.Series("upper", upper)
        ),
        level=level,
        critical_value=value,
        from_age=begin,
        to_age=end,
        interval=curve.interval,
    )


def critical_value(level: float, length: float) -> float:
    """Height that a standardised Brownian motion stays below with the chance ``level``.

    Parameters
    ----------
    length : log of the ratio of its standard deviation at the end to that at the start; in the
        terms of the tables, half the log of the ratio of the odds of a_U and a_L.

    Notes
    -----
    W(v) / sqrt(v) is a stationary Ornstein-Uhlenbeck process in log(v) / 2. Its chance of staying
    between two barriers is a sum of exponentials of the length, whose rates are the eigenvalues of
    its generator with the barriers as ends (found here in polynomials that vanish there).
    Source: Nair 1984; Karlin and Taylor 1981, chapter 15 (the expansion).
    """
    single = normal_quantile(level)
    if length <= 0:
        return single
    return float(brentq(lambda height: _chance_inside(height, length) - level, single, HIGHEST))


def _chance_inside(height: float, length: float) -> float:
    shapes, slopes, nodes, weights = _basis()
    place = height * nodes
    # With the root of the normal density taken out of the eigenfunctions, the generator is
    # symmetric: minus the second derivative, plus place**2 / 4 - 1 / 2.
    root = np.exp(-(place**2) / 4) / (2 * np.pi) ** 0.25
    weights = weights * height
    mass = (shapes * weights) @ shapes.T
    energy = (slopes * weights) @ slopes.T / height**2
    energy += (shapes * (weights * (place**2 / 4 - 0.5))) @ shapes.T
    rates, vectors = eigh(energy, mass)
    shares = vectors.T @ (shapes @ (weights * root))
    return float(np.sum(shares**2 * np.exp(-rates * length)))


@lru_cache(maxsize=1)
def _basis() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Even polynomials that vanish at -1 and 1, their slopes, and nodes to integrate them."""
    nodes, weights = legendre.leggauss(NODES)
    shapes, slopes = np.empty((SHAPES, NODES)), np.empty((SHAPES, NODES))
    for row in range(SHAPES):
        # P(2k) less P(2k + 2) vanishes at both ends.
        series = np.zeros(2 * row + 3)
        series[[2 * row, 2 * row + 2]] = 1.0, -1.0
        shapes[row] = legendre.legval(nodes, series)
        slopes[row] = legendre.legval(nodes, legendre.legder(series))
    return shapes, slopes, nodes, weights
