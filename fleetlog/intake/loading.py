"""Load one file into a store: read, match, check, code, then one short transaction."""

from __future__ import annotations

import getpass
import json
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl

from fleetlog.catalogue import load_catalogue, position_frame
from fleetlog.errors import InputError
from fleetlog.intake.checking import Conventions, check
from fleetlog.intake.coding import code_columns, code_components, code_texts, read_torques
from fleetlog.intake.columns import REPAIR_KINDS, ColumnMap, MatchedColumns, kinds, match_columns
from fleetlog.intake.frames import filled, keep_frame, run, set_variables
from fleetlog.intake.raw_table import RawTable
from fleetlog.intake.reading import read_file
from fleetlog.intake.staging import Staging, staging_beside
from fleetlog.intake.stored import (
    LINE_FIELDS,
    REPAIR_LINE,
    REPAIR_ORDER,
    TABLES_OF,
    differs,
    listed,
    said_line_columns,
    said_order_columns,
    same,
)
from fleetlog.intake.vehicles import find_vehicles, look_up_vins
from fleetlog.lives.build import rebuild
from fleetlog.sql import read_sql
from fleetlog.store import Store
from fleetlog.store.catalogue_tables import engine_families, family_from, write_catalogue

Progress = Callable[[str, float], None]
_SHOWN = {"\n": "a line break", "\x1f": "the places of a JSON list"}


@dataclass(frozen=True)
class LoadResult:
    """What a load did; ``rows_read = rows_kept + rows_held + rows_identical``.

    load_id : of this load; where ``already_loaded``, of the earlier one.
    rows_kept : rows that brought something new.
    rows_held : rows held back; see :func:`held_rows`.
    rows_identical : rows that say nothing that the store, or an earlier row, has not said.
    orders_new, orders_changed : repair orders that came in or got a new version.
    lines_coded : kept lines by where their component was read: ``columns``, ``text``,
        ``nothing``.
    held_by_reason : (n,) frame of column, problem, rows; the most frequent first.
    notes : cells that were read otherwise than they were written.
    unmatched_columns : headings that no field was found for.
    remarks : sentences about how the file as a whole was read.
    seconds : the whole load took.
    already_loaded : the same file with the same map had been loaded and nothing of it is new:
        the store is as it was.
    """

    load_id: int
    kind: str
    file_name: str
    rows_read: int
    rows_kept: int
    rows_held: int
    rows_identical: int
    orders_new: int
    orders_changed: int
    lines_coded: Mapping[str, int]
    held_by_reason: pl.DataFrame
    notes: int
    unmatched_columns: tuple[str, ...]
    remarks: tuple[str, ...]
    seconds: float
    already_loaded: bool


class _NothingNew(Exception):
    """Ends the transaction of a file that was loaded before and brings nothing."""


@dataclass(frozen=True)
class _File:
    """A file as it was read and matched."""

    name: str
    kind: str
    raw: RawTable
    matched: MatchedColumns
    conventions: Conventions
    column_map: ColumnMap
    loaded_by: str
    corrects: int | None


def load(
    store: Store,
    path: str | Path,
    *,
    kind: str,
    columns: str | Path | ColumnMap | None = None,
    progress: Progress | None = None,
    loaded_by: str | None = None,
) -> LoadResult:
    """Load a file of records into the store.

    The file is read, checked and coded in scratch files beside the store, which others can use
    meanwhile; what is new goes in as one transaction, and the lives of the touched vehicles are
    rebuilt in it. Linear in the rows of the file, but for sorting.

    Parameters
    ----------
    store : where the rows go.
    path : a CSV file of any common layout, an XLSX workbook or a Parquet file.
    kind : ``"engine-families"``, ``"vehicles"``, ``"repairs"``, ``"orders"`` and
        ``"order-lines"`` (repairs whose orders and lines stand in files apart), ``"meters"``,
        ``"service-rules"`` or ``"torques"``.
    columns : a column map or the path of one; None matches the headings by their usual names.
    progress : is told which step begins and about what share of the time is behind.
    loaded_by : who loads; by default the user of the computer.

    Raises
    ------
    InputError : the file or the map cannot be used; the store is as it was.
    StoreBusy, StoreError : the store cannot be written; it is as it was.
    """
    path = Path(path)
    if kind not in kinds():
        raise InputError(f"kind {kind!r}: choose one of {', '.join(kinds())}")
    column_map = _column_map(columns, kind)

    def read(
        scratch: duckdb.DuckDBPyConnection, staging: Staging
    ) -> tuple[RawTable, MatchedColumns]:
        raw = read_file(scratch, staging, path, kind=kind, column_map=column_map)
        return raw, match_columns(kind, raw.headings, column_map, file_name=path.name)

    return bring_in(
        store,
        read,
        name=path.name,
        kind=kind,
        column_map=column_map,
        progress=progress,
        loaded_by=loaded_by,
    )


