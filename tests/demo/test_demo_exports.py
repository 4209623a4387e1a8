"""The written files: readable as the maps say, as dirty as the truth says, the same every time."""

import json
import re
import subprocess
import sys
import time
import tomllib
import zipfile
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from fleetlog.demo import exports, simulate, simulation
from fleetlog.demo.parameters import ALL_PARTS, DIRT, FAMILIES, SHOPS
from fleetlog.demo.sample import write_sample
from fleetlog.errors import InputError

SAMPLE = Path(__file__).parents[2] / "sample_data"
SHOP_FILES = {
    "north_yard": "repairs_north_yard.csv",
    "river_shop": "repairs_river_shop.xlsx",
    "hill_shop": "repairs_hill_shop.csv",
}
KM_PER_MILE = 1.609344  # NIST SP 811


def read_shop(folder, slug):
    """A shop's export as text, read as its map says, with canonical headings."""
    told = tomllib.loads((folder / f"{slug}.toml").read_text(encoding="utf-8"))
    path = folder / SHOP_FILES[slug]
    if path.suffix == ".xlsx":
        frame = pl.read_excel(
            path,
            sheet_name=told["sheet"],
            infer_schema_length=0,
            read_options={"header_row": told["header_row"] - 1},
        )
    else:
        frame = pl.read_csv(
            path,
            separator=told.get("delimiter", ","),
            infer_schema=False,
            encoding=told.get("encoding", "utf8"),
        )
    back = {heading: field for field, heading in told["columns"].items()}
    assert set(frame.columns) == set(back)
    first = told.get("header_row", 1) + 1
    return frame.rename(back).with_columns(file_row=pl.int_range(first, pl.len() + first))


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fleet")
    started = time.perf_counter()
    truth = simulate(folder)
    return folder, truth, time.perf_counter() - started


@pytest.fixture(scope="module")
def sheets(fleet):
    return {slug: read_shop(fleet[0], slug) for slug in SHOP_FILES}


@pytest.fixture(scope="module")
def spoilt(fleet):
    return pl.read_parquet(fleet[0] / "truth_rows.parquet")


def test_default_fleet_is_written_quickly(fleet):
    assert fleet[2] < 15


def test_every_file_is_named_in_the_truth(fleet):
    folder, truth, _ = fleet
    assert sorted(path.name for path in folder.iterdir()) == list(truth.files)
    told = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    assert told["planted"]["worn_shape"] == truth.planted.worn_shape
    assert told["dirt_rows"] == truth.dirt_rows


def test_counts_are_those_of_the_files(fleet, sheets):
    _, truth, _ = fleet
    assert truth.lines_by_file == {SHOP_FILES[s]: frame.height for s, frame in sheets.items()}
    assert truth.lines == sum(frame.height for frame in sheets.values())
    assert 25 <= truth.lines / truth.vehicles <= 45


def test_fleet_list_vins(fleet):
    """Check digits by the table and weights of 49 CFR 565.15(c), typed in here."""
    vehicles = pl.read_csv(fleet[0] / "fleet_list.csv")
    values = dict(
        zip(
            "ABCDEFGHJKLMNPRSTUVWXYZ0123456789",
            [
                1,
                2,
                3,
                4,
                5,
                6,
                7,
                8,
                1,
                2,
                3,
                4,
                5,
                7,
                9,
                2,
                3,
                4,
                5,
                6,
                7,
                8,
                9,
                0,
                1,
                2,
                3,
                4,
                5,
                6,
                7,
                8,
                9,
            ],
            strict=True,
        )
    )
    weights = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2]
    vins = vehicles["VIN"].to_list()
    for vin in vins:
        total = sum(values[c] * w for c, w in zip(vin, weights, strict=True))
        assert vin[8] == "0123456789X"[total % 11]
        # ISO 3780 leaves the whole of G to no country.
        assert vin.startswith("G")
    assert len({vin[-6:] for vin in vins}) == len(vins) == 450
    assert vehicles["Unit"].n_unique() == vehicles["License plate"].n_unique() == 450


def test_fleet_has_all_histories(fleet):
    vehicles = pl.read_csv(fleet[0] / "fleet_list.csv", try_parse_dates=True)
    later = vehicles.filter(pl.col("On our books since") > pl.col("In service"))
    assert later.height > 60
    assert (later["Mi when booked in"] > later["In service mi"]).all()
    assert vehicles["Sold/retired"].count() > 40
    assert vehicles["Engine family"].n_unique() == len(FAMILIES)
    assert vehicles["On our books since"].min() >= date(2017, 1, 1)
    last = vehicles["Sold/retired"].fill_null(date(2025, 12, 31))
    assert (last >= vehicles["On our books since"]).all()


