"""A small fleet to load records into, and the whole state of a store for comparing."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from fleetlog import intake
from fleetlog.store import Store
from fleetlog.vin import check_digit

FAMILIES = """\
code,title,cylinders,banks,cylinder_banks,intake_valves,exhaust_valves,camshafts_per_bank,camshaft_location,fuel,displacement_l
V8,V8 petrol,8,2,1 1 1 1 2 2 2 2,2,2,2,head,petrol,5.1
D6,Six diesel,6,1,,2,2,1,head,diesel,7.1
"""
# What changes from load to load without being a record.
NOT_RECORDS = ("store_info", "undone_load", "schema_migration")
# A number that each building gives anew; test_intake_finding.py looks at it.
NO_RECORD = "built_no"


def sound_vin(number: int) -> str:
    stem = f"GZ7VAPE10FF{number:06d}"
    return stem[:8] + check_digit(stem) + stem[9:]


VINS = tuple(sound_vin(number) for number in range(1, 6))


def state_of(store: Store) -> dict[str, pl.DataFrame]:
    with store.read() as connection:
        tables = connection.sql(
            "SELECT table_name FROM duckdb_tables() WHERE NOT temporary ORDER BY table_name"
        ).pl()["table_name"]
        return {
            table: connection.sql(
                f"SELECT COLUMNS(lambda name: name <> '{NO_RECORD}') FROM {table} ORDER BY ALL"
            ).pl()
            for table in tables
            if table not in NOT_RECORDS
        }


def differing_tables(before: dict[str, pl.DataFrame], after: dict[str, pl.DataFrame]) -> list[str]:
    return [table for table in before if not before[table].equals(after[table])]


@pytest.fixture(scope="session")
def fleet_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet")
    (folder / "families.csv").write_text(FAMILIES)
    rows = [
        f"{vin},U{place},PL {place},{'D6' if place == 5 else 'V8'},2015,2015-03-0{place}"
        for place, vin in enumerate(VINS, start=1)
    ]
    (folder / "vehicles.csv").write_text(
        "vin,unit_no,plate,engine_family,model_year,in_service_on\n" + "\n".join(rows) + "\n"
    )
    store = Store.create(folder / "fleet.fleetlog", distance_unit="mi")
    intake.load(store, folder / "families.csv", kind="engine-families")
    intake.load(store, folder / "vehicles.csv", kind="vehicles")
    return store.path


@pytest.fixture
def store(fleet_file: Path, tmp_path: Path) -> Store:
    """A store of its own with two engine families and five vehicles (the fifth is the diesel)."""
    return Store.open(shutil.copy(fleet_file, tmp_path / "own.fleetlog"))


@pytest.fixture
def vins() -> tuple[str, ...]:
    return VINS


@pytest.fixture
def state() -> Callable[[Store], dict[str, pl.DataFrame]]:
    return state_of


@pytest.fixture
def differing() -> Callable[[dict[str, pl.DataFrame], dict[str, pl.DataFrame]], list[str]]:
    return differing_tables


@pytest.fixture
def load_rows(tmp_path: Path, store: Store) -> Callable[..., intake.LoadResult]:
    """Load repair rows given as dicts; the columns are the union of their keys."""

    def load(
        rows: list[dict[str, object]],
        *,
        name: str = "repairs.csv",
        columns: intake.ColumnMap | None = None,
        kind: str = "repairs",
        into: Store = store,
    ) -> intake.LoadResult:
        path = tmp_path / name
        headings = list(dict.fromkeys(key for row in rows for key in row))
        texts = {
            heading: [None if row.get(heading) is None else str(row[heading]) for row in rows]
            for heading in headings
        }
        pl.DataFrame(texts, schema=dict.fromkeys(headings, pl.String)).write_csv(path)
        return intake.load(into, path, kind=kind, columns=columns)

    return load


@pytest.fixture
def row(vins: tuple[str, ...]) -> Callable[..., dict[str, object]]:
    """A sound repair row, with what is given changed; None leaves the cell empty."""

    def make(**changes: object) -> dict[str, object]:
        sound = {
            "shop": "North Yard",
            "ro_no": "N1",
            "vin": vins[0],
            "opened_on": "2021-03-04",
            "odometer": "84120",
            "component": "Lifter",
            "position": "cyl 3 intake 1",
            "action": "Replaced",
            "reason": "Failed",
            "failure_mode": "collapsed",
            "part_maker": "Quellmar",
        }
        return {**sound, **changes}

    return make
