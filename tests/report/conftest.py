"""The sample fleet in a store, loaded once for all tests of the report."""

from pathlib import Path

import pytest

from fleetlog import intake
from fleetlog.store import Store

SAMPLE = Path(__file__).parents[2] / "sample_data"
FILES = (
    ("engine_families.csv", "engine-families", None),
    ("fleet_list.csv", "vehicles", "fleet_list.toml"),
    ("fuel_readings.csv", "meters", "fuel_readings.toml"),
    ("service_rules.csv", "service-rules", None),
    ("repairs_north_yard.csv", "repairs", "north_yard.toml"),
    ("repairs_river_shop.xlsx", "repairs", "river_shop.toml"),
)


@pytest.fixture(scope="session")
def sample_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sample") / "sample.fleetlog"
    store = Store.create(path)
    for name, kind, columns in FILES:
        intake.load(store, SAMPLE / name, kind=kind, columns=SAMPLE / columns if columns else None)
    return path
