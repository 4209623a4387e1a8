"""A small hand-made store for the lives: one V8 of two banks, one vehicle and more as asked."""

import os

# Workers share the cores among themselves: threads of their own would only wait for each other.
# Said before any of the libraries is imported.
if "PYTEST_XDIST_WORKER" in os.environ:
    os.environ.update(POLARS_MAX_THREADS="1", OPENBLAS_NUM_THREADS="1")

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import settings

from fleetlog import intake
from fleetlog.catalogue import EngineFamily, component_frame, load_catalogue, position_frame
from fleetlog.cli import main
from fleetlog.lives import rebuild
from fleetlog.sql import read_sql
from fleetlog.store import Store

# A push is told within minutes; --hypothesis-profile=thorough looks ten times as long. No deadline:
# a browser test beside it slows any example down.
settings.register_profile("every-run", max_examples=30, deadline=None)
settings.register_profile("thorough", max_examples=300, deadline=None)
settings.load_profile("every-run")

V8 = EngineFamily(
    code="v8",
    title="V8, two overhead camshafts a bank",
    cylinders=8,
    banks=2,
    cylinder_banks=(1, 1, 1, 1, 2, 2, 2, 2),
    intake_valves=2,
    exhaust_valves=2,
    camshafts_per_bank=2,
    camshaft_location="head",
    fuel="petrol",
    displacement_l=6.0,
)
START = date(2015, 1, 1)


@dataclass
class Records:
    """Collects records and writes them into a store in one go."""

    store: Store
    vehicles: list[dict] = field(default_factory=list)
    orders: list[dict] = field(default_factory=list)
    lines: list[dict] = field(default_factory=list)
    meters: list[dict] = field(default_factory=list)
    families: list[EngineFamily] = field(default_factory=lambda: [V8])

    def vehicle(self, vin: str = "0" * 17, **facts: object) -> str:
        row = {
            "load_id": 1, "file_row": len(self.vehicles) + 1, "vin": vin, "unit_no": None,
            "plate": None, "engine_family": "v8", "model_year": 2015, "duty": None, "depot": None,
            "in_service_on": START, "in_service_odometer": 0, "observed_from_on": None,
            "observed_from_odometer": None, "retired_on": None, "retired_odometer": None,
        } | facts  # fmt: skip
        row["observed_from_on"] = row["observed_from_on"] or row["in_service_on"]
        if row["observed_from_odometer"] is None:
            row["observed_from_odometer"] = row["in_service_odometer"]
        self.vehicles.append(row)
        return vin

    def order(self, vin: str, day: int, odometer: int | None, *lines: dict, **facts: object) -> int:
        ro_id = len(self.orders) + 1
        self.orders.append(
            {
                "load_id": 1, "file_row": ro_id, "ro_id": ro_id, "shop": "North Yard",
                "ro_no": str(ro_id), "vin": vin, "opened_on": START + timedelta(days=day),
                "closed_on": START + timedelta(days=day), "odometer": odometer, "fault_codes": [],
            }
            | facts
        )  # fmt: skip
        for line_no, line in enumerate(lines, 1):
            self.lines.append(
                {
                    "load_id": 1, "file_row": len(self.lines) + 1, "row_part": 1, "ro_id": ro_id,
                    "line_no": line_no, "bank": None, "cylinder": None, "side": None, "slot": None,
                    "action": "replaced", "reason": "failed", "failure_mode": None, "qty": None,
                    "part_maker": None, "part_lot": None, "coded_from": "columns",
                    "coding_confidence": 1.0,
                }
                | line
            )  # fmt: skip
        return ro_id

    def meter(self, vin: str, day: int, odometer: int) -> None:
        self.meters.append(
            {
                "load_id": 1, "file_row": len(self.meters) + 1, "vin": vin,
                "read_on": START + timedelta(days=day), "odometer": odometer, "source": "fuel",
            }
        )  # fmt: skip

    def build(self) -> Store:
        catalogue = load_catalogue()
        components = component_frame(catalogue)
        positions = position_frame(catalogue, self.families)
        families = [
            asdict(family) | {"load_id": 1, "file_row": row}
            for row, family in enumerate(self.families, 1)
        ]
        frames = {
            "component": components,
            "component_position": positions,
            "loaded_engine_family": families,
            "loaded_vehicle": self.vehicles,
            "loaded_repair_order": self.orders,
            "loaded_repair_line": self.lines,
            "loaded_meter": self.meters,
        }
        with self.store.write() as connection:
            for table, rows in frames.items():
                frame = (
                    rows
                    if isinstance(rows, pl.DataFrame)
                    else pl.DataFrame(rows, infer_schema_length=None)
                )
                if frame.height:
                    connection.register("incoming", frame)
                    connection.execute(f"INSERT INTO {table} BY NAME FROM incoming").fetchall()
                    connection.unregister("incoming")
            connection.execute("SET VARIABLE load_id = 1").fetchall()
            connection.execute(read_sql("intake", "commit_names")).fetchall()
            connection.execute(
                "CREATE TEMP TABLE touched_vehicle AS SELECT vin FROM vehicle"
            ).fetchall()
            rebuild(connection, distance_unit=self.store.distance_unit)
        return self.store