def bring_in(
    store: Store,
    read: Callable[[duckdb.DuckDBPyConnection, Staging], tuple[RawTable, MatchedColumns]],
    *,
    name: str,
    kind: str,
    column_map: ColumnMap,
    progress: Progress | None = None,
    loaded_by: str | None = None,
    corrects: int | None = None,
) -> LoadResult:
    """Check, code and commit what ``read`` puts into the scratch database; see :func:`load`.

    Where the rows are corrected ones of an earlier load, ``corrects`` is its number, and ``read``
    leaves the table ``corrected`` (file_row, "column", was, became) beside the cells.
    """
    began = time.monotonic()
    tell = progress or _silent
    with staging_beside(store.path, file_name=name) as staging:
        with staging.connect() as scratch:
            tell("reading", 0.0)
            raw, matched = read(scratch, staging)
            if (
                kind in (*REPAIR_KINDS, "torques")
                and "shop" not in matched.columns
                and not column_map.shop
            ):
                raise InputError(
                    f'{name}: no column names the shop: say shop = "..." in a column map'
                )
            tell("checking", 0.15)
            conventions = check(
                scratch,
                raw,
                matched,
                kind=kind,
                column_map=column_map,
                store_unit=store.distance_unit,
                file_name=name,
                today=datetime.now().date() + timedelta(days=1),
            )
            _look_up(scratch, store, kind)
            tell("coding", 0.25)
            _prepare(scratch, kind, raw)
        tell("writing", 0.45)
        file = _File(
            name,
            kind,
            raw,
            matched,
            conventions,
            column_map,
            loaded_by or getpass.getuser(),
            corrects,
        )
        result = _commit(store, staging, file)
    return replace(result, seconds=time.monotonic() - began)


def _silent(_step: str, _share: float) -> None:
    """Tell nobody."""


def _column_map(columns: str | Path | ColumnMap | None, kind: str) -> ColumnMap:
    if columns is None:
        return ColumnMap()
    column_map = columns if isinstance(columns, ColumnMap) else ColumnMap.read(columns)
    if column_map.kind is not None and column_map.kind != kind:
        raise InputError(f"the column map is for {column_map.kind}, not for {kind}: use its kind")
    return column_map


def _look_up(scratch: duckdb.DuckDBPyConnection, store: Store, kind: str) -> None:
    """Copy what the checks need to know from the store."""
    with store.read() as connection:
        families = engine_families(connection)
        vehicles = connection.sql(read_sql("intake", "fleet")).pl()
        numbers = _numbers(scratch) if kind in ("torques", "order-lines") else []
        orders = connection.sql(read_sql("intake", "orders"), params={"numbers": numbers}).pl()
    catalogue = load_catalogue()
    keep_frame(
        scratch,
        "known_family",
        pl.DataFrame(
            {
                "code": [family.code for family in families],
                "cylinders": [family.cylinders for family in families],
                "banks": [family.banks for family in families],
                "cylinder_banks": [list(family.cylinder_banks) for family in families],
            },
            schema={
                "code": pl.String,
                "cylinders": pl.Int32,
                "banks": pl.Int32,
                "cylinder_banks": pl.List(pl.Int32),
            },
        ),
    )
    keep_frame(scratch, "known_vehicle", vehicles)
    if kind == "vehicles":
        look_up_vins(scratch)
    elif kind in ("meters", *REPAIR_KINDS):
        find_vehicles(scratch)
    if kind in REPAIR_KINDS:
        fit = position_frame(catalogue, families).select("engine_family", "component").unique()
        keep_frame(scratch, "known_fit", fit)
    if kind in (*REPAIR_KINDS, "torques"):
        keep_frame(scratch, "known_order", orders)
    if kind == "service-rules":
        keep_frame(
            scratch,
            "known_component",
            pl.DataFrame(
                {
                    "code": list(catalogue.components),
                    "safety_critical": [
                        part.safety_critical for part in catalogue.components.values()
                    ],
                }
            ),
        )


def _numbers(scratch: duckdb.DuckDBPyConnection) -> list[str]:
    """Return the distinct order numbers of the file."""
    found: list[str] = scratch.sql(filled("distinct", column="ro_no")).pl()["written"].to_list()
    return found


