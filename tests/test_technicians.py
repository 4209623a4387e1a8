"""Who did a job is shown in every answer of a store, or in none."""

from datetime import date

import dash
import pytest

from dashboards.access import Access
from dashboards.app import create_app
from dashboards.export import csv_text
from dashboards.pages import PAGES
from fleetlog import analyses
from fleetlog.analyses.wording import TECHNICIANS_HIDDEN
from fleetlog.report import write_store_report
from fleetlog.store import Store

NAME = "Ozolbrand"
GASKET, ROCKER = "seals.valve-cover-gasket", "valvetrain.rocker-arm"
VIN = "GZ7VAKE1XPF104729"
PLACE = {"bank": 1, "cylinder": 1, "side": "intake", "slot": 1}


@pytest.fixture
def shop(records):
    """Twelve vehicles whose rocker and cover gasket are renewed and come back, and one asked for."""
    for number in range(12):
        vin = records.vehicle(VIN if number == 0 else f"{number:017d}", unit_no=f"U{number}")
        for turn, day in enumerate((400 + number, 415 + number, 900 + 3 * number)):
            records.order(
                vin, day, 100 * day,
                {"component": ROCKER, "part_maker": ("Grennick", "Ostravane")[turn % 2], **PLACE},
                {"component": GASKET, "bank": 1, "reason": "while-apart"},
                technician=NAME if number % 2 else f"{NAME} the elder", complaint="tick when cold",
                shop=("North Yard", "Hill Shop")[number % 2],
            )  # fmt: skip
        records.meter(vin, 1_500, 150_000)
    records.order(VIN, 1_400, 140_000, {"component": GASKET}, technician=NAME)
    return records.build()


@pytest.fixture
def run(run):
    """Return what a command prints of a store; it must not fail."""

    def printed(*arguments, store):
        done = run(*arguments, store=store.path)
        assert done.returncode == 0, done.stderr
        return done.stdout

    return printed


def test_one_command_says_and_changes_it_for_all(run, shop):
    assert run("technicians", store=shop).strip() == TECHNICIANS_HIDDEN
    assert "are named" in run("technicians", "--show-names", store=shop)
    assert Store.open(shop.path).technicians_named()
    assert "are named" in run("technicians", store=shop)
    assert run("technicians", "--hide-names", store=shop).strip() == TECHNICIANS_HIDDEN
    assert not shop.technicians_named()


def told_by_pages(path):
    """All that the pages say of the vehicle and of comebacks by technician, exports included."""
    access = Access(path)
    app = dash.Dash("callbacks", pages_folder="")
    calls = {page.path: page.register(app, access) for page in PAGES}
    vehicle, comebacks = calls["/vehicle"], calls["/comebacks"]
    return " ".join(
        str(part)
        for part in (
            vehicle["answer"](VIN, None), vehicle["draw"](VIN, "light", None),
            vehicle["warn"](VIN, None), comebacks["answer"]("technician", "light", None),
            comebacks["export"](1, "technician"), csv_text(access.comebacks("technician").groups),
        )
    )  # fmt: skip


def test_no_page_and_no_export_of_one_shows_a_name_unless_the_store_does(shop):
    hidden = told_by_pages(shop.path)
    assert NAME not in hidden
    assert hidden.count(TECHNICIANS_HIDDEN) == 2
    shop.name_technicians(named=True)
    named = told_by_pages(shop.path)
    assert NAME in named
    assert TECHNICIANS_HIDDEN not in named


def test_pages_that_are_open_hide_names_as_soon_as_the_store_does(shop):
    shop.name_technicians(named=True)
    access = Access(shop.path)
    assert access.vehicle_record(VIN).orders["technician"].null_count() == 0
    shop.name_technicians(named=False)
    for frame in (access.vehicle_record(VIN).orders, access.vehicle_record(VIN).last_open):
        assert frame["technician"].null_count() == frame.height > 0


def test_the_application_serves_no_name(shop):
    client = create_app(shop.path).server.test_client()
    for path in ("/", "/_dash-layout", "/_dash-dependencies"):
        assert NAME not in client.get(path).get_data(as_text=True)


def test_the_report_shows_no_name(shop, tmp_path):
    out = tmp_path / "report.html"
    write_store_report(out, shop)
    assert NAME not in out.read_text(encoding="utf-8")


def test_whom_to_ask_stands_beside_the_last_opening_and_what_may_come_back(shop):
    shop.name_technicians(named=True)
    record = analyses.vehicle_record(shop, VIN, on=date(2018, 11, 10))
    for frame in (record.last_open, record.windows):
        assert frame.height > 0
        assert frame["technician"].str.starts_with(NAME).all()


def test_a_record_without_technicians_needs_no_word_on_them(records):
    vin = records.vehicle()
    records.order(vin, 400, 40_000, {"component": GASKET})
    records.meter(vin, 500, 50_000)
    assert TECHNICIANS_HIDDEN not in analyses.vehicle_record(records.build(), vin).summary