@pytest.fixture(scope="session")
def new_records(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], Records]:
    """Make empty records anywhere, for stores that several tests only read."""
    return lambda: Records(Store.create(tmp_path_factory.mktemp("records") / "fleet.fleetlog"))


@pytest.fixture
def records(tmp_path: Path) -> Records:
    return Records(Store.create(tmp_path / "fleet.fleetlog"))


@pytest.fixture(scope="module")
def shared_records(tmp_path_factory: pytest.TempPathFactory) -> Records:
    """Records that the tests of one module read and none changes."""
    return Records(Store.create(tmp_path_factory.mktemp("shared") / "fleet.fleetlog"))


SAMPLE = Path(__file__).parents[1] / "sample_data"
SAMPLE_FILES = (
    ("engine_families.csv", "engine-families", None),
    ("fleet_list.csv", "vehicles", "fleet_list.toml"),
    ("fuel_readings.csv", "meters", "fuel_readings.toml"),
    ("service_rules.csv", "service-rules", None),
    ("repairs_north_yard.csv", "repairs", "north_yard.toml"),
    ("repairs_river_shop.xlsx", "repairs", "river_shop.toml"),
)


CHROMIUM = Path("/usr/bin/chromium")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip what needs a browser where there is none; .ci/run demands one."""
    if CHROMIUM.exists() or os.environ.get("FLEETLOG_REQUIRE_BROWSER"):
        return
    skip = pytest.mark.skip(reason=f"no browser at {CHROMIUM}: install Debian's chromium")
    for item in items:
        if "browser" in item.keywords:
            item.add_marker(skip)


@pytest.fixture(scope="session")
def sample_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The committed sample fleet in a store, for the screens and the report."""
    path = tmp_path_factory.mktemp("sample") / "sample.fleetlog"
    store = Store.create(path)
    for name, kind, columns in SAMPLE_FILES:
        intake.load(store, SAMPLE / name, kind=kind, columns=SAMPLE / columns if columns else None)
    return path


@dataclass(frozen=True)
class Demo:
    """The demo as a newcomer runs it: what it printed and what it left behind."""

    folder: Path
    printed: str
    store: Store
    truth: dict


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    folder = tmp_path_factory.mktemp("demo") / "demo-fleet"
    done = subprocess.run(
        [sys.executable, "-m", "fleetlog", "demo", str(folder)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return Demo(
        folder,
        done.stdout,
        Store.open(folder / "demo.fleetlog"),
        json.loads((folder / "truth.json").read_text()),
    )


@dataclass(frozen=True)
class Done:
    returncode: int
    stdout: str
    stderr: str


@pytest.fixture
def run(capsys, monkeypatch):
    """Run a command as the shell would, but within this process: a start takes a second."""

    def run(*arguments, store=None):
        options = ["--store", str(store)] if store else []
        monkeypatch.setattr(sys, "argv", ["fleetlog", *map(str, arguments), *options])
        capsys.readouterr()
        try:
            main()
            code = 0
        except SystemExit as ended:
            code = ended.code or 0
        said = capsys.readouterr()
        return Done(code, said.out, said.err)

    return run
