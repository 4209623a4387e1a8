"""How many planted double orders are found in the demo fleet, and how many links are wrong."""

import shutil
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from fleetlog.lives import rebuild
from fleetlog.store import Store

SORTS = ("another export", "keyed again", "split")
OF_EACH = 67


def plant(rng, orders, lines):
    """Return the planted orders, their lines, and (row of a line, its new order) for the split.

    What an export leaves out, what a clerk keys otherwise and how far off the copies lie are
    drawn; the shares are ours.
    """
    numbers = lines.group_by("ro_id").len().filter(pl.col("len") > 1)["ro_id"]
    several = orders.filter(pl.col("ro_id").is_in(numbers.to_list()))
    split = several.sample(OF_EACH, seed=1)
    others = orders.filter(~pl.col("ro_id").is_in(split["ro_id"].to_list())).sample(
        2 * OF_EACH, seed=2
    )
    new_orders, new_lines, moved, truth = [], [], [], []
    ro_id = orders["ro_id"].max()
    for number, order in enumerate([*others.to_dicts(), *split.to_dicts()]):
        ro_id += 1
        sort = SORTS[number // OF_EACH]
        copy = {**order, "ro_id": ro_id, "load_id": 9_001, "file_row": number + 1}
        own = lines.filter(pl.col("ro_id") == order["ro_id"]).sort("line_no").to_dicts()
        if sort == "split":
            copy["ro_no"] = f"S{800_000 + 7 * number}"
            copy |= {"labour_cost": None, "parts_cost": None}
            if rng.random() < 0.2:
                copy |= {"cause": None, "correction": None}
            renumbered = rng.random() < 0.5
            half = own[len(own) // 2 :]
            moved += [
                (line["load_id"], line["file_row"], line["row_part"], ro_id,
                 place if renumbered else line["line_no"])
                for place, line in enumerate(half, 1)
            ]  # fmt: skip
        else:
            copy["opened_on"] += timedelta(days=int(rng.random() < 0.3))
            if copy["closed_on"]:
                copy["closed_on"] = max(copy["closed_on"], copy["opened_on"])
            if copy["odometer"]:
                copy["odometer"] += int(rng.choice([0, 0, 1, 4]))
            places = True
            if sort == "another export":
                digits = "".join(sign for sign in order["ro_no"] if sign.isdigit())
                copy["ro_no"] = f"RO-00{digits}"
                copy["shop"] = rng.choice([order["shop"].upper() + " INC", order["shop"][:-1]])
                places = rng.random() < 0.7
                if rng.random() < 0.5:
                    copy |= {"complaint": None, "cause": None, "correction": None}
                if rng.random() < 0.5:
                    copy |= {"labour_cost": None, "parts_cost": None, "technician": None}
            else:
                copy["ro_no"] = f"K{900_000 + 7 * number}"
                if rng.random() < 0.3:
                    copy |= {"cause": None, "correction": None, "technician": None}
            for line in own:
                line |= {"ro_id": ro_id, "load_id": 9_001, "file_row": len(new_lines) + 1}
                if not places:
                    line |= {"bank": None, "cylinder": None, "side": None, "slot": None}
                new_lines.append(line | {"row_part": 1})
        new_orders.append(copy)
        truth.append((order["ro_id"], ro_id, sort))
    return new_orders, new_lines, moved, truth


def links(store):
    return store.frame("SELECT first_ro, second_ro, kind, state FROM order_link")


@pytest.mark.slow
def test_planted_double_orders_are_found_and_few_others_linked(demo, tmp_path):
    store = Store.open(shutil.copy(demo.store.path, tmp_path / "own.fleetlog"))
    natural = links(store)
    rng = np.random.default_rng(7)
    orders = store.frame("FROM loaded_repair_order WHERE superseded_by IS NULL ORDER BY ro_id")
    lines = store.frame("FROM loaded_repair_line WHERE superseded_by IS NULL")
    new_orders, new_lines, moved, truth = plant(rng, orders, lines)
    with store.write() as connection:
        for table, rows, schema in (
            ("loaded_repair_order", new_orders, orders.schema),
            ("loaded_repair_line", new_lines, lines.schema),
        ):
            connection.register("incoming", pl.DataFrame(rows, schema=schema))
            connection.execute(f"INSERT INTO {table} BY NAME FROM incoming").fetchall()
            connection.unregister("incoming")
        connection.register(
            "moved",
            pl.DataFrame(
                moved, schema=["load_id", "file_row", "row_part", "ro_id", "line_no"], orient="row"
            ),
        )
        connection.execute(
            "UPDATE loaded_repair_line AS l SET ro_id = m.ro_id, line_no = m.line_no FROM moved AS m"
            " WHERE l.load_id = m.load_id AND l.file_row = m.file_row AND l.row_part = m.row_part"
        ).fetchall()
        connection.unregister("moved")
        connection.execute(
            "CREATE TEMP TABLE touched_vehicle AS SELECT vin FROM vehicle"
        ).fetchall()
        rebuild(connection, distance_unit="mi")
    found = links(store).with_columns(
        one=pl.min_horizontal("first_ro", "second_ro"),
        other=pl.max_horizontal("first_ro", "second_ro"),
    )
    planted = pl.DataFrame(truth, schema=["one", "other", "sort"], orient="row")
    both = planted.join(found, on=["one", "other"], how="left")
    linked = found.filter(pl.col("state") == "linked")
    false = linked.join(planted, on=["one", "other"], how="anti")
    shares = both.group_by("sort").agg(
        linked=(pl.col("state") == "linked").fill_null(value=False).mean(),
        asked=(pl.col("state") == "ask").fill_null(value=False).mean(),
    )
    assert 1 - false.height / linked.height >= 0.99, false
    for row in shares.rows(named=True):
        # Splits that share neither line numbers nor findings are meant to become questions: of
        # splits it is only asked that most link by themselves and that hardly one goes unseen.
        assert row["linked"] >= (0.5 if row["sort"] == "split" else 0.95), row
        assert row["linked"] + row["asked"] >= 0.95, row
    # The demo repeats whole rows, which intake drops; it tells no job under two numbers.
    assert natural.is_empty()
