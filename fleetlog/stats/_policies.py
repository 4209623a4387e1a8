"""What the policies of replacement and inspection share."""

from __future__ import annotations

import numpy as np

from fleetlog.stats._arrays import Floats
from fleetlog.stats.distributions import Life

SHOWN = 0.95


def mean_of_each(life: Life) -> Floats:
    """Mean age at failure of each of the lives that ``life`` holds, (lives,)."""
    lives = np.broadcast(*map(np.asarray, life.parameters.values())).size
    return np.broadcast_to(np.asarray(life.mean, dtype=np.float64), lives)


def check_discount(discount_rate: float) -> None:
    """Refuse a rate of discount that is none."""
    if not (np.isfinite(discount_rate) and discount_rate >= 0):
        raise ValueError(f"discount_rate is {discount_rate}: pass a rate of 0 or more")


def last_shown(life: Life) -> float:
    """Age at which a chart of costs ends: by then most of those that ever fail have failed."""
    last = float(life.quantile(SHOWN))
    if np.isfinite(last):
        return last
    with np.errstate(over="ignore"):
        ever = float(life.failed(np.finfo(np.float64).max))
    return float(life.quantile(SHOWN * ever))


def order_limits(values: Floats, tail: float) -> tuple[float, float]:
    """Limits of drawn values, by order: infinite ones must not be averaged with finite ones."""
    lower, upper = np.quantile(values, [tail, 1 - tail], method="inverted_cdf")
    return float(lower), float(upper)


def too_thin(without: float, tail: float, *, found: bool, action: str) -> str | None:
    """Say so where more of the draws than ``tail`` contradict what the fit itself says.

    Parameters
    ----------
    without : share of the draws without a best age. found : whether the fit has one.
    action : what pays or not, for instance "a planned age".
    """
    against = without if found else 1 - without
    if against <= tail:
        return None
    contrary = f"{action} does not pay" if found else f"{action} would pay"
    return (
        f"the sample is too thin to say: in {against:.0%} of the lives that it allows, {contrary}"
    )
