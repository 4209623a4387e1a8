"""The application as a server answers it and its callbacks as plain functions."""

import json
import re
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import dash
import duckdb
import polars as pl
import pytest
from dash.development.base_component import Component

from dashboards.access import Access
from dashboards.app import create_app
from dashboards.pages import PAGES, part_life, vehicle_orders, vehicle_record
from dashboards.theme import GRAPH_CONFIG


@pytest.fixture(scope="module")
def app(sample_store: Path) -> dash.Dash:
    return create_app(sample_store)


@pytest.fixture(scope="module")
def access(sample_store: Path) -> Access:
    return Access(sample_store)


@pytest.fixture(scope="module")
def part_life_page(access: Access) -> dict[str, Any]:
    return part_life.register(dash.Dash("callbacks", pages_folder=""), access)


def everything(node: Any) -> list[Component]:
    """List a layout's components, whatever they are nested in."""
    if isinstance(node, (list, tuple)):
        return [each for part in node for each in everything(part)]
    if isinstance(node, Component):
        return [node, *everything(getattr(node, "children", None))]
    return []


def text_of(node: Any) -> str:
    if isinstance(node, (list, tuple)):
        return " ".join(text_of(part) for part in node)
    if isinstance(node, Component):
        return text_of(getattr(node, "children", None))
    return "" if node is None else str(node)


def ask(**changes: Any) -> dict[str, Any]:
    return {
        "family": "*", "component": "charging.alternator", "clock": "distance", "split": "none",
        "parts": "all", "group": None, "mode": "light", "_revision": None,
    } | changes  # fmt: skip


def test_every_identifier_that_a_callback_names_is_in_a_layout(
    app: dash.Dash, access: Access
) -> None:
    shown = everything([app.layout, *(page.layout(access, {}) for page in PAGES)])
    known = {each.id for each in shown if getattr(each, "id", None)}
    named = set()
    for each in app.server.test_client().get("/_dash-dependencies").get_json():
        named |= {part["id"] for part in each["inputs"] + each["state"]}
        named |= set(re.findall(r"([\w-]+)\.\w+", each["output"].replace("..", " ")))
    assert named <= known
    assert len(named) > 20


def test_every_graph_uses_the_private_configuration(app: dash.Dash, access: Access) -> None:
    shown = everything([page.layout(access, {}) for page in PAGES])
    graphs = [each for each in shown if type(each).__name__ == "Graph"]
    assert len(graphs) == 5
    assert all(graph.config == GRAPH_CONFIG for graph in graphs)


def test_every_response_has_the_security_headers(app: dash.Dash) -> None:
    client = app.server.test_client()
    for path in ("/", "/healthz", "/_dash-layout", "/assets/fleetlog.js", "/nowhere"):
        with client.get(path) as response:
            headers = response.headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe-eval" not in policy
        assert "'unsafe-inline'" not in policy.split("script-src")[1].split(";")[0]
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["X-Frame-Options"] == "DENY"
        assert headers["Referrer-Policy"] == "no-referrer"
    assert client.get("/_dash-layout").headers["Cache-Control"] == "no-store"
    assert client.get("/healthz").status_code == 200


def test_the_page_names_its_language_and_fetches_only_from_here(app: dash.Dash) -> None:
    html = app.server.test_client().get("/").get_data(as_text=True)
    assert '<html lang="en">' in html
    sources = re.findall(r'(?:src|href)="([^"]+)"', html)
    assert sources
    assert all(source.startswith(("/", "data:")) for source in sources)


def test_answer_shows_what_the_analysis_returned(
    part_life_page: dict[str, Any], access: Access
) -> None:
    shown = part_life_page["answer"](**ask())
    result = access.part_life("charging.alternator", None, (), "distance")
    for sentence in result.summary:
        assert sentence in text_of(shown["answer"])
    _, evidence = shown["evidence"]
    assert len(evidence) == result.evidence.height > 0
    assert {row["ro_no"] for row in evidence} == set(result.evidence["ro_no"])
    assert shown["groups"][2] is True
    assert shown["hidden"] is False


def test_answer_split_up_lists_each_group(part_life_page: dict[str, Any], access: Access) -> None:
    shown = part_life_page["answer"](**ask(split="depot"))
    _, rows, hidden = shown["groups"]
    result = access.part_life("charging.alternator", None, ("depot",), "distance")
    assert [row["group"] for row in rows] == result.groups["group"].to_list()
    assert [row["failures"] for row in rows] == result.groups["failures"].to_list()
    assert len(rows) > 1
    assert hidden is False


