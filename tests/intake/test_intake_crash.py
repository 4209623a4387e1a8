"""A load that is cut short leaves the store as it was before it or as it is after it."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from fleetlog import intake
from fleetlog.intake import loading
from fleetlog.store import Store


@pytest.fixture
def lines(tmp_path, vins):
    path = tmp_path / "lines.csv"
    rows = [f"N,{n // 3},{vins[n // 3 % 4]},2021-03-04,Lifter,{n}" for n in range(30_000)]
    path.write_text("shop,ro_no,vin,opened_on,component,part_no\n" + "\n".join(rows) + "\n")
    return path


@pytest.fixture
def fewer_lines(tmp_path, vins):
    path = tmp_path / "fewer.csv"
    rows = [f"N,{n // 3},{vins[n // 3 % 4]},2021-03-04,Lifter,{n}" for n in range(300)]
    path.write_text("shop,ro_no,vin,opened_on,component,part_no\n" + "\n".join(rows) + "\n")
    return path


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


KILLS = 30
# Forks before anything of the database has run, so that each of many loads starts at once.
KILL = """
import os, random, shutil, signal, sys, time
from fleetlog import intake
from fleetlog.store import Store

store, lines, folder, kills = sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4])
chooser = random.Random(20)

def begin(number):
    own = shutil.copy(store, f"{folder}/{number}.fleetlog")
    process = os.fork()
    if process == 0:
        intake.load(Store.open(own), lines, kind="repairs")
        os._exit(0)
    return process

began = time.monotonic()
assert os.waitpid(begin("whole"), 0)[1] == 0
whole_s = time.monotonic() - began
for number in range(kills):
    process = begin(number)
    time.sleep(chooser.uniform(0, 1.1 * whole_s))
    os.kill(process, signal.SIGKILL)
    os.waitpid(process, 0)
"""


@pytest.mark.slow
def test_killed_at_any_moment_a_load_has_happened_or_not(
    store, fewer_lines, tmp_path, state, differing
):
    folder = tmp_path / "killed"
    folder.mkdir()
    before = state(store)
    subprocess.run(
        [sys.executable, "-c", KILL, store.path, fewer_lines, folder, str(KILLS)], check=True
    )
    after = state(Store.open(folder / "whole.fleetlog"))
    happened = []
    for number in range(KILLS):
        found = state(Store.open(folder / f"{number}.fleetlog"))
        happened.append(found["load"].height > before["load"].height)
        # Only the moment of the load differs from run to run.
        told = after if happened[-1] else before
        found["load"], told = (
            found["load"].drop("loaded_at"),
            told | {"load": told["load"].drop("loaded_at")},
        )
        assert differing(told, found) == [], number
    assert 0 < sum(happened) < KILLS, "the kills did not fall on both sides of the commit"
    # The next load clears away what the killed ones left, and goes through.
    cut_short = happened.index(False)
    result = intake.load(Store.open(folder / f"{cut_short}.fleetlog"), fewer_lines, kind="repairs")
    assert result.orders_new == 100
    assert list(folder.glob(f".{cut_short}.fleetlog*")) == []


@pytest.mark.parametrize("moment", ["reading", "checking", "coding", "writing"])
def test_interrupt_leaves_the_store_as_it_was(store, lines, tmp_path, state, differing, moment):
    before = state(store)

    def interrupt(what: str, _share: float) -> None:
        if what.startswith(moment):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        intake.load(store, lines, kind="repairs", progress=interrupt)
    assert differing(before, state(store)) == []
    assert names(tmp_path) == ["lines.csv", "own.fleetlog"]


def test_failure_in_the_transaction_leaves_the_store_as_it_was(
    store, lines, tmp_path, state, differing, monkeypatch
):
    def fail(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    before = state(store)
    monkeypatch.setattr(loading, "rebuild", fail)
    with pytest.raises(KeyboardInterrupt):
        intake.load(store, lines, kind="repairs")
    assert differing(before, state(store)) == []
    assert names(tmp_path) == ["lines.csv", "own.fleetlog"]


FULL = """
import resource, signal, sys
from fleetlog import intake
from fleetlog.errors import StoreError
from fleetlog.store import Store
store = Store.open(sys.argv[1])
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), int(sys.argv[3])))
try:
    intake.load(store, sys.argv[2], kind="repairs")
except StoreError as error:
    print(error)
    sys.exit(1)
"""


@pytest.mark.parametrize("room", [100_000, 1_200_000])
def test_full_disk_is_a_sentence_and_leaves_the_store_as_it_was(
    store, lines, tmp_path, state, differing, room
):
    """A limit on the size of a file stands for the full disk: writes fail the same way."""
    before = state(store)
    limit = max(room, store.path.stat().st_size + 20_000) if room > 200_000 else room
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(store.path), str(lines), str(limit)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1, done.stderr
    assert "nothing was changed" in done.stdout
    assert differing(before, state(Store.open(store.path))) == []
    assert [name for name in names(tmp_path) if "staging" in name] == []


def test_scratch_of_a_running_process_is_left_alone(store, lines, tmp_path):
    mine = tmp_path / f".own.fleetlog.staging-{os.getpid()}-000000001"
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait()
    gone = tmp_path / f".own.fleetlog.staging-{dead.pid}-000000001.wal"
    mine.write_text("mine")
    gone.write_text("gone")
    intake.load(store, lines, kind="repairs")
    assert mine.exists()
    assert not gone.exists()
