"""Orders and their lines in files apart."""

import polars as pl
import pytest

from fleetlog import intake


@pytest.fixture
def head(vins):
    """A sound row of an order, with what is given changed."""

    def make(**changes):
        return {
            "shop": "North Yard",
            "ro_no": "N1",
            "vin": vins[0],
            "opened_on": "2021-03-04",
            "odometer": "84120",
            "complaint": "ticking when cold",
            "cause": "lifter collapsed",
            "correction": "replaced lifter cyl 3 intake",
            "technician": "T. Amber",
        } | changes

    return make


@pytest.fixture
def line():
    """A sound row of a line, with what is given changed."""

    def make(**changes):
        return {
            "shop": "North Yard",
            "ro_no": "N1",
            "component": "Lifter",
            "position": "cyl 3 intake 1",
            "action": "replaced",
            "reason": "failed",
            "failure_mode": "collapsed",
            "part_maker": "Quellmar",
            "line_cost": "12.50",
        } | changes

    return make


def lines(store):
    return store.frame(
        "SELECT o.ro_no, o.vin, o.technician, l.* FROM repair_line l JOIN repair_order o USING (ro_id)"
        " ORDER BY o.ro_no, l.line_no"
    )


def test_orders_then_lines_give_what_one_file_gives(store, load_rows, head, line):
    heads = load_rows([head(), head(ro_no="N2")], kind="orders", name="heads.csv")
    assert (heads.rows_kept, heads.orders_new) == (2, 2)
    assert lines(store).is_empty()
    result = load_rows(
        [line(), line(component="Rocker arm"), line(ro_no="N2")], kind="order-lines", name="l.csv"
    )
    assert (result.rows_read, result.rows_kept, result.rows_held) == (3, 3, 0)
    found = lines(store)
    assert found["ro_no"].to_list() == ["N1", "N1", "N2"]
    assert found["line_no"].to_list() == [1, 2, 1]
    assert found["technician"].unique().to_list() == ["T. Amber"]
    lives = store.frame("SELECT component, ended_by FROM life WHERE ended_by = 'failed'")
    assert sorted(lives["component"].unique()) == ["valvetrain.lifter", "valvetrain.rocker-arm"]


def test_either_file_again_brings_nothing(store, load_rows, head, line, state, differing):
    load_rows([head()], kind="orders", name="heads.csv")
    load_rows([line(), line()], kind="order-lines", name="lines.csv")
    before = state(store)
    assert load_rows([head()], kind="orders", name="heads.csv").already_loaded
    again = load_rows([line(), line()], kind="order-lines", name="lines.csv")
    assert again.already_loaded
    assert differing(before, state(store)) == []


def test_lines_of_an_unknown_order_wait_for_it(store, load_rows, head, line):
    early = load_rows([line()], kind="order-lines", name="lines.csv")
    assert (early.rows_kept, early.rows_held) == (0, 1)
    (problem,) = intake.held_rows(store).to_dicts()
    assert problem["column"] == "ro_no"
    assert problem["value"] == "N1"
    assert "load the orders first" in problem["remedy"]
    load_rows([head()], kind="orders", name="heads.csv")
    late = intake.retry_held(store, early.load_id)
    assert (late.rows_kept, late.rows_held) == (1, 0)
    assert lines(store).height == 1


def test_a_line_without_words_takes_those_of_its_order(store, load_rows, head, line):
    load_rows([head()], kind="orders", name="heads.csv")
    load_rows(
        [line(position=None, reason=None, failure_mode=None, action=None)],
        kind="order-lines",
        name="lines.csv",
    )
    (found,) = lines(store).to_dicts()
    assert found["action"] == "replaced"
    assert found["cylinder"] == 3
    assert found["side"] == "intake"


def test_words_beside_a_line_are_its_description_and_not_those_of_the_order(store, load_rows, head):
    load_rows([head(correction=None, cause=None)], kind="orders", name="heads.csv")
    load_rows(
        [{"shop": "North Yard", "ro_no": "N1", "correction": "replaced water pump, leaking"}],
        kind="order-lines",
        name="lines.csv",
    )
    (found,) = lines(store).to_dicts()
    assert found["component"] == "cooling.water-pump"
    assert found["description"] == "replaced water pump, leaking"
    assert store.frame("SELECT correction FROM repair_order")["correction"].to_list() == [None]


def test_one_order_told_twice(store, load_rows, head):
    result = load_rows(
        [head(), head(), head(technician="R. Stone")], kind="orders", name="heads.csv"
    )
    assert (result.rows_kept, result.rows_identical, result.rows_held) == (1, 1, 1)
    (problem,) = intake.held_rows(store).to_dicts()
    assert "has the same number as row 2 but says otherwise" in problem["problem"]


def test_a_changed_order_is_a_new_version_with_its_lines(store, load_rows, head, line):
    load_rows([head()], kind="orders", name="heads.csv")
    load_rows([line()], kind="order-lines", name="lines.csv")
    changed = load_rows([head(odometer="84500")], kind="orders", name="again.csv")
    assert (changed.orders_new, changed.orders_changed) == (0, 1)
    assert store.frame("SELECT odometer FROM repair_order")["odometer"].to_list() == [84500]
    assert lines(store).height == 1


def test_undoing_each_file_takes_out_what_it_brought(
    store, load_rows, head, line, state, differing
):
    empty = state(store)
    heads = load_rows([head()], kind="orders", name="heads.csv")
    without_lines = state(store)
    brought = load_rows([line()], kind="order-lines", name="lines.csv")
    intake.undo_load(store, brought.load_id)
    assert differing(without_lines, state(store)) == []
    intake.undo_load(store, heads.load_id)
    assert differing(empty, state(store)) == []


def test_faults_of_orders_hold_them(store, load_rows, head):
    result = load_rows(
        [head(vin="GZ7VAPE10FF999999"), head(ro_no="N2", opened_on="soon"), head(ro_no="N3")],
        kind="orders",
        name="heads.csv",
    )
    assert (result.rows_kept, result.rows_held) == (1, 2)
    assert set(intake.held_rows(store)["column"]) == {"vin", "opened_on"}


def test_lists_within_a_line_file(store, load_rows, head, line):
    load_rows([head()], kind="orders", name="heads.csv")
    load_rows([line(component="Lifter; Rocker arm")], kind="order-lines", name="lines.csv")
    assert lines(store)["component"].to_list() == ["valvetrain.lifter", "valvetrain.rocker-arm"]
    assert pl.Series(lines(store)["row_part"]).to_list() == [1, 2]


def test_a_file_of_few_columns_changes_only_what_it_can_speak_of(store, load_rows, head, line):
    load_rows([head()], kind="orders", name="heads.csv")
    load_rows([line(component="odd thing", line_no=1)], kind="order-lines", name="lines.csv")
    (before,) = lines(store).to_dicts()
    assert before["component"] is None
    load_rows(
        [
            {
                "shop": "North Yard",
                "ro_no": "N1",
                "line_no": 1,
                "component": "valvetrain.lifter",
                "failure_mode": "noisy",
            }
        ],
        kind="order-lines",
        name="review.csv",
    )
    (after,) = lines(store).to_dicts()
    assert after["component"] == "valvetrain.lifter"
    assert after["description"] == "odd thing"
    assert after["failure_mode"] == "noisy"
    kept = ("part_maker", "cost", "action", "reason")
    assert {name: after[name] for name in kept} == {name: before[name] for name in kept}