@pytest.mark.parametrize("slug", list(SHOP_FILES))
def test_dirt_is_where_the_truth_says(fleet, sheets, spoilt, slug):
    folder, _, _ = fleet
    sheet = sheets[slug]
    listed = spoilt.filter(pl.col("file") == SHOP_FILES[slug]).join(
        sheet, on="file_row", how="left", suffix="_in_file"
    )
    known = set(pl.read_csv(folder / "fleet_list.csv")["VIN"])

    def rows(kind):
        return listed.filter(pl.col("kind") == kind)

    assert (listed["ro_no"] == listed["ro_no_in_file"]).all()
    slips = rows("vin_slip")
    assert (slips["vin_in_file"] != slips["true_vin"]).all()
    assert set(slips["true_vin"]) <= known
    assert not set(slips["vin_in_file"]) & known
    assert not set(rows("unknown_vin")["vin_in_file"]) & known
    # ... and nowhere else.
    strangers = sheet.filter(~pl.col("vin").is_in(list(known)))
    assert set(strangers["file_row"]) == set(slips["file_row"]) | set(
        rows("unknown_vin")["file_row"]
    )
    odometer = pl.col("odometer").cast(pl.Int64)
    assert set(sheet.filter(pl.col("odometer").is_null())["file_row"]) == set(
        rows("missing_odometer")["file_row"]
    )
    assert set(sheet.filter(odometer < 0)["file_row"]) == set(rows("negative_odometer")["file_row"])
    unit = KM_PER_MILE if slug == "hill_shop" else 1.0
    other = 1.0 if slug == "hill_shop" else KM_PER_MILE
    wrong = rows("wrong_distance_unit")
    written = wrong["odometer_in_file"].cast(pl.Int64)
    assert ((written - wrong["true_odometer"] * other).abs() <= 1).all()
    back = rows("reading_back")
    assert (back["odometer_in_file"].cast(pl.Int64) < back["true_odometer"] * unit - 4_000).all()
    repeated = sheet.filter(sheet.drop("file_row").is_duplicated())["file_row"]
    assert set(rows("duplicated_order")["file_row"]) <= set(repeated)
    assert set(sheet.filter(pl.col("component").is_null())["file_row"]) == set(
        rows("free_text_only")["file_row"]
    )
    assert (
        rows("free_text_only")
        .select(pl.col("correction").str.contains("(?i)replaced|repaired").all())
        .item()
    )
    place = "position" if slug == "river_shop" else "side"
    assert rows("no_position")[place].null_count() == rows("no_position").height > 0


def test_dirt_counts_add_up(fleet, spoilt):
    _, truth, _ = fleet
    counted = dict(spoilt.group_by("kind").len().rows())
    assert counted == truth.dirt_rows
    orders = truth.orders - truth.dirt_orders["duplicated_order"]
    for kind in ("vin_slip", "wrong_distance_unit", "missing_odometer"):
        expected = getattr(DIRT, kind) * orders
        assert abs(truth.dirt_orders[kind] - expected) < 5 * expected**0.5
    assert min(truth.dirt_orders.values()) >= 2
    assert len(truth.dirt_orders) == 11


def test_date_styles(sheets, spoilt):
    odd = {
        slug: set(
            spoilt.filter(
                (pl.col("kind") == "second_date_style") & (pl.col("file") == SHOP_FILES[slug])
            )["file_row"]
        )
        for slug in SHOP_FILES
    }
    us = re.compile(r"\d{1,2}/\d{1,2}/\d{4}")
    iso = re.compile(r"\d{4}-\d{2}-\d{2}")
    dotted = re.compile(r"\d{2}\.\d{2}\.\d{4}")
    loose = re.compile(r"\d{1,2}\.\d{1,2}\.\d{4}")
    for slug, usual, second in (("north_yard", us, iso), ("hill_shop", dotted, iso)):
        assert len(odd[slug]) > 20
        for row, text in sheets[slug].select("file_row", "opened_on").rows():
            assert (second if row in odd[slug] else usual).fullmatch(text)
    river = sheets["river_shop"].filter(pl.col("file_row").is_in(list(odd["river_shop"])))
    assert river.height > 20
    assert all(loose.fullmatch(text) for text in river["opened_on"])


