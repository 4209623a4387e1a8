"""What can be said of lives that are all of one vehicle: an estimate, and no limits.

Lives of one vehicle share its driver, oil and roads, so limits rest on how vehicles differ.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.stats import IncidenceCurves, SurvivalCurve

Curve = TypeVar("Curve", SurvivalCurve, IncidenceCurves)


def by_vehicle(vehicles: pl.Series) -> NDArray[np.generic] | None:
    """Return the vehicles as clusters, or None where there is one only."""
    return vehicles.to_numpy() if vehicles.n_unique() > 1 else None


def limited_by_vehicles(curve: Curve, cluster: NDArray[np.generic] | None) -> Curve:
    """Return a curve as it is, or with its errors and limits empty where ``cluster`` is None."""
    if cluster is not None:
        return curve
    unknown = pl.lit(None, dtype=pl.Float64)
    return replace(
        curve, table=curve.table.with_columns(std_err=unknown, lower=unknown, upper=unknown)
    )
