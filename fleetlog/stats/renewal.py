"""How many times a part that is renewed at each failure fails up to an age."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleetlog.stats._arrays import Floats
from fleetlog.stats.distributions import Life

STEPS = 2000


@dataclass(frozen=True)
class RenewalFunction:
    """Mean number of failures up to each age. See `renewal_function`.

    Attributes
    ----------
    age : (steps + 1,) ages from 0 on, evenly spaced.
    renewals : (steps + 1,) mean number of failures up to each.
    error : estimate of the largest error of any of them.
    """

    age: Floats
    renewals: Floats
    error: float


def renewal_function(life: Life, last: float, *, steps: int = STEPS) -> RenewalFunction:
    """Mean number of failures of a part that is renewed at each of them and never otherwise.

    Solves ``M(t) = F(t) + integral of M(t - u) dF(u)`` on an even grid, with the middle of each
    step for its failures, on two grids of which one is twice as fine; the difference of the two
    gives the last correction and the error.

    Parameters
    ----------
    life : a life with known parameters.
    last : age > 0 up to which the number is wanted.
    steps : of the finer grid, an even number; the cost grows with its square.

    Source: Barlow and Proschan 1965, section 3.2; Xie 1989 (solution); Richardson 1911
    (correction).
    """
    if not (np.isfinite(last) and last > 0):
        raise ValueError(f"last is {last}: pass an age above 0")
    if steps < 2 or steps % 2:
        raise ValueError(f"steps is {steps}: pass an even number of at least 2")
    ages, counts, error = renewals_up_to(life, np.array([float(last)]), steps)
    return RenewalFunction(ages[:, 0], counts[:, 0], error)


def renewals_up_to(life: Life, horizon: Floats, steps: int) -> tuple[Floats, Floats, float]:
    """Ages and mean numbers of failures, (steps + 1, lives), up to each life's horizon; the error.

    Parameters
    ----------
    life : one life, or several held as arrays of parameters of the length of ``horizon``.
    horizon : (lives,) ages. steps : an even number.
    """
    ages = np.linspace(0.0, horizon, steps + 1)
    fine = _solved(life, horizon, steps)
    correction = np.zeros_like(fine)
    correction[::2] = (fine[::2] - _solved(life, horizon, steps // 2)) / 3
    correction[1::2] = (correction[:-1:2] + correction[2::2]) / 2
    return ages, fine + correction, float(np.max(np.abs(correction)))


def _solved(life: Life, horizon: Floats, steps: int) -> Floats:
    """Solution on a grid of so many steps, (steps + 1, lives)."""
    step = horizon / steps
    # Drawn lives of very small shape may overflow; all of their parts have failed by then.
    with np.errstate(all="ignore"):
        failed = np.asarray(life.failed(np.arange(steps + 1)[:, None] * step))
        midway = np.asarray(life.failed((np.arange(steps)[:, None] + 0.5) * step))
    turned = midway[::-1]
    gained = np.zeros((steps, horizon.size))
    total = np.zeros((steps + 1, horizon.size))
    for i in range(1, steps + 1):
        # Failures of earlier renewals: each counts with the chance that its part lasts no longer.
        earlier = np.einsum("ij,ij->j", turned[steps - i : steps - 1], gained[: i - 1])
        gained[i - 1] = (failed[i] + earlier - total[i - 1]) / (1 - midway[0])
        total[i] = total[i - 1] + gained[i - 1]
    return total
