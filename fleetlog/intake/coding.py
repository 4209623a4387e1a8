"""Code parts, positions, actions, reasons and failure modes: from their columns, else the text.

Only distinct texts are coded; the scratch database joins the codes back to the rows.
"""

from __future__ import annotations

import duckdb
import polars as pl

from fleetlog.catalogue import Catalogue
from fleetlog.intake.frames import filled, keep_frame
from fleetlog.intake.narrative import (
    CODED_ABOVE,
    code_actions,
    code_failure_modes,
    code_reasons,
    code_terms,
    parse_position,
)
from fleetlog.intake.narrative import (
    code_single as code_narratives,
)
from fleetlog.sql import read_sql
from fleetlog.units import parse_torques

PLACE = ("bank", "cylinder", "side", "slot")


def code_components(connection: duckdb.DuckDBPyConnection, catalogue: Catalogue) -> None:
    """Build ``component_text`` from the distinct texts of the column ``component``.

    A text that is not understood surely keeps no component; the place that it names stays.
    """
    written = _distinct(connection, "component")
    coded = code_terms(written, catalogue).with_columns(
        written=written,
        component=pl.when(pl.col("confidence") > CODED_ABOVE).then("component"),
    )
    keep_frame(connection, "component_text", coded)


def code_columns(connection: duckdb.DuckDBPyConnection, catalogue: Catalogue) -> None:
    """Build the tables of codes for every coded column.

    They are ``component_text``, ``position_text``, ``side_text``, ``action_text``,
    ``reason_text`` and ``failure_mode_text``, each with the text under ``written``.
    """
    code_components(connection, catalogue)
    position = _distinct(connection, "position")
    keep_frame(connection, "position_text", parse_position(position).with_columns(written=position))
    side = _distinct(connection, "side")
    keep_frame(
        connection,
        "side_text",
        parse_position(side).select(written=side, code="side"),
    )
    for name, code in (
        ("action", code_actions),
        ("reason", code_reasons),
        ("failure_mode", code_failure_modes),
    ):
        written = _distinct(connection, name)
        keep_frame(
            connection,
            f"{name}_text",
            pl.DataFrame({"written": written, "code": code(written, catalogue)}),
        )


def read_torques(connection: duckdb.DuckDBPyConnection) -> None:
    """Build ``torque_text`` from the distinct texts of the column ``torque``."""
    written = _distinct(connection, "torque")
    keep_frame(connection, "torque_text", parse_torques(written).with_columns(written=written))


def code_texts(connection: duckdb.DuckDBPyConnection, catalogue: Catalogue) -> None:
    """Build ``narrative_text`` for the rows whose columns leave something unsaid."""
    written = connection.sql(read_sql("intake", "unsaid")).pl()["written"]
    coded = code_narratives(written, catalogue).with_columns(written=written)
    keep_frame(connection, "narrative_text", coded.filter(pl.col("confidence") > CODED_ABOVE))


def _distinct(connection: duckdb.DuckDBPyConnection, column: str) -> pl.Series:
    """Return the distinct texts of one of our own columns."""
    found: pl.DataFrame = connection.sql(filled("distinct", column=column)).pl()
    return found["written"]
