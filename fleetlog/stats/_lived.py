"""The time that parts live, discounted or not: integrals of the survival of many lives at once."""

from __future__ import annotations

import numpy as np

from fleetlog.stats._arrays import Floats, Ints
from fleetlog.stats.distributions import Life

# A part that gets this unlikely to reach an age does not reach it in all but name.
NEVER = 1e-6
# Ages are looked at over the cumulative hazard, from here to that of ``NEVER``.
LEAST_HAZARD = 1e-14
SCAN_POINTS = 200
# Discounting leaves less than exp(-40) of a cost this many discount times away.
DISCOUNTED_AWAY = 40.0
NODES, NODE_WEIGHTS = np.polynomial.legendre.leggauss(7)


class LivedTime:
    """Integral of the discounted survival of one or several lives, from 0 to any age.

    Where it has no closed form it is summed by Gauss's rule between close ages, to a relative
    1e-9 or better where the hazard is smooth. Ages run down the rows, lives across.

    Attributes
    ----------
    ages : (points, lives), ascending, from where hardly any part has failed to where hardly any
        is left, or to where everything is discounted away.
    lived : (points, lives), the integral up to each of them.
    """

    def __init__(self, life: Life, discount: float) -> None:
        self.life, self.discount = life, discount
        # Discounting, and lives without closed form, need the integral to be summed.
        self.closed = discount == 0 and type(life).mean_up_to is not Life.mean_up_to
        self.ages = scanned_ages(life, discount)
        if self.closed:
            self.lived = np.asarray(life.mean_up_to(self.ages))
        else:
            before = np.concatenate([np.zeros_like(self.ages[:1]), self.ages[:-1]])
            self.lived = np.cumsum(self._between(before, self.ages), axis=0)

    def at(self, ages: Floats) -> Floats:
        """Return the integral up to any ages, (k, lives)."""
        # One age after another: all at once would take points times k times lives of room.
        row = np.array([np.sum(self.ages < age, axis=0) for age in ages], dtype=np.int64) - 1
        return self.at_after(ages, row, np.arange(self.ages.shape[1]))

    def at_after(self, ages: Floats, row: Ints, column: Ints) -> Floats:
        """Return the integral up to ages of which the last one of ``ages`` before is known."""
        if self.closed:
            return np.asarray(self.life.mean_up_to(ages))
        begun = np.maximum(row, 0)
        start = np.where(row < 0, 0.0, self.ages[begun, column])
        base = np.where(row < 0, 0.0, self.lived[begun, column])
        return np.asarray(base + self._between(start, ages))

    def _between(self, low: Floats, high: Floats) -> Floats:
        """Integral of the discounted survival from ``low`` to ``high``, by Gauss's rule."""
        half = (high - low) / 2
        total = np.zeros_like(half)
        for node, weight in zip(NODES, NODE_WEIGHTS, strict=True):
            age = low + half * (1 + node)
            total += weight * np.exp(-self.life.cumulative_hazard(age) - self.discount * age)
        return np.asarray(half * total)


def scanned_ages(life: Life, discount: float) -> Floats:
    """Ages, (points, lives) ascending, that no rise or fall of a hazard slips between.

    They are close where parts fail (even steps of the logarithm of the cumulative hazard), and
    where they do not: in even steps, and in even steps of the logarithm of the age.
    """
    hazards = np.geomspace(LEAST_HAZARD, -np.log(NEVER), SCAN_POINTS)[:, None]
    by_failures = np.asarray(life.age_at(hazards), dtype=np.float64)
    # Where some parts never fail, the last hazards are never reached.
    reached = np.isfinite(by_failures)
    last = np.max(np.where(reached, by_failures, 0.0), axis=0)
    last = np.where(last > 0, last, 1.0)
    by_failures = np.where(reached, by_failures, last)
    end = np.maximum(last, DISCOUNTED_AWAY / discount) if discount else last
    least = np.maximum(last * 1e-6, np.finfo(np.float64).tiny)
    return np.sort(
        np.concatenate(
            [
                by_failures,
                np.linspace(last / SCAN_POINTS, last, SCAN_POINTS),
                np.geomspace(least, end, SCAN_POINTS),
            ]
        ),
        axis=0,
    )
