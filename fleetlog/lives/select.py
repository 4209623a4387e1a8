"""Read lives and risk tables of one component out of the store."""

from collections.abc import Sequence

import duckdb
import polars as pl

from fleetlog.errors import InputError
from fleetlog.sql import read_sql

POSITION_FIELDS = ("bank", "cylinder", "side", "slot")
SPLITS = (
    "engine_family", *POSITION_FIELDS, "part_maker", "part_lot", "generation", "depot", "duty",
    "model_year",
)  # fmt: skip
"""The columns by which lives can be split."""

CLOCKS = ("distance", "days")


def select_lives(
    connection: duckdb.DuckDBPyConnection,
    component: str,
    *,
    engine_family: str | None = None,
    by: Sequence[str] = (),
) -> pl.DataFrame:
    """Return the lives of ``component``, one row per vehicle, life and class of positions.

    Parameters
    ----------
    component : its code in the catalogue.
    engine_family : only vehicles of this family; None for all of them.
    by : the columns of :data:`SPLITS` by which the caller will split; those that are position
        fields are filled, the others of them are null.

    Returns
    -------
    Ages ``entry_*`` and ``exit_*`` in the store's unit and in days, ``weight`` (the number of
    positions that share the life), ``ended_by``, ``failure_mode`` and what the splits need.
    """
    check_choices("split", by, SPLITS)
    lives: pl.DataFrame = connection.sql(
        read_sql("lives", "select_lives"), params=_parameters(component, engine_family, by)
    ).pl()
    return lives


def risk_table(
    connection: duckdb.DuckDBPyConnection,
    component: str,
    *,
    engine_family: str | None = None,
    by: Sequence[str] = (),
    clock: str = "distance",
) -> pl.DataFrame:
    """Count the lives of ``component`` by age, in the engine.

    Returns
    -------
    The columns of ``by``, then ``time`` (age), ``failure_mode`` (null on rows that count entries
    and other leavings), ``entered``, ``failed``, ``left``. A life that entered at ``time`` is at
    risk from the next age on. Tables add up over groups.
    """
    check_choices("split", by, SPLITS)
    check_choices("clock", (clock,), CLOCKS)
    query = read_sql("lives", "risk_table").format(
        lives=read_sql("lives", "select_lives"),
        groups="".join(f"{column}, " for column in by),
        age_at_entry=f"entry_{clock}",
        age_at_exit=f"exit_{clock}",
    )
    counts: pl.DataFrame = connection.sql(
        query, params=_parameters(component, engine_family, by)
    ).pl()
    return counts


def check_choices(what: str, given: Sequence[str], allowed: Sequence[str]) -> None:
    """Refuse a word that is not in a closed list; such words end up in the text of a query."""
    for word in given:
        if word not in allowed:
            raise InputError(f"{what} {word!r} is not known: choose from {', '.join(allowed)}")


def _parameters(
    component: str, engine_family: str | None, by: Sequence[str]
) -> dict[str, str | bool | None]:
    asked = {f"by_{field}": field in by for field in POSITION_FIELDS}
    return {"component": component, "engine_family": engine_family, **asked}