def test_spreadsheet_holds_date_cells_and_no_formula(fleet):
    folder, _, _ = fleet
    path = folder / SHOP_FILES["river_shop"]
    with zipfile.ZipFile(path) as book:
        page = book.read("xl/worksheets/sheet1.xml").decode()
    assert "<f>" not in page
    dates = pl.read_excel(
        path, sheet_name="Lines", read_options={"header_row": 3, "dtypes": {"Opened": "date"}}
    )["Opened"]
    assert dates.count() > 0.9 * len(dates)
    assert dates.max().year == 2025


def test_text_that_looks_like_a_formula_stays_text(tmp_path):
    shop = exports.RIVER_SHOP
    headings = [heading for _, heading in shop.columns]
    sheet = pl.DataFrame({heading: ["=1+1"] for heading in headings})
    lines = pl.DataFrame(
        {"second_date_style": [False], "opened_on": [None], "closed_on": [None]},
        schema_overrides={"opened_on": pl.Date, "closed_on": pl.Date},
    )
    exports.write_spreadsheet(sheet, lines, shop, tmp_path / "x.xlsx", title="=2+2")
    with zipfile.ZipFile(tmp_path / "x.xlsx") as book:
        assert "<f>" not in book.read("xl/worksheets/sheet1.xml").decode()


def test_hill_shop_is_windows_1252(fleet):
    raw = (fleet[0] / SHOP_FILES["hill_shop"]).read_bytes()
    assert b"\x96" in raw  # an en dash, which ISO 8859-1 has not
    with pytest.raises(UnicodeDecodeError):
        raw.decode("utf-8")
    assert b";1,5;" in raw or b",5;" in raw


def test_cluster_swap_restarts_the_odometer(fleet, sheets):
    swapped = pl.concat(
        [frame.select("vin", "ro_no", "component", "odometer") for frame in sheets.values()]
    ).filter(pl.col("component").str.contains("(?i)cluster"))
    readings = pl.read_csv(fleet[0] / "fuel_readings.csv", try_parse_dates=True)
    falls = (
        readings.sort("Unit", "Date")
        .with_columns(fall=(pl.col("Odometer").diff() < 0).over("Unit"))
        .filter("fall")
    )
    assert 2 <= swapped["ro_no"].n_unique() <= 40
    assert 1 <= falls["Unit"].n_unique() <= swapped["ro_no"].n_unique()


def test_same_seed_same_files(tmp_path):
    first = simulate(tmp_path / "a", vehicles=60, seed=9)
    second = simulate(tmp_path / "b", vehicles=60, seed=9)
    other = simulate(tmp_path / "c", vehicles=60, seed=10)
    assert first == second
    assert first != other
    for name in first.files:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_dirt_leaves_the_rest_alone(tmp_path):
    dirty = simulate(tmp_path / "dirty", vehicles=80)
    clean = simulate(tmp_path / "clean", vehicles=80, dirt=False)
    assert clean.dirt_rates is None
    assert clean.dirt_rows == clean.dirt_orders == {}
    assert clean.realised == dirty.realised
    key = ["ro_no", "line_no", "opened_on"]
    tidy = read_shop(tmp_path / "clean", "north_yard")
    assert tidy["vin"].is_in(pl.read_csv(tmp_path / "clean" / "fleet_list.csv")["VIN"]).all()
    assert tidy.select(key).n_unique() == tidy.height
    assert tidy["odometer"].cast(pl.Int64).min() > 0
    steps = (
        tidy.with_columns(
            pl.col("opened_on").str.to_date("%m/%d/%Y"), pl.col("odometer").cast(pl.Int64)
        )
        .sort("vin", "opened_on")
        .select(pl.col("odometer").diff().over("vin"))
    )
    assert steps["odometer"].min() == 0


def test_two_shops_and_lean(tmp_path):
    truth = simulate(tmp_path, vehicles=50, shops=2, lines_per_vehicle="lean")
    assert not (tmp_path / "repairs_hill_shop.csv").exists()
    assert truth.lines / truth.vehicles < 25
    assert "PM" not in set(read_shop(tmp_path, "north_yard")["reason"])


def test_sample_data_can_be_made_again(tmp_path):
    truth = write_sample(tmp_path)
    assert sorted(path.name for path in SAMPLE.iterdir()) == list(truth.files)
    for name in truth.files:
        if name.endswith((".csv", ".toml", ".json")):
            assert (tmp_path / name).read_bytes() == (SAMPLE / name).read_bytes(), name
    assert read_shop(tmp_path, "river_shop").equals(read_shop(SAMPLE, "river_shop"))
    rows = "truth_rows.parquet"
    assert pl.read_parquet(tmp_path / rows).equals(pl.read_parquet(SAMPLE / rows))
    assert sum(path.stat().st_size for path in SAMPLE.iterdir()) < 400_000


