"""The scratch database beside the store in which a load is read, checked and coded."""

from __future__ import annotations

import errno
import os
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from shutil import rmtree

import duckdb

from fleetlog.errors import StoreError

MEMORY_LIMIT = "1200MB"
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


@dataclass(frozen=True)
class Staging:
    """Paths of one load's scratch files; all share a stem that names the process."""

    database: Path

    @property
    def text(self) -> Path:
        """Where a text file goes that has to be rewritten before DuckDB can read it."""
        return self.database.with_name(self.database.name + ".csv")

    @property
    def spill(self) -> Path:
        """Where DuckDB puts what does not fit in memory."""
        return self.database.with_name(self.database.name + ".spill")

    @contextmanager
    def connect(self) -> Iterator[duckdb.DuckDBPyConnection]:
        """Give a connection to the scratch database and close it."""
        with duckdb.connect(str(self.database)) as connection:
            connection.execute(f"SET memory_limit = '{MEMORY_LIMIT}'").fetchall()
            connection.execute("SET preserve_insertion_order = true").fetchall()
            connection.execute("SET enable_progress_bar = false").fetchall()
            spill = str(self.spill).replace("'", "''")
            connection.execute(f"SET temp_directory = '{spill}'").fetchall()
            yield connection

    def remove(self) -> None:
        """Delete every scratch file."""
        for path in self.database.parent.glob(f"{glob_safe(self.database.name)}*"):
            _remove(path)


@contextmanager
def staging_beside(store_path: Path, *, file_name: str) -> Iterator[Staging]:
    """Give a place for scratch files beside the store and remove it whatever happens.

    Files that a killed process left are removed first.
    """
    prefix = f".{store_path.name}.staging-"
    for path in store_path.parent.glob(f"{glob_safe(prefix)}*"):
        owner = re.match(re.escape(prefix) + r"(\d+)-", path.name)
        if owner and not _is_running(int(owner[1])):
            _remove(path)
    staging = Staging(store_path.with_name(f"{prefix}{os.getpid()}-{secrets.randbelow(10**9):09d}"))
    try:
        yield staging
    except duckdb.OutOfMemoryException as error:
        raise StoreError(
            f"{file_name} needs more memory than fleetlog allows itself "
            f"({str(error).splitlines()[0]}); {store_path} is as it was: load the file in parts"
        ) from error
    except (duckdb.OperationalError, duckdb.FatalException) as error:
        raise StoreError(
            f"{file_name}: {store_path} or the scratch files beside it could not be written: "
            f"{str(error).splitlines()[0]}; nothing was changed: make room on the disk"
        ) from error
    except OSError as error:
        if error.errno not in NO_ROOM:
            raise
        raise StoreError(
            f"{file_name}: the scratch files beside {store_path} could not be written: "
            f"{error.strerror}; "
            "nothing was changed: make room on the disk"
        ) from error
    finally:
        staging.remove()


def glob_safe(name: str) -> str:
    """Return a pattern that matches just this name or path."""
    return re.sub(r"([*?\[])", r"[\1]", name)


def _remove(path: Path) -> None:
    if path.is_dir():
        rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def _is_running(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
