"""Open, read and write the store file with short-lived connections.

DuckDB lets one process write a file or many read it, never both. So nobody keeps the file open:
a reader opens it read-only, asks, and closes; a writer waits its turn, writes one transaction and
closes. An open dashboard and a load therefore do not shut each other out.
"""

from __future__ import annotations

import re
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Any, Self, cast

import duckdb
import polars as pl

from fleetlog.errors import InputError, StoreBusy, StoreError, StoreVersionError
from fleetlog.settings import LOCK_WAIT_S, NAME_TECHNICIANS
from fleetlog.units import DISTANCE_UNITS, DistanceUnit

FIRST_WAIT_S = 0.005
LONGEST_WAIT_S = 0.25
MEMORY_LIMIT = "1400MB"


@dataclass(frozen=True)
class Migration:
    """One numbered step of the schema."""

    version: int
    name: str
    statements: str


def migrations() -> tuple[Migration, ...]:
    """Return the schema's steps in order of their number."""
    found = [
        Migration(int(match[1]), match[2], entry.read_text(encoding="utf-8"))
        for entry in (files("fleetlog.store") / "migrations").iterdir()
        if (match := re.fullmatch(r"(\d+)_(\w+)\.sql", entry.name))
    ]
    return tuple(sorted(found, key=lambda step: step.version))


def _is_locked(error: duckdb.Error) -> bool:
    """Tell whether another process, or a writer in this one, has the file just now."""
    text = str(error)
    return "Conflicting lock" in text or "different configuration" in text


def _holder(error: duckdb.Error) -> str:
    match = re.search(r"held in (\S+) \(PID (\d+)\)", str(error))
    return f"process {match[2]} ({match[1]})" if match else "another part of this process"


