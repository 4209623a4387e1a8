"""A vehicle that was worked on often: its youngest parts come first, all of them when asked for."""

from typing import Any

import dash
import pytest
from dash.development.base_component import Component

from dashboards.access import Access
from dashboards.pages import vehicle_record
from dashboards.pages.vehicle_parts import YOUNGEST_ROWS
from fleetlog.catalogue import load_catalogue

VIN = "GZ7VAKE1XPF104729"
FITTED, DISPLAY, SHOWN, LABEL, CLICKS = range(4, 9)


def store_with(records, components: int):
    """One vehicle, on which so many components were renewed, each on an order of its own."""
    records.vehicle(VIN)
    codes = sorted(
        code
        for code, each in load_catalogue().components.items()
        if each.position_rule == "per-vehicle"
    )[:components]
    assert len(codes) == components
    for count, code in enumerate(codes, 1):
        records.order(VIN, 10 * count, 500 * count, {"component": code})
    return Access(records.build().path)


def page_of(access: Access) -> dict[str, Any]:
    return vehicle_record.register(dash.Dash("parts", pages_folder=""), access)


def rows_of(table: Component) -> list[list[str]]:
    body = table.children.children[1]
    return [[cell.children for cell in row.children] for row in body.children]


def test_the_youngest_parts_come_first_and_the_others_when_asked_for(records):
    access = store_with(records, YOUNGEST_ROWS + 5)
    page = page_of(access)
    first = page["answer"](VIN, None)
    assert (first[DISPLAY], first[CLICKS]) == (None, 0)
    assert first[LABEL] == "Show 5 older rows"
    assert f"youngest {YOUNGEST_ROWS} of {YOUNGEST_ROWS + 5} rows" in first[SHOWN]
    table, display, said = page["more"](1, VIN)
    assert (display, said) == ("none", f"All {YOUNGEST_ROWS + 5} rows are shown.")
    every = rows_of(table)
    assert rows_of(first[FITTED]) == every[:YOUNGEST_ROWS]
    fitted = access.vehicle_record(VIN).parts.filter("touched").sort("age_days")
    assert [row[0] for row in every] == fitted["title"].to_list()


def test_a_few_parts_are_all_shown_without_a_button(records):
    first = page_of(store_with(records, YOUNGEST_ROWS))["answer"](VIN, None)
    assert len(rows_of(first[FITTED])) == YOUNGEST_ROWS
    assert (first[DISPLAY], first[SHOWN]) == ("none", "")


def test_a_vehicle_on_which_nothing_was_renewed_says_so(records):
    records.vehicle(VIN)
    records.meter(VIN, 400, 40_000)
    first = page_of(Access(records.build().path))["answer"](VIN, None)
    assert first[FITTED].children == "No order has renewed a part."
    assert first[DISPLAY] == "none"


def test_no_click_asks_for_nothing_and_a_vehicle_that_is_gone_says_so(records):
    page = page_of(store_with(records, 1))
    with pytest.raises(dash.exceptions.PreventUpdate):
        page["more"](0, VIN)
    *kept, said = page["more"](1, "ZZZZZZ")
    assert all(each is dash.no_update for each in kept)
    assert "no vehicle answers" in said