def test_an_unknown_component_gives_a_sentence(part_life_page: dict[str, Any]) -> None:
    shown = part_life_page["answer"](**ask(component="brakes.nothing"))
    assert "brakes.nothing" in text_of(shown["answer"])
    assert shown["hidden"] is True


def test_interval_takes_the_costs_that_were_typed(
    part_life_page: dict[str, Any], access: Access
) -> None:
    shown = part_life_page["interval"](cost_planned=100, cost_failure="900", **ask())
    result = access.best_interval("charging.alternator", None, "distance", 100.0, 900.0)
    for sentence in result.summary:
        assert sentence in text_of(shown[0])
    assert shown[-2:] == ("USD 100", "USD 900")


def test_parts_of_one_generation_are_answered_alone(
    part_life_page: dict[str, Any], access: Access
) -> None:
    counts = {}
    for parts, generation in (("all", "any"), ("first", "first"), ("later", "later")):
        shown = part_life_page["answer"](**ask(component="valvetrain.rocker-arm", parts=parts))
        result = access.part_life("valvetrain.rocker-arm", None, (), "distance", generation)
        assert result.summary[0] in text_of(shown["answer"])
        counts[parts] = int(result.groups["lives"].sum())
    assert counts["first"] < counts["all"]
    assert counts["later"] < counts["all"]


def test_a_split_by_bank_and_side_offers_its_groups_and_opens_at_the_one_with_most_failures(
    part_life_page: dict[str, Any], access: Access
) -> None:
    asked = ask(component="valvetrain.rocker-arm", split="bank-side")
    options, group, hidden = part_life_page["answer"](**asked)["one_group"]
    groups = access.part_life("valvetrain.rocker-arm", None, ("bank", "side"), "distance").groups
    assert [each["value"] for each in options] == groups["group"].to_list()
    most = groups.filter(pl.col("failures") == pl.col("failures").max())["group"].to_list()
    assert group in most
    assert hidden is False
    asked["group"] = least = groups.sort("failures")["group"][0]
    assert part_life_page["answer"](**asked)["one_group"][1] == least
    asked["group"] = "no such group"
    assert part_life_page["answer"](**asked)["one_group"][1] == group
    assert part_life_page["answer"](**ask())["one_group"][1:] == (None, True)


def test_the_interval_of_a_split_is_that_of_the_chosen_group(
    part_life_page: dict[str, Any], access: Access
) -> None:
    costs = {"cost_planned": 100, "cost_failure": 900}
    asked = ask(component="valvetrain.rocker-arm", split="bank-side", parts="first")
    said = set()
    for bank in (1, 2):
        group = f"bank {bank} / exhaust"
        shown = part_life_page["interval"](**asked | costs | {"group": group})
        result = access.best_interval(
            "valvetrain.rocker-arm", None, "distance", 100.0, 900.0,
            (("bank", bank), ("side", "exhaust")), "first",
        )  # fmt: skip
        for sentence in result.summary:
            assert sentence in text_of(shown[0])
        said.add(text_of(shown[0]))
    assert len(said) == 2


def test_splits_by_two_fields_and_by_lot_are_offered_where_they_tell_groups_apart(
    access: Access,
) -> None:
    def offered(component: str) -> set[str]:
        shown = everything(part_life.layout(access, {"component": component}))
        (split,) = (each for each in shown if getattr(each, "id", None) == part_life.SPLIT)
        return {each["value"] for each in split.data}

    assert {"bank", "side", "bank-side", "part_lot"} <= offered("valvetrain.rocker-arm")
    assert not {"bank", "bank-side"} & offered("charging.alternator")


def test_a_family_change_keeps_the_component_where_it_has_it(
    part_life_page: dict[str, Any], access: Access
) -> None:
    family = access.engine_families()["code"][0]
    theirs = access.components(family)["code"].to_list()
    offered = part_life_page["offer"](family, theirs[2], "none")
    assert offered[1] == theirs[2]
    assert [each["value"] for each in offered[0]] == theirs
    absent = next(code for code in access.components()["code"] if code not in theirs)
    assert part_life_page["offer"](family, absent, "engine_family")[1::2] == (theirs[0], "none")


