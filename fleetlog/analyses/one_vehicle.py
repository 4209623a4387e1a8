"""What can be said of lives that are all of one vehicle: an estimate, and no limits.

Lives of one vehicle share its driver, oil and roads, so limits rest on how vehicles differ.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray


def by_vehicle(vehicles: pl.Series) -> NDArray[np.generic] | None:
    """Return the vehicles as clusters, or None where there is one only."""
    return vehicles.to_numpy() if vehicles.n_unique() > 1 else None


def without_limits(table: pl.DataFrame) -> pl.DataFrame:
    """Return the table of a curve with its errors and limits empty."""
    unknown = pl.lit(None, dtype=pl.Float64)
    return table.with_columns(std_err=unknown, lower=unknown, upper=unknown)
