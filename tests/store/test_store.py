"""The store file: made, opened, versioned, shared between processes, never half written."""

import subprocess
import sys
import threading
from pathlib import Path

import duckdb
import pytest

from fleetlog.errors import InputError, StoreBusy, StoreError, StoreVersionError
from fleetlog.store import Store
from fleetlog.store.store import migrations


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store.create(tmp_path / "a.fleetlog", distance_unit="km", currency="EUR")


def test_a_store_remembers_its_unit_and_currency(store):
    with Store.open(store.path) as opened:
        assert (opened.distance_unit, opened.currency, opened.revision()) == ("km", "EUR", 0)


def test_each_commit_raises_the_revision_by_one(store):
    for count in (1, 2):
        with store.write() as connection:
            connection.execute(
                "INSERT INTO component VALUES ($1, 's', 't', 'r', NULL, false)", [str(count)]
            )
        assert store.revision() == count


def test_an_exception_undoes_the_whole_transaction(store):
    with pytest.raises(RuntimeError, match="stop"), store.write() as connection:
        connection.execute("INSERT INTO component VALUES ('c', 's', 't', 'r', NULL, false)")
        raise RuntimeError("stop")
    assert store.revision() == 0
    assert store.frame("FROM component").is_empty()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [({"distance_unit": "furlong"}, "furlong"), ({"currency": "euros"}, "euros")],
)
def test_a_wrong_unit_or_currency_is_refused(tmp_path, arguments, words):
    with pytest.raises(InputError, match=words):
        Store.create(tmp_path / "x.fleetlog", **arguments)
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_overwritten(store):
    before = store.path.read_bytes()
    with pytest.raises(StoreError, match="is there already"):
        Store.create(store.path)
    assert store.path.read_bytes() == before


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(StoreError, match="no-such-folder"):
        Store.create(tmp_path / "no-such-folder" / "x.fleetlog")


@pytest.mark.parametrize("content", [b"", b"just text", bytes(range(256)) * 64])
def test_a_file_that_is_no_store_is_refused_and_left_alone(tmp_path, content):
    path = tmp_path / "junk.fleetlog"
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"junk\.fleetlog"):
        Store.open(path)
    assert path.read_bytes() == content


def test_a_database_of_something_else_is_refused(tmp_path):
    path = tmp_path / "other.duckdb"
    with duckdb.connect(str(path)) as connection:
        connection.execute("CREATE TABLE t (a INTEGER)")
    with pytest.raises(StoreError, match="not a fleetlog store"):
        Store.open(path)


def test_no_file_and_a_folder_are_told_apart(tmp_path):
    with pytest.raises(StoreError, match="no store at"):
        Store.open(tmp_path / "none.fleetlog")
    with pytest.raises(StoreError, match="is a folder"):
        Store.open(tmp_path)


def test_a_store_of_a_newer_version_is_refused(store):
    newest = migrations()[-1].version
    with store.write() as connection:
        connection.execute(
            "INSERT INTO schema_migration VALUES ($1, 'later', now()::TIMESTAMP)", [newest + 1]
        )
    with pytest.raises(StoreVersionError, match="upgrade fleetlog"):
        Store.open(store.path)


def test_an_older_store_is_brought_up_to_date(tmp_path):
    path = tmp_path / "old.fleetlog"
    first = migrations()[0]
    with duckdb.connect(str(path)) as connection:
        connection.execute(
            "CREATE TABLE schema_migration"
            " (version INTEGER PRIMARY KEY, name VARCHAR NOT NULL, applied_at TIMESTAMP NOT NULL)"
        )
        connection.execute(first.statements)
        connection.execute(
            "INSERT INTO schema_migration VALUES ($1, $2, now()::TIMESTAMP)",
            [first.version, first.name],
        )
        connection.execute("INSERT INTO store_info VALUES (true, 'mi', 'USD', now()::TIMESTAMP, 7)")
    opened = Store.open(path)
    versions = opened.frame("SELECT version FROM schema_migration ORDER BY version")["version"]
    assert versions.to_list() == [step.version for step in migrations()]
    assert opened.frame("FROM life").is_empty()


def test_a_reader_reaches_no_other_file(store, tmp_path):
    secret = tmp_path / "secret.csv"
    secret.write_text("a\n1\n")
    with store.read() as connection, pytest.raises(duckdb.PermissionException):
        connection.execute("SELECT * FROM read_csv($1)", [str(secret)])


def test_a_reader_cannot_write(store):
    with store.read() as connection, pytest.raises(duckdb.Error):
        connection.execute("DELETE FROM store_info")


HOLD = """
import sys, duckdb
connection = duckdb.connect(sys.argv[1])
print("held", flush=True)
sys.stdin.read()
"""


def test_a_store_held_by_another_process_is_waited_for_and_then_named(store):
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(store.path)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert holder.stdout.readline() == "held\n"
    with pytest.raises(StoreBusy, match=str(holder.pid)):
        Store.open(store.path, wait_s=0.2)
    waiting = threading.Timer(0.3, holder.communicate)
    waiting.start()
    assert Store.open(store.path, wait_s=20).revision() == 0
    waiting.join()


def test_readers_and_a_writer_in_one_process_take_turns(store):
    patient = Store.open(store.path, wait_s=30)
    seen: list[int] = []

    def read() -> None:
        seen.extend(patient.revision() for _ in range(20))

    readers = [threading.Thread(target=read) for _ in range(3)]
    for reader in readers:
        reader.start()
    for number in range(5):
        with patient.write() as connection:
            connection.execute(
                "INSERT INTO component VALUES ($1, 's', 't', 'r', NULL, false)", [str(number)]
            )
    for reader in readers:
        reader.join()
    assert patient.revision() == 5
    assert len(seen) == 60


@pytest.mark.parametrize(
    "row",
    [
        "INSERT INTO loaded_meter VALUES (1, 1, NULL, 'v', DATE '2020-01-01', -5, NULL, 'fuel')",
        "INSERT INTO loaded_service_rule VALUES (1, 1, NULL, 'v8', 't', NULL, NULL, NULL, NULL, 'maker', false)",
        "INSERT INTO load VALUES (1, 'repairs', 'f', repeat('0', 64), now()::TIMESTAMP, 'me', [], '{}', 3, 1, 1, 0, NULL, NULL)",
    ],
)
def test_the_schema_refuses_what_cannot_be(store, row):
    with pytest.raises(duckdb.ConstraintException), store.write() as connection:
        connection.execute(row)