def test_the_address_sets_the_filters_and_nonsense_is_set_aside(access: Access) -> None:
    def filters(address: str) -> dict[str, str]:
        query = {name: values[0] for name, values in parse_qs(address).items()}
        shown = everything(part_life.layout(access, query))
        return {each.id: each.value for each in shown if type(each).__name__ == "Select"}

    usual = filters("")
    assert usual["life-component"] == access.components()["code"][0]
    chosen = filters("component=charging.starter&clock=days&split=depot&parts=later")
    assert chosen["life-parts"] == "later"
    assert chosen["life-component"] == "charging.starter"
    assert (chosen["life-clock"], chosen["life-split"]) == ("days", "depot")
    assert filters("component=<script>&family=x&clock=9&split=../&parts=old") == usual


def test_what_the_address_names_in_vain_is_said(access: Access) -> None:
    said = text_of(part_life.layout(access, {"component": "brakes.nothing", "clock": "days"}))
    assert "component brakes.nothing" in said
    assert "clock" not in said
    assert "what is not here" not in text_of(part_life.layout(access, {}))


def test_the_download_holds_the_evidence(part_life_page: dict[str, Any], access: Access) -> None:
    file = part_life_page["export"](1, "*", "charging.alternator", "all", "distance", "none")
    result = access.part_life("charging.alternator", None, (), "distance")
    later = part_life_page["export"](1, "*", "charging.alternator", "later", "distance", "none")
    replaced = access.part_life("charging.alternator", None, (), "distance", "later")
    assert len(later["content"].splitlines()) == replaced.evidence.height + 1
    assert replaced.evidence.height != result.evidence.height
    assert len(file["content"].splitlines()) == result.evidence.height + 1
    assert file["filename"] == "failures-charging.alternator.csv"


def test_a_held_store_gives_a_sentence_over_the_wire(sample_store: Path, tmp_path: Path) -> None:
    path = tmp_path / "held.fleetlog"
    path.write_bytes(sample_store.read_bytes())
    client = create_app(path, wait_s=0.05).server.test_client()
    call = {
        "output": "..main.children...navigation.children...title.data..",
        "outputs": [
            {"id": "main", "property": "children"}, {"id": "navigation", "property": "children"},
            {"id": "title", "property": "data"},
        ],
        "inputs": [{"id": "address", "property": "pathname", "value": "/"}],
        "state": [{"id": "address", "property": "search", "value": ""}],
        "changedPropIds": ["address.pathname"],
    }  # fmt: skip
    with duckdb.connect(str(path)):
        held = client.post("/_dash-update-component", json=call)
    assert held.status_code == 200
    assert "try again when it has finished" in json.dumps(held.get_json())
    free = client.post("/_dash-update-component", json=call)
    assert "life-component" in json.dumps(free.get_json())


def test_lines_of_an_order_that_differ_in_position_only_are_one_row(access: Access) -> None:
    page = vehicle_record.register(dash.Dash("vehicle", pages_folder=""), access)
    vin = busiest_vehicle(access)
    record = access.vehicle_record(vin)
    older = vehicle_orders.orders_from(record, vehicle_orders.LATEST_ORDERS, record.orders.height)
    answer = [page["more"](1, vin), page["answer"](vin, None), older]
    fitted = tables(answer, "Parts renewed")[:1]
    orders = tables(answer, "Lines of this order")
    counts = [[int(text_of(row.children[2])) for row in table.children[1].children]
              for table in (*fitted, *orders)]  # fmt: skip
    assert sum(counts[0]) == record.parts.filter("touched")["count"].sum()
    assert sum(map(sum, counts[1:])) == record.lines.height
    assert sum(map(len, counts[1:])) < record.lines.height
    assert max(map(max, counts[1:])) > 1


def tables(node: Any, label: str) -> list[Component]:
    """List the tables whose name begins so."""
    return [
        each.children
        for each in everything(node)
        if str(getattr(each, "aria-label", "")).startswith(label)
    ]


def busiest_vehicle(access: Access) -> str:
    """Return a vehicle with many lines in one order."""
    evidence = access.part_life("valvetrain.rocker-arm", None, (), "distance").evidence
    lines = [(access.vehicle_record(vin).lines.height, vin) for vin in evidence["vin"].unique()]
    return max(lines)[1]