def _prepare(scratch: duckdb.DuckDBPyConnection, kind: str, raw: RawTable) -> None:
    """Check across fields, code, and settle which rows stand."""
    catalogue = load_catalogue()
    if kind in REPAIR_KINDS:
        code_columns(scratch, catalogue)
        code_texts(scratch, catalogue)
    elif kind == "service-rules":
        code_components(scratch, catalogue)
    elif kind == "torques":
        read_torques(scratch)
    set_variables(scratch, {"kind": kind})
    run(scratch, "repairs" if kind in REPAIR_KINDS else kind)
    if kind == "engine-families":
        _check_families(scratch)
    if kind in REPAIR_KINDS:
        run(
            scratch,
            "settle_orders" if kind == "orders" else "settle_repairs",
            columns=listed(
                [
                    *(name for name in REPAIR_ORDER.values if name not in ("shop", "ro_no")),
                    *(LINE_FIELDS.get(name, name) for name in REPAIR_LINE.values),
                ]
            ),
        )
        run(scratch, "note_repairs")
        run(scratch, "fresh", source=raw.source, file_row=raw.file_row)
        run(scratch, "fresh_repairs", lines="WHERE false" if kind == "orders" else "")
    else:
        table = TABLES_OF[kind][0]
        run(
            scratch,
            "settle_keyed",
            key=listed(table.key),
            first_key=table.key[0],
            columns=listed(table.columns),
        )
        run(scratch, "note_vehicles" if kind in ("meters", "vehicles") else "note_nothing")
        run(scratch, "fresh", source=raw.source, file_row=raw.file_row)


def _check_families(scratch: duckdb.DuckDBPyConnection) -> None:
    """Hold the engine families whose numbers contradict each other; there are few of them."""
    problems = {}
    for row in scratch.sql(read_sql("intake", "sound_families")).pl().to_dicts():
        try:
            family_from(row)
        except InputError as error:
            problems[row["file_row"]] = str(error).rstrip(".")
    keep_frame(
        scratch,
        "family_problem",
        pl.DataFrame(
            {"file_row": list(problems), "problem": list(problems.values())},
            schema={"file_row": pl.Int64, "problem": pl.String},
        ),
    )
    run(scratch, "hold_families")


def _commit(store: Store, staging: Staging, file: _File) -> LoadResult:
    """Compare with the store and write what is new, in one transaction."""
    used_map = json.dumps(
        {
            **asdict(file.column_map),
            **asdict(file.conventions),
            "columns": {name: file.matched.heading(name) for name in file.matched.columns},
            "places": dict(file.matched.columns),
        },
        sort_keys=True,
    )
    earlier: list[tuple[int]] = []
    try:
        with store.write(attach=staging.database) as connection:
            load_id: int = connection.execute(read_sql("intake", "next_load")).fetchall()[0][0]
            set_variables(connection, {"load_id": load_id, "first_row": file.raw.first_row})
            _write_rows(connection, file)
            result = _result(connection, file, load_id)
            earlier = connection.execute(
                read_sql("intake", "earlier_load"),
                {"kind": file.kind, "sha256": file.raw.sha256, "column_map": used_map},
            ).fetchall()
            if result.rows_kept == 0 and (earlier or _is_untouched(connection, file)):
                raise _NothingNew
            connection.execute(
                read_sql("intake", "insert_load"),
                {
                    "load_id": load_id,
                    "kind": file.kind,
                    "file_name": file.name,
                    "sha256": file.raw.sha256,
                    "loaded_at": datetime.now(UTC).replace(tzinfo=None, microsecond=0),
                    "loaded_by": file.loaded_by,
                    "headings": list(file.raw.headings),
                    "column_map": used_map,
                    "rows_read": result.rows_read,
                    "rows_kept": result.rows_kept,
                    "rows_held": result.rows_held,
                    "rows_identical": result.rows_identical,
                    "corrects": file.corrects,
                    "sheets": [asdict(sheet) for sheet in file.raw.sheets] or None,
                },
            ).fetchall()
            if file.corrects is not None:
                _settle(connection, file)
            write_catalogue(connection, load_catalogue())
            rebuild(connection, distance_unit=store.distance_unit)
    except _NothingNew:
        number = earlier[0][0] if earlier else file.corrects or load_id
        return replace(result, load_id=number, already_loaded=True)
    return result


def _is_untouched(connection: duckdb.DuckDBPyConnection, file: _File) -> bool:
    """Say whether rows that were held came back just as they were."""
    if file.corrects is None:
        return False
    changed = connection.execute(read_sql("intake", "any_corrected")).fetchall()
    return not changed[0][0]


def _settle(connection: duckdb.DuckDBPyConnection, file: _File) -> None:
    """Mark the rows that were held as brought in, and keep what was changed in them."""
    set_variables(connection, {"corrects": file.corrects})
    connection.execute(
        read_sql("intake", "settle_held"),
        {
            "corrected_by": file.loaded_by,
            "corrected_at": datetime.now(UTC).replace(tzinfo=None, microsecond=0),
        },
    ).fetchall()


