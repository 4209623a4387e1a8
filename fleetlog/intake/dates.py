"""In which order the dates of a file have their day and month."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from fleetlog.intake.frames import run
from fleetlog.sql import read_sql


@dataclass(frozen=True)
class DateOrder:
    """What the dates of a file tell of the order of day and month.

    day_first, month_first : distinct dates that can only be read so. either : those that can be
    read both ways, and an ``example`` of them.
    """

    day_first: int
    month_first: int
    either: int
    example: str | None

    @property
    def mixed(self) -> bool:
        """Whether the file writes dates in both orders."""
        return bool(self.day_first and self.month_first)

    @property
    def settled(self) -> str | None:
        """The one order in which all dates can be read; None where it is open or mixed."""
        if self.mixed:
            return None
        if self.day_first or self.month_first:
            return "dmy" if self.day_first else "mdy"
        return None if self.either else "ymd"


def find_date_order(connection: duckdb.DuckDBPyConnection, columns: Sequence[str]) -> DateOrder:
    """Take the distinct texts of these columns of ``cell`` apart and see what order they have.

    Leaves the tables ``date_text`` and ``date_part`` for the script ``date_values``.
    """
    run(connection, "date_cells", dates=", ".join(columns) or "NULL::VARCHAR")
    run(connection, "date_texts")
    return DateOrder(*connection.execute(read_sql("intake", "date_order")).fetchall()[0])
