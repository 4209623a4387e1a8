"""Take a load back out, and list loads and the rows that were held."""

from __future__ import annotations

import getpass
from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from fleetlog.catalogue import load_catalogue
from fleetlog.errors import InputError
from fleetlog.intake.frames import run, set_variables
from fleetlog.intake.stored import TABLES_OF, same
from fleetlog.lives.build import rebuild
from fleetlog.sql import read_sql
from fleetlog.store import Store
from fleetlog.store.catalogue_tables import write_catalogue


@dataclass(frozen=True)
class UndoResult:
    """What was undone.

    load_id, kind, file_name : of the load that is gone.
    rows_removed : rows of the file that had been kept.
    vehicles_touched : vehicles whose lives were built anew.
    vehicles_without_family, orders_without_vehicle : what the store now refers to and no longer
        has; both take part in answers again once the missing list is loaded.
    """

    load_id: int
    kind: str
    file_name: str
    rows_removed: int
    vehicles_touched: int
    vehicles_without_family: int
    orders_without_vehicle: int


def undo_load(store: Store, load_id: int, undone_by: str | None = None) -> UndoResult:
    """Take out everything that a load brought; what it had superseded stands again.

    One transaction; the lives of the touched vehicles are rebuilt in it. Loads may be undone in
    any order. Linear in the rows of the load and of its tables.

    Raises
    ------
    InputError : there is no such load.
    """
    with store.write() as connection:
        found = connection.execute(read_sql("intake", "find_load"), {"load_id": load_id}).fetchall()
        if not found:
            raise InputError(f"there is no load {load_id}: list the loads to find its number")
        kind, file_name, sha256, rows_kept = found[0]
        set_variables(connection, {"load_id": load_id})
        run(connection, f"touch_{TABLES_OF[kind][-1].name}")
        for table in TABLES_OF[kind]:
            run(connection, "undo", table=table.name, same_key=same(table.key))
        run(connection, "forget_load")
        connection.execute(
            read_sql("intake", "insert_undone"),
            {
                "load_id": load_id,
                "kind": kind,
                "file_name": file_name,
                "sha256": sha256,
                "undone_at": datetime.now(UTC).replace(tzinfo=None, microsecond=0),
                "undone_by": undone_by or getpass.getuser(),
            },
        ).fetchall()
        write_catalogue(connection, load_catalogue())
        rebuild(connection, distance_unit=store.distance_unit)
        touched, no_family, no_vehicle = connection.execute(
            read_sql("intake", "count_undone")
        ).fetchall()[0]
    return UndoResult(load_id, kind, file_name, rows_kept, touched, no_family, no_vehicle)


def loads(store: Store) -> pl.DataFrame:
    """Return the loads that the store holds, the latest first.

    Columns: load_id, kind, file_name, loaded_at (UTC), loaded_by, rows_read, rows_kept,
    rows_held, rows_identical.
    """
    return store.frame(read_sql("intake", "loads"))


def held_reasons(store: Store, load_id: int | None = None) -> pl.DataFrame:
    """Return what is held still by what is wrong with it, the most frequent first.

    Columns: column, problem, remedy, rows, loads, first_row (file and row of the first one),
    first_value.
    """
    return store.frame(read_sql("intake", "held_reasons"), {"load_id": load_id})


def held_rows(store: Store, load_id: int | None = None) -> pl.DataFrame:
    """Return the rows that are held back, a row for each problem.

    Columns: load_id, file_name, sheet (of a workbook), file_row (within its sheet), column,
    value, problem, remedy, settled_by (the load that brought the row in after all, or holds it
    now), cells (the row as written, its cells parted by `` | ``).

    Parameters
    ----------
    load_id : all that one load held; None: what is held still, of a file that was loaded again
        only the last time.

    Raises
    ------
    InputError : there is no such load.
    """
    if load_id is not None and load_id not in loads(store)["load_id"]:
        raise InputError(f"there is no load {load_id}: list the loads to find its number")
    return store.frame(read_sql("intake", "held_rows"), {"load_id": load_id})