def _write_rows(connection: duckdb.DuckDBPyConnection, file: _File) -> None:
    """Insert the new rows and leave ``kept_row`` and ``touched_vehicle`` behind."""
    if file.kind in REPAIR_KINDS:
        # The words beside a line are not those of its order.
        said_order = () if file.kind == "order-lines" else said_order_columns(file.matched)
        said_line = said_line_columns(file.matched)
        run(
            connection,
            "commit_repairs",
            order_carried=", ".join(
                f"f.{name}"
                if name in said_order or name in ("shop", "ro_no")
                # Where the file has no such column, what an earlier file said stays.
                else f"CASE WHEN v.known THEN s.{name} ELSE f.{name} END AS {name}"
                for name in REPAIR_ORDER.values
            ),
            order_differs=differs([name for name in said_order if name != "odometer_written"]),
            line_content=listed(said_line, "f.") or "0",
            line_carried=", ".join(_line_carried(name, said_line) for name in REPAIR_LINE.values),
        )
    else:
        table = TABLES_OF[file.kind][0]
        run(
            connection,
            "commit_keyed" if table.values else "commit_meters",
            table=table.name,
            columns=listed(table.columns, "f."),
            same_key=same(table.key),
            differs=differs(table.values),
        )
    run(connection, f"touch_{TABLES_OF[file.kind][-1].name}")
    run(connection, "commit_names")
    run(
        connection,
        "commit_source",
        cells=listed([f"c{place}" for place in range(len(file.raw.headings))]),
    )


def _line_carried(name: str, said: tuple[str, ...]) -> str:
    """Return the expression for a column of a line that is new or changes."""
    if name == "description" and name in said:
        # A code in place of words says what they mean; the words stay.
        return (
            "CASE WHEN f.description = f.component THEN coalesce(s.description, f.description) "
            "ELSE f.description END AS description"
        )
    return f"f.{name}" if name in said else f"coalesce(s.{name}, f.{name}) AS {name}"


def _result(connection: duckdb.DuckDBPyConnection, file: _File, load_id: int) -> LoadResult:
    """Count what the transaction has written so far."""
    kept, held, notes = connection.execute(read_sql("intake", "count_load")).fetchall()[0]
    orders_new, orders_changed = 0, 0
    if file.kind in REPAIR_KINDS:
        orders_new, orders_changed = connection.execute(
            read_sql("intake", "count_orders")
        ).fetchall()[0]
    coded = connection.execute(read_sql("intake", "count_coded")).fetchall()
    rows_read = file.raw.rows + file.raw.rejected
    return LoadResult(
        load_id=load_id,
        kind=file.kind,
        file_name=file.name,
        rows_read=rows_read,
        rows_kept=kept,
        rows_held=held,
        rows_identical=rows_read - kept - held,
        orders_new=orders_new,
        orders_changed=orders_changed,
        lines_coded={"columns": 0, "text": 0, "nothing": 0, **dict(coded)},
        held_by_reason=connection.sql(read_sql("intake", "held_by_reason")).pl(),
        notes=notes,
        unmatched_columns=file.matched.unmatched,
        remarks=(*_remarks(file), *_doubts(connection, file)),
        seconds=0.0,
        already_loaded=False,
    )


def _doubts(connection: duckdb.DuckDBPyConnection, file: _File) -> tuple[str, ...]:
    """Say which torques look as if inch-pounds and foot-pounds were mixed up."""
    if file.kind != "torques":
        return ()
    count: int = connection.execute(read_sql("intake", "doubted_torques")).fetchall()[0][0]
    if not count:
        return ()
    torques = "1 torque is" if count == 1 else f"{count} torques are"
    return (
        f"{torques} about twelve times others of that fastener and engine family, or a twelfth: "
        "inch-pounds and foot-pounds may have been mixed up; kept as written, and "
        "fleetlog vehicle shows which",
    )


def _remarks(file: _File) -> tuple[str, ...]:
    """Say how the file was read where neither its map nor the store's habit decided."""
    said, found = file.column_map, file.conventions
    remarks = list(file.raw.remarks)
    if said.date_order is None and found.date_order == "each":
        remarks.append(
            "dates are written with the day first and with the month first: each that can be read "
            "in only one way was read so, and the others were held"
        )
    if said.date_order is None and found.date_order in ("dmy", "mdy"):
        first = "day" if found.date_order == "dmy" else "month"
        remarks.append(f"dates were read with the {first} first, as the file itself shows")
    if said.list_mark is None and found.list_mark is not None:
        remarks.append(
            f"cells of {file.matched.heading('component')!r} list several parts, parted by "
            f"{_SHOWN.get(found.list_mark, repr(found.list_mark))}: each became a line of its order"
        )
    if said.decimal_mark is None and found.decimal_mark == ",":
        remarks.append("numbers were read with a decimal comma, as the file itself shows")
    return tuple(remarks)
