"""Find which vehicle each row of a file speaks of: by VIN, unit number or plate.

Only the distinct texts are looked at; the scratch database joins what was found back to the rows.
"""

from __future__ import annotations

import duckdb
import polars as pl

from fleetlog.intake.frames import filled, keep_frame, run
from fleetlog.sql import read_sql
from fleetlog.vin import check_digits, validate


def find_vehicles(connection: duckdb.DuckDBPyConnection) -> None:
    """Build ``vehicle_found`` from the texts of ``cell`` and the fleet in ``known_vehicle``.

    One row for each distinct (vin, unit_no, plate) as written, and within it for each span of
    days in which the answer is the same: ``vin``, or the ``trouble`` that keeps it from being
    known, and ``notes`` where the vehicle was not simply read. Linear in the rows.
    """
    run(connection, "vehicle_key")
    written = connection.sql(read_sql("intake", "vin_texts")).pl()["written"]
    fleet = connection.sql(read_sql("intake", "fleet_vins")).pl()["vin"]
    keep_frame(connection, "vin_text", _read_vins(written, fleet))
    run(connection, "find_vehicles")


def look_up_vins(connection: duckdb.DuckDBPyConnection) -> None:
    """Build ``vin_text`` for a fleet list: each distinct VIN, as it is kept, and its faults."""
    written = connection.sql(filled("distinct", column="vin")).pl()["written"]
    keep_frame(connection, "vin_text", _read_vins(written, pl.Series([], dtype=pl.String)))


def _read_vins(written: pl.Series, fleet: pl.Series) -> pl.DataFrame:
    """Return ``written``, ``vin`` (tidied), whether ``known`` in the fleet, and the ``problem``.

    A VIN of the fleet needs no checking; its problem is null, as that of a sound one.
    """
    texts = pl.DataFrame({"written": written}).with_columns(
        vin=pl.col("written").str.to_uppercase().str.replace_all(r"[\s-]", "")
    )
    known = texts["vin"].is_in(fleet.implode())
    digits = check_digits(texts["vin"])
    sound = (digits == texts["vin"].str.slice(8, 1)).fill_null(value=False)
    # Only the faulty ones are looked at one by one, for the sentence.
    faulty = texts.filter(~(sound | known))["vin"].unique()
    problems = pl.DataFrame(
        {
            "vin": faulty,
            "problem": pl.Series([_as_clause(validate(vin)) for vin in faulty], dtype=pl.String),
        }
    )
    return texts.with_columns(known=known).join(problems, on="vin", how="left")


def _as_clause(problems: list[str]) -> str:
    return "is not a sound VIN: " + " ".join(problems).rstrip(".")
