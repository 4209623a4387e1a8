"""A vehicle with many orders: the first answer stays small, older ones come when asked for."""

import json
from typing import Any

import dash
import pytest

from dashboards.access import Access
from dashboards.app import create_app
from dashboards.pages import vehicle_record
from dashboards.pages.vehicle_orders import LATEST_ORDERS, MORE_ORDERS

VIN = "GZ7VAKE1XPF104729"
ORDERS = 150
COMPONENTS = (
    "charging.alternator", "charging.battery", "charging.starter", "cooling.water-pump",
    "engine.drive-belt", "air.filter", "lubrication.engine-oil", "lubrication.oil-filter",
)  # fmt: skip

#: A browser lays out some thousand components a second; the whole record had 9,700.
MOST_COMPONENTS, MOST_BYTES = 900, 120_000


@pytest.fixture
def store_path(records):
    records.vehicle(VIN, unit_no="U1001")
    for count in range(ORDERS):
        lines = [{"component": code} for code in COMPONENTS]
        records.order(VIN, 10 + 20 * count, 500 * (count + 1), *lines, complaint="runs rough")
    return records.build().path


def asked(app: dash.Dash, changed: str, **values: Any) -> tuple[int, dict[str, Any]]:
    """Call the callback that listens to ``changed`` as the browser does: bytes and answer."""
    client = app.server.test_client()
    call = next(
        each
        for each in client.get("/_dash-dependencies").get_json()
        if changed in [f"{part['id']}.{part['property']}" for part in each["inputs"]]
        and "vehicle-orders" in each["output"]
    )

    def given(parts: list[dict[str, str]]) -> list[dict[str, Any]]:
        return [{**part, "value": values.get(part["id"])} for part in parts]

    outputs = [
        dict(zip(("id", "property"), each.rsplit(".", 1), strict=True))
        for each in call["output"].strip(".").split("...")
    ]
    answer = client.post(
        "/_dash-update-component",
        json={
            "output": call["output"], "outputs": outputs, "inputs": given(call["inputs"]),
            "state": given(call["state"]), "changedPropIds": [changed],
        },
    )  # fmt: skip
    assert answer.status_code == 200
    return len(answer.data), answer.get_json()["response"]


def components(node: Any) -> int:
    if isinstance(node, dict):
        return ("namespace" in node) + sum(components(each) for each in node.values())
    return sum(components(each) for each in node) if isinstance(node, list) else 0


def test_the_first_answer_is_bounded_however_many_orders_there_are(store_path):
    size, shown = asked(create_app(store_path), "vehicle-key.value", **{"vehicle-key": VIN})
    assert size < MOST_BYTES
    assert components(shown) < MOST_COMPONENTS
    assert len(shown["vehicle-orders"]["children"]) == LATEST_ORDERS
    assert f"({ORDERS})" in shown["vehicle-orders-total"]["children"]


def test_asking_again_and_again_brings_every_order_once_and_in_turn(store_path):
    record = Access(store_path).vehicle_record(VIN)
    app = create_app(store_path)
    _, shown = asked(app, "vehicle-key.value", **{"vehicle-key": VIN})
    got, clicks = list(shown["vehicle-orders"]["children"]), 0
    while shown["vehicle-older"]["display"] != "none":
        clicks += 1
        size, shown = asked(
            app, "vehicle-older.n_clicks", **{"vehicle-key": VIN, "vehicle-older": clicks}
        )
        assert size < MOST_BYTES * MORE_ORDERS / LATEST_ORDERS
        patch = shown["vehicle-orders"]["children"]
        got += [each for step in patch["operations"] for each in step["params"]["value"]]
    titles = [each["props"]["children"][0]["props"]["children"] for each in got]
    wanted = [f"{no}, {shop}" for no, shop in record.orders.select("ro_no", "shop").iter_rows()]
    assert titles == wanted
    assert clicks == -(-(ORDERS - LATEST_ORDERS) // MORE_ORDERS)
    assert f"All {ORDERS}" in shown["vehicle-orders-shown"]["children"]


def test_the_count_that_the_answer_sets_back_is_no_click(store_path):
    page = vehicle_record.register(dash.Dash("orders", pages_folder=""), Access(store_path))
    with pytest.raises(dash.exceptions.PreventUpdate):
        page["older"](0, VIN)


def test_a_vehicle_that_is_gone_meanwhile_says_so_and_keeps_what_is_shown(store_path):
    page = vehicle_record.register(dash.Dash("gone", pages_folder=""), Access(store_path))
    *kept, said = page["older"](1, "ZZZZZZ")
    assert all(each is dash.no_update for each in kept)
    assert "no vehicle answers" in json.dumps(said)
