"""Runs the benches of this folder and prints one table.

    python tests/bench/run.py [WORD ...]     only modules whose name holds one of the words

A module ``bench_*.py`` takes part by having ``benches()``, which returns a list of either kind:

- a `Bench` compares two calls. Ours and the peer's are functions without arguments that do the
  same work on the same arrays, and ``agree(ours, peer)`` raises AssertionError where their answers
  differ. They are called in turns within one process, so that a busy machine slows both, and the
  medians are compared. A peer that cannot be run here is given as a string that says why:
  "R is not installed". A peer that times itself (a program of its own) answers with `Timed`.
- a dict is a measurement that ``benches()`` has made: ``name``, ``value`` and ``at_most`` (the
  bound on the value, or None); further keys are kept in the results.

Ratios hold for one run on one machine. Results go to tests/bench/results/, which is not committed.
"""

from __future__ import annotations

import importlib
import json
import platform
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Timed:
    """An answer whose seconds were measured by the peer itself."""

    answer: Any
    seconds: float


@dataclass(frozen=True)
class Bench:
    """One comparison; ``goal`` is the least ratio of the peer's time to ours, or None."""

    name: str
    peer_name: str
    ours: Callable[[], Any]
    peer: Callable[[], Any] | str
    agree: Callable[[Any, Any], None]
    goal: float | None = None
    repetitions: int = 5
    peer_repetitions: int | None = None


def timed(call: Callable[[], Any]) -> Timed:
    start = time.perf_counter()
    answer = call()
    seconds = time.perf_counter() - start
    return answer if isinstance(answer, Timed) else Timed(answer, seconds)


def measure(bench: Bench) -> dict[str, Any]:
    row: dict[str, Any] = {"name": bench.name, "peer": bench.peer_name, "goal": bench.goal}
    # The first call of each is not counted: it makes the data and loads the libraries.
    timed(bench.ours)
    ours: list[Timed] = []
    peer: list[Timed] = []
    if isinstance(bench.peer, str):
        row["note"] = bench.peer
    turns = bench.repetitions
    peer_turns = turns if bench.peer_repetitions is None else bench.peer_repetitions
    for turn in range(turns):
        ours.append(timed(bench.ours))
        if not isinstance(bench.peer, str) and turn < peer_turns:
            peer.append(timed(bench.peer))
    row["ours_seconds"] = statistics.median(one.seconds for one in ours)
    if peer:
        bench.agree(ours[-1].answer, peer[-1].answer)
        row["peer_seconds"] = statistics.median(one.seconds for one in peer)
        row["ratio"] = row["peer_seconds"] / row["ours_seconds"]
    return row


def report_measured(row: dict[str, Any]) -> str:
    bound = "" if row["at_most"] is None else f"at most {row['at_most']:g}"
    missed = row["at_most"] is not None and row["value"] > row["at_most"]
    return f"{row['name']:<65} {row['value']:>9.4g}  {bound}{'  above it' if missed else ''}"


def report(row: dict[str, Any]) -> str:
    goal = "" if row["goal"] is None else f"{row['goal']:g}x"
    if "ratio" not in row:
        return (
            f"{row['name']:<52} {row['peer']:<12} {row['ours_seconds']:>9.4f} "
            f"{'':>9} {'':>8} {goal:>6}  {row['note']}"
        )
    reached = "" if row["goal"] is None or row["ratio"] >= row["goal"] else "  below the goal"
    return (
        f"{row['name']:<52} {row['peer']:<12} {row['ours_seconds']:>9.4f} "
        f"{row['peer_seconds']:>9.4f} {row['ratio']:>7.1f}x {goal:>6}{reached}"
    )


def main(words: list[str]) -> None:
    sys.path.insert(0, str(HERE))
    head = f"{'bench':<52} {'peer':<12} {'ours s':>9} {'peer s':>9} {'ratio':>8} {'goal':>6}"
    print(head)
    rows = []
    for path in sorted(HERE.glob("bench_*.py")):
        if words and not any(word in path.stem for word in words):
            continue
        for bench in importlib.import_module(path.stem).benches():
            row = measure(bench) if isinstance(bench, Bench) else dict(bench)
            rows.append(row)
            print(report(row) if isinstance(bench, Bench) else report_measured(row), flush=True)
    results = HERE / "results"
    results.mkdir(exist_ok=True)
    now = datetime.now(UTC)
    about = {"at": now.isoformat(), "python": platform.python_version(), "benches": rows}
    (results / f"{now:%Y%m%dT%H%M%S}.json").write_text(json.dumps(about, indent=1))


if __name__ == "__main__":
    # Run as a program this module would be loaded twice, with two Bench classes.
    sys.modules["run"] = sys.modules["__main__"]
    main(sys.argv[1:])
