"""Comebacks of 100,000 vehicles with a million lines, against the query alone that counts them."""

from __future__ import annotations

from large_fleet import in_own_process, print_measured, seconds

from fleetlog import analyses
from fleetlog.settings import COMEBACK_DAYS, COMEBACK_MILES
from fleetlog.sql import read_sql
from fleetlog.store import Store

MOST_TIMES_THE_QUERY = 3.0
REPETITIONS = 3
GROUPINGS = ("shop", "technician", "part_lot")


def measure(store: Store) -> dict[str, float]:
    """Time the query and the answers in turns; the query counts its rows and hands none over."""
    query = read_sql("analyses", "comebacks").format(work=read_sql("analyses", "comeback_lines"))
    asked = {
        "by": "shop", "same": "component", "component": None, "name_technicians": False,
        "window_days": int(COMEBACK_DAYS.value), "window_distance": COMEBACK_MILES.value,
    }  # fmt: skip
    counts, answers = [], {by: [] for by in GROUPINGS}
    for _ in range(REPETITIONS):
        counts.append(
            seconds(
                lambda: store.frame(
                    f"SELECT count(*), sum(came_back::INTEGER), max(hash(p)) FROM ({query}) AS p",
                    asked,
                )
            )
        )
        for by in GROUPINGS:
            answers[by].append(seconds(lambda by=by: analyses.comebacks(store, by=by)))
    lines = int(store.frame("SELECT count(*) FROM repair_line").item())
    return {"lines": lines, "query_s": min(counts)} | {
        f"{by}_s": min(times) for by, times in answers.items()
    }


def benches() -> list[dict[str, object]]:
    """Measure in a process of its own, so that nothing else is in its memory."""
    found = in_own_process(__file__)
    return [
        {
            "name": f"comebacks by {by} in a million lines, times the counting query alone",
            "value": found[f"{by}_s"] / found["query_s"],
            "at_most": MOST_TIMES_THE_QUERY,
            **found,
        }
        for by in GROUPINGS
    ]


if __name__ == "__main__":
    print_measured(measure)