def test_parquet_parts_have_canonical_headings(tmp_path, monkeypatch):
    monkeypatch.setattr(simulation, "CHUNK", 100)
    seen = []
    truth = simulate(
        tmp_path,
        vehicles=250,
        layout="parquet",
        dirt=False,
        progress=lambda done, wanted: seen.append((done, wanted)),
    )
    assert seen == [(100, 250), (200, 250), (250, 250)]
    repairs = pl.read_parquet(tmp_path / "repairs_*.parquet")
    vehicles = pl.read_parquet(tmp_path / "vehicles_*.parquet")
    meters = pl.read_parquet(tmp_path / "meters_*.parquet")
    assert repairs.height == truth.lines
    assert vehicles.height == vehicles["vin"].n_unique() == 250
    assert set(repairs["vin"]) <= set(vehicles["vin"])
    assert set(meters["vin"]) == set(vehicles["vin"])
    assert repairs.select("shop", "ro_no", "line_no").n_unique() == repairs.height
    assert repairs["shop"].n_unique() == len(SHOPS)
    assert set(repairs["component"]) <= {part.written[0] for part in ALL_PARTS}
    assert (repairs["closed_on"] >= repairs["opened_on"]).all()
    spans = repairs.join(vehicles, on="vin")
    assert (spans["opened_on"] >= spans["observed_from_on"]).all()
    assert (spans["odometer"] >= spans["observed_from_odometer"]).all()
    last = spans["retired_on"].fill_null(date(2025, 12, 31))
    assert (spans["opened_on"] <= last).all()


def test_realised_counts_are_those_of_the_clean_files(tmp_path):
    truth = simulate(tmp_path, vehicles=400, layout="parquet", dirt=False)
    lines = pl.read_parquet(tmp_path / "repairs_0001.parquet").join(
        pl.read_parquet(tmp_path / "vehicles_0001.parquet"), on="vin"
    )
    assert truth.realised["connectors broken in work"] == (
        (lines["reason"] == "broke-in-work").sum()
    )
    gaskets = lines.filter(pl.col("component") == "Valve cover gasket")
    for shop in SHOPS:
        assert truth.realised[f"gaskets fitted by {shop.name}"] == (
            (gaskets["shop"] == shop.name).sum()
        )
    lot = lines.filter(
        pl.col("component") == "Rocker arm", pl.col("part_lot") == truth.planted.bad_lot
    )
    assert truth.realised["rockers fitted from the bad lot"] == lot.height > 20
    failed = lines.filter(
        pl.col("component") == "Rocker arm",
        pl.col("reason") == "failed",
        pl.col("engine_family") == truth.planted.worn_family,
    )
    assert truth.realised["valvetrain.rocker-arm failed in V8-51"] == failed.height > 100


def test_a_chunk_does_not_depend_on_how_many_follow(tmp_path, monkeypatch):
    monkeypatch.setattr(simulation, "CHUNK", 100)
    for name, vehicles in (("few", 100), ("more", 300)):
        simulate(tmp_path / name, vehicles=vehicles, layout="parquet", lines_per_vehicle="lean")
    part = "repairs_0001.parquet"
    assert pl.read_parquet(tmp_path / "few" / part).equals(
        pl.read_parquet(tmp_path / "more" / part)
    )


def test_memory_does_not_grow_with_the_fleet(tmp_path):
    """Ten chunks may take little more memory than two: the largest resident set, in MiB."""
    code = (
        "import resource, sys\n"
        "import fleetlog.demo.simulation as s\n"
        "s.CHUNK = 2000\n"
        "s.simulate(sys.argv[1], vehicles=int(sys.argv[2]), layout='parquet', "
        "lines_per_vehicle='lean')\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)\n"
    )
    peak = [
        int(
            subprocess.run(
                [sys.executable, "-c", code, str(tmp_path / str(count)), str(count)],
                check=True,
                capture_output=True,
                text=True,
            ).stdout
        )
        for count in (4_000, 20_000)
    ]
    assert peak[1] < 1.3 * peak[0]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"vehicles": 0}, "vehicles"),
        ({"vehicles": 1_000_001}, "1000000"),
        ({"shops": 1}, "shops"),
        ({"layout": "pile"}, "layout"),
        ({"lines_per_vehicle": "some"}, "lines_per_vehicle"),
    ],
)
def test_refuses_what_it_cannot_make(tmp_path, arguments, words):
    with pytest.raises(InputError, match=words):
        simulate(tmp_path, **arguments)
