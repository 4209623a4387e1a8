"""Code parts, positions, actions, reasons and failure modes: from their columns, else the text.

Only distinct texts are coded; the scratch database joins the codes back to the rows.
"""

from __future__ import annotations

import duckdb
import polars as pl
import polars.selectors as cs

from fleetlog.catalogue import Catalogue
from fleetlog.intake.frames import filled, keep_frame
from fleetlog.intake.narrative import (
    CODED_ABOVE,
    code_actions,
    code_failure_modes,
    code_narratives,
    code_reasons,
    code_terms,
    parse_position,
)
from fleetlog.sql import read_sql
from fleetlog.units import parse_torques

PLACE = ("bank", "cylinder", "side", "slot")
COUNT = (
    r"(?i)^\s*([1-9][0-9]?)\s*(?:x|pcs?|off|ea)\.?\s+|\s\(\s*([1-9][0-9]?)\s*(?:x|pcs?|off|ea)?\)\s*$"
    r"|\sx\s?([1-9][0-9]?)\s*$|\bqty:?\s*([1-9][0-9]?)\b"
)


def code_components(connection: duckdb.DuckDBPyConnection, catalogue: Catalogue) -> None:
    """Build ``component_text`` from the distinct texts of the column ``component``.

    A text that is not understood surely keeps no component; the place that it names stays, and so
    does a number of pieces ("4 x", "(2)", "x8", "qty 3").
    """
    written = _distinct(connection, "component")
    counts = pl.DataFrame({"text": written}).select(
        bare=pl.col("text").str.replace(COUNT, " "),
        qty=pl.coalesce(pl.col("text").str.extract(COUNT, group) for group in (1, 2, 3, 4)).cast(
            pl.Float64
        ),
    )
    coded = code_terms(counts["bare"], catalogue).with_columns(
        counts["qty"],
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
    """Build ``narrative_text`` for the rows whose columns leave something unsaid.

    Each part that a narrative tells of is there twice: counted by ``part``, with nothing in
    ``about``, for rows that name no part; and under its own code in ``about``, as far as all that
    is told of that part agrees, for rows that do.
    """
    written = connection.sql(read_sql("intake", "unsaid")).pl()["written"]
    told = code_narratives(written, catalogue).rename({"text": "written"})
    agreed = (
        told.group_by("written", "component", maintain_order=True)
        .agg(
            *(_agreed(name) for name in (*PLACE, "action", "reason", "failure_mode")),
            cs.ends_with("confidence").min(),
        )
        .with_columns(about=pl.col("component"), part=pl.lit(None, dtype=told.schema["part"]))
    )
    keep_frame(
        connection,
        "narrative_text",
        pl.concat([told.with_columns(about=pl.lit("")), agreed], how="diagonal"),
    )


def _agreed(name: str) -> pl.Expr:
    """Take a value that every row of the group has."""
    return pl.when(pl.col(name).n_unique() == 1).then(pl.col(name).first()).alias(name)


def _distinct(connection: duckdb.DuckDBPyConnection, column: str) -> pl.Series:
    """Return the distinct texts of one of our own columns."""
    found: pl.DataFrame = connection.sql(filled("distinct", column=column)).pl()
    return found["written"]