class Store:
    """A fleet's store in one file; make it with :meth:`create` or :meth:`open`.

    An instance holds no connection: use :meth:`read` and :meth:`write` for each piece of work.
    """

    def __init__(
        self, path: Path, distance_unit: DistanceUnit, currency: str, wait_s: float
    ) -> None:
        self.path = path
        self.distance_unit = distance_unit
        self.currency = currency
        self._wait_s = wait_s

    @classmethod
    def create(
        cls,
        path: str | Path,
        *,
        distance_unit: DistanceUnit = "mi",
        currency: str = "USD",
        wait_s: float = LOCK_WAIT_S.value,
    ) -> Self:
        """Make a new store file and return it.

        Parameters
        ----------
        path : where the file goes; nothing may be there yet.
        distance_unit : ``"mi"`` or ``"km"``, for every distance in the store, for good.
        currency : ISO 4217 code of every amount in the store.
        wait_s : seconds to wait for a file that another process holds.

        Raises
        ------
        StoreError : the path is taken, or cannot be written.
        InputError : the unit or the currency code is not one that we know the form of.
        """
        path = Path(path)
        if distance_unit not in DISTANCE_UNITS:
            raise InputError(f"distance unit {distance_unit!r}: choose 'mi' or 'km'")
        if not re.fullmatch(r"[A-Z]{3}", currency):
            raise InputError(
                f"currency {currency!r}: give the three capital letters of ISO 4217, as in 'USD'"
            )
        if path.exists():
            raise StoreError(f"{path} is there already: choose another path, or open that store")
        if not path.parent.is_dir():
            raise StoreError(f"the folder {path.parent} does not exist: make it first")
        # Built beside its place and renamed when whole, so that a crash leaves no half store.
        draft = path.with_name(f".{path.name}.new-{uuid.uuid4().hex}")
        try:
            with duckdb.connect(str(draft)) as connection:
                # One transaction: a commit for each table would wait for the disk each time.
                connection.execute("BEGIN").fetchall()
                _migrate(connection, have=0)
                connection.execute(
                    "INSERT INTO store_info BY NAME SELECT $unit AS distance_unit,"
                    " $currency AS currency, $now AS created_at, $named AS technicians_named",
                    {
                        "unit": distance_unit, "currency": currency, "now": _now(),
                        "named": bool(NAME_TECHNICIANS.value),
                    },
                ).fetchall()  # fmt: skip
                connection.execute("COMMIT").fetchall()
            draft.rename(path)
        except (duckdb.Error, OSError) as error:
            raise StoreError(f"{path} cannot be made: {_first_line(error)}") from error
        finally:
            draft.unlink(missing_ok=True)
            draft.with_name(draft.name + ".wal").unlink(missing_ok=True)
        return cls(path, distance_unit, currency, wait_s)

    @classmethod
    def open(cls, path: str | Path, *, wait_s: float = LOCK_WAIT_S.value) -> Self:
        """Open a store that exists, bringing an older schema up to date.

        Raises
        ------
        StoreError : there is no such file, or it is not a store.
        StoreVersionError : a newer fleetlog wrote it.
        StoreBusy : another process held it for longer than ``wait_s`` seconds.
        """
        path = Path(path)
        if path.is_dir():
            raise StoreError(f"{path} is a folder: name the store file inside it")
        if not path.exists():
            raise StoreError(f"no store at {path}: check the path, or make one with 'new-store'")
        store = cls(path, "mi", "USD", wait_s)
        with store.read() as connection:
            have = _schema_version(connection, path)
            unit, currency = connection.execute(
                "SELECT distance_unit, currency FROM store_info"
            ).fetchall()[0]
        newest = migrations()[-1].version
        if have > newest:
            raise StoreVersionError(
                f"{path} has schema version {have} and this fleetlog knows up to {newest}: "
                "upgrade fleetlog"
            )
        if have < newest:
            with store.write() as connection:
                _migrate(connection, have=_schema_version(connection, path))
        return cls(path, cast(DistanceUnit, unit), currency, wait_s)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """Nothing to release: connections are closed as soon as they have been used."""

    @contextmanager
    def read(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Give a read-only connection that cannot reach any other file."""
        connection = self._connect(read_only=True)
        try:
            connection.execute("SET enable_external_access = false").fetchall()
            yield connection
        finally:
            connection.close()

    @contextmanager
    def write(self, attach: Path | None = None) -> Iterator[duckdb.DuckDBPyConnection]:
        """Give a connection inside one transaction; leaving the block commits it.

        ``attach`` is a DuckDB file to read from, seen as the schema ``staging``. The revision
        rises by one with the commit; an exception in the block undoes everything.
        """
        connection = self._connect(read_only=False)
        try:
            if attach is not None:
                quoted = str(attach).replace("'", "''")
                connection.execute(f"ATTACH '{quoted}' AS staging (READ_ONLY)").fetchall()
            connection.execute("SET enable_external_access = false").fetchall()
            connection.execute("BEGIN").fetchall()
            try:
                yield connection
                connection.execute("UPDATE store_info SET revision = revision + 1").fetchall()
                connection.execute("COMMIT").fetchall()
            except BaseException:
                self._roll_back(connection)
                raise
        except duckdb.IOException as error:
            raise StoreError(
                f"{self.path} could not be written: {_first_line(error)}; nothing was changed"
            ) from error
        finally:
            connection.close()

    @staticmethod
    def _roll_back(connection: duckdb.DuckDBPyConnection) -> None:
        try:
            connection.execute("ROLLBACK").fetchall()
        except duckdb.TransactionException:
            # A failed COMMIT has rolled back already; there is then no transaction to end.
            return

    def revision(self) -> int:
        """Return the number of transactions that have changed the store since it was made."""
        with self.read() as connection:
            return int(connection.execute("SELECT revision FROM store_info").fetchall()[0][0])

    def technicians_named(self) -> bool:
        """Tell whether answers show who did a job; see `name_technicians`."""
        with self.read() as connection:
            asked = "SELECT technicians_named FROM store_info"
            return bool(connection.execute(asked).fetchall()[0][0])

    def name_technicians(self, *, named: bool) -> None:
        """Have every answer show who did a job, or none.

        Names are hidden, not taken out: they stay in the file, and in the words of an order where
        somebody wrote them there.
        """
        with self.write() as connection:
            connection.execute(
                "UPDATE store_info SET technicians_named = $named", {"named": named}
            ).fetchall()

    def frame(self, query: str, parameters: dict[str, Any] | None = None) -> pl.DataFrame:
        """Run one query on a connection of its own and return the rows as a frame."""
        with self.read() as connection:
            rows: pl.DataFrame = connection.sql(query, params=parameters or {}).pl()
            return rows

    def _connect(self, *, read_only: bool) -> duckdb.DuckDBPyConnection:
        deadline = time.monotonic() + self._wait_s
        wait = FIRST_WAIT_S
        while True:
            try:
                connection = duckdb.connect(str(self.path), read_only=read_only)
                break
            except (duckdb.IOException, duckdb.ConnectionException) as error:
                if not _is_locked(error):
                    raise StoreError(
                        f"{self.path} is not a fleetlog store: {_first_line(error)}"
                    ) from error
                if time.monotonic() >= deadline:
                    raise StoreBusy(
                        f"{self.path} is held by {_holder(error)}; waited {self._wait_s:g} s: "
                        "try again when it has finished"
                    ) from error
            except duckdb.Error as error:
                raise StoreError(
                    f"{self.path} is not a fleetlog store: {_first_line(error)}"
                ) from error
            # Jitter keeps waiting processes from asking in step with each other.
            time.sleep(wait * (0.5 + (uuid.uuid4().int % 1000) / 1000))
            wait = min(2 * wait, LONGEST_WAIT_S)
        connection.execute(f"SET memory_limit = '{MEMORY_LIMIT}'").fetchall()
        # Commands have a progress bar of their own.
        connection.execute("SET enable_progress_bar = false").fetchall()
        return connection


def _schema_version(connection: duckdb.DuckDBPyConnection, path: Path) -> int:
    try:
        rows = connection.execute("SELECT max(version) FROM schema_migration").fetchall()
    except duckdb.CatalogException as error:
        raise StoreError(
            f"{path} is a DuckDB file but not a fleetlog store: check the path"
        ) from error
    return int(rows[0][0])


def _migrate(connection: duckdb.DuckDBPyConnection, *, have: int) -> None:
    """Run the steps of the schema that come after version ``have``."""
    connection.execute(
        "CREATE TABLE IF NOT EXISTS schema_migration"
        " (version INTEGER PRIMARY KEY, name VARCHAR NOT NULL, applied_at TIMESTAMP NOT NULL)"
    ).fetchall()
    for step in migrations():
        if step.version > have:
            connection.execute(step.statements).fetchall()
            connection.execute(
                "INSERT INTO schema_migration VALUES ($version, $name, $now)",
                {"version": step.version, "name": step.name, "now": _now()},
            ).fetchall()


def _now() -> datetime:
    """Return the present moment in UTC, without a zone, as the store's columns are."""
    return datetime.now(UTC).replace(tzinfo=None, microsecond=0)


def _first_line(error: BaseException) -> str:
    return str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
