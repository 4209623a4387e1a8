"""Lives with all the positions that share each, for questions of many positions at once."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetlog.sql import read_sql


@dataclass(frozen=True)
class Pairs:
    """Which rows of lives stand for a life at which positions; see `lives_at_positions`.

    Attributes
    ----------
    row, position : (m,) row of the frame and number of the position, from 0.
    whole : (n,) rows in no pair: the vehicle's parts were never touched, and the row stands for a
        life at each position.
    """

    row: NDArray[np.intp]
    position: NDArray[np.intp]
    whole: NDArray[np.bool_]


def read_placed_lives(
    connection: duckdb.DuckDBPyConnection, component: str, engine_family: str | None
) -> pl.DataFrame:
    """Return the lives of a component, one row for all positions that share one.

    ``positions`` are ordinals, null where the row stands for all of them; ``weight`` their number;
    ``position_assumed`` tells whether the order that found the failure named no position. The
    growth is linear in vehicles and lives, whatever the number of positions.
    """
    lives: pl.DataFrame = connection.sql(
        read_sql("analyses", "placed_lives"),
        params={"component": component, "engine_family": engine_family},
    ).pl()
    return lives


def pair_positions(lives: pl.DataFrame, ordinals: pl.Series) -> Pairs:
    """Pair the rows of lives with their positions.

    Parameters
    ----------
    lives : from `read_placed_lives`, of one engine family.
    ordinals : (p,) ordinals of that family's positions, ascending: position 0, 1, ...
    """
    whole = lives["positions"].is_null().to_numpy()
    pairs = (
        lives.with_row_index("row")
        .filter(pl.col("positions").is_not_null())
        .select("row", "positions")
        .explode("positions", empty_as_null=True)
    )
    return Pairs(
        row=pairs["row"].to_numpy().astype(np.intp),
        position=np.searchsorted(ordinals.to_numpy(), pairs["positions"].to_numpy()),
        whole=whole,
    )


def summed_by_position(
    pairs: Pairs, values: NDArray[np.float64], positions: int
) -> NDArray[np.float64]:
    """Add values of the rows up over the lives at each position, (positions,)."""
    named = np.bincount(pairs.position, weights=values[pairs.row], minlength=positions)
    return np.asarray(named + values[pairs.whole].sum())
