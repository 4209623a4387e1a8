"""Build lives from the records of the vehicles that a load has touched."""

import duckdb

from fleetlog.settings import (
    MAX_DAILY_MILES,
    SAME_JOB_DAYS,
    SAME_JOB_PERHAPS,
    SAME_JOB_SURELY,
    TRIP_METER_MILES,
)
from fleetlog.sql import read_sql
from fleetlog.units import DistanceUnit, convert_distance

# Each step with the scratch tables that nobody needs after it: a fleet of a million vehicles
# leaves no room for those that have served. Readings are voted on twice: the second time those
# of meters that turned out to have been changed.
STEPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("clear", ()),
    ("readings", ()),
    ("votes", ("unvoted_reading",)),
    ("swaps", ("levelled_reading", "level")),
    ("votes", ("unvoted_reading",)),
    ("meters", ()),
    ("spans", ()),
    ("orders", ("expected_pace", "anchor", "numbered_vehicle")),
    ("order_pairs", ()),
    ("order_links", ("link_weight", "paired_order", "paired_line", "scored_pair")),
    ("events", ("order_pair", "told_line", "dated_order", "named_group")),
    ("lives", (
        "watched", "asked_line", "placed_line", "mark", "fitted", "shared_life", "last_good",
    )),
)  # fmt: skip


def rebuild(connection: duckdb.DuckDBPyConnection, *, distance_unit: DistanceUnit) -> None:
    """Rebuild meters, spans, events and lives of the vehicles in the temporary ``touched_vehicle``.

    Runs inside the caller's transaction, so that records and lives change together. The cost
    grows as n log n in the rows of the touched vehicles, and not with the size of the store but
    for one scan of it.
    """
    for variable, miles in (("max_daily", MAX_DAILY_MILES), ("trip_meter", TRIP_METER_MILES)):
        distance = convert_distance(miles.value, "mi", distance_unit)
        connection.execute(f"SET VARIABLE {variable} = {distance!r}").fetchall()
    for variable, setting in (
        ("link_days", SAME_JOB_DAYS),
        ("link_surely", SAME_JOB_SURELY),
        ("link_perhaps", SAME_JOB_PERHAPS),
    ):
        connection.execute(f"SET VARIABLE {variable} = {setting.value!r}").fetchall()
    # Rows are found by value and never by place; keeping their order would hold them in memory.
    connection.execute("SET preserve_insertion_order = false").fetchall()
    for step, served in STEPS:
        # Most loads of a few orders have no pair: to score none takes a quarter of their time.
        if step == "order_links" and not _has_pairs(connection):
            continue
        connection.execute(read_sql("lives", step)).fetchall()
        for table in served:
            connection.execute(f"DROP TABLE {table}").fetchall()


def _has_pairs(connection: duckdb.DuckDBPyConnection) -> bool:
    return bool(connection.execute("SELECT count(*) > 0 FROM order_pair").fetchall()[0][0])
