"""What the pages may ask, and how long an answer is kept."""

import threading
from pathlib import Path

import duckdb
import polars as pl
import pytest

from dashboards.access import Access, Answers
from fleetlog.errors import StoreBusy, StoreError
from fleetlog.store import Store


def test_an_answer_is_worked_out_once_for_each_revision() -> None:
    answers, asked = Answers(), []

    def compute() -> int:
        asked.append(1)
        return len(asked)

    assert [answers.get(1, "q", compute), answers.get(1, "q", compute)] == [1, 1]
    assert answers.get(2, "q", compute) == 2
    assert len(asked) == 2


def test_a_failed_answer_is_raised_and_not_kept() -> None:
    answers = Answers()

    def refuse() -> int:
        raise StoreBusy("held")

    with pytest.raises(StoreBusy):
        answers.get(1, "q", refuse)
    assert answers.get(1, "q", lambda: 7) == 7


def test_the_least_recently_used_answer_goes_first() -> None:
    answers = Answers(most=2)
    for question in ("a", "b", "a", "c"):
        answers.get(1, question, lambda: "old")
    assert answers.get(1, "a", lambda: "new") == "old"
    assert answers.get(1, "b", lambda: "new") == "new"


def test_two_threads_share_one_computation() -> None:
    answers, started, go, asked = Answers(), threading.Event(), threading.Event(), []

    def slow() -> str:
        asked.append(1)
        started.set()
        assert go.wait(10)
        return "answer"

    got: list[str] = []
    first = threading.Thread(target=lambda: got.append(answers.get(1, "q", slow)))
    second = threading.Thread(target=lambda: got.append(answers.get(1, "q", slow)))
    first.start()
    assert started.wait(10)
    second.start()
    go.set()
    first.join(10)
    second.join(10)
    assert got == ["answer", "answer"]
    assert len(asked) == 1


def test_components_are_those_with_lives_and_count_failed_parts(sample_store: Path) -> None:
    components = Access(sample_store).components()
    counted = Store.open(sample_store).frame(
        "SELECT component AS code, sum(weight) AS failures FROM life WHERE ended_by = 'failed'"
        " GROUP BY ALL"
    )
    expected = dict(counted.with_columns(pl.col("failures").cast(pl.Int64)).iter_rows())
    got = dict(components.select("code", "failures").iter_rows())
    assert {code: count for code, count in got.items() if count} == expected
    assert components["failures"].is_sorted(descending=True)


def test_components_of_one_family_add_up_to_all(sample_store: Path) -> None:
    access = Access(sample_store)
    families = access.engine_families()["code"].to_list()
    parts = pl.concat([access.components(code) for code in families])
    assert parts["failures"].sum() == access.components()["failures"].sum()
    assert len(families) > 1


def test_splits_offer_only_what_tells_groups_apart(sample_store: Path) -> None:
    access = Access(sample_store)
    assert {"bank", "side", "cylinder"} <= set(access.splits("valvetrain.rocker-arm"))
    assert not {"bank", "side", "cylinder"} & set(access.splits("charging.alternator"))
    family = access.engine_families()["code"][0]
    assert "engine_family" not in access.splits("valvetrain.rocker-arm", family)


def test_vehicles_are_found_by_vin_its_end_unit_and_plate(sample_store: Path) -> None:
    access = Access(sample_store)
    vin, unit, plate = (
        Store.open(sample_store)
        .frame("SELECT vin, unit_no, plate FROM vehicle WHERE plate IS NOT NULL ORDER BY vin")
        .row(0)
    )
    for key in (vin, vin.lower(), vin[-8:], f" {vin[-6:]} ", unit, plate, plate.lower()):
        assert access.find_vehicles(key)["vin"].to_list()[0] == vin, key
    for key in ("", "' OR 1=1 --", "%", vin[-2:]):
        assert access.find_vehicles(key).is_empty(), key


def test_a_store_that_a_writer_holds_gives_a_sentence(tmp_path: Path) -> None:
    path = tmp_path / "held.fleetlog"
    Store.create(path)
    access = Access(path, wait_s=0.05)
    with duckdb.connect(str(path)), pytest.raises(StoreBusy, match="try again"):
        access.components()


def test_no_store_is_refused_at_once(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no store at"):
        Access(tmp_path / "nothing.fleetlog")
