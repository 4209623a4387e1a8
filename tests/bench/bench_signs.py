"""Warning signs and what to have ready, of 100,000 vehicles, against the counting they need."""

from __future__ import annotations

import statistics
from typing import Any

from large_fleet import in_own_process, print_measured, seconds

from fleetlog import analyses
from fleetlog.store import Store

MOST_TIMES_COUNTING = 3.0
REPETITIONS = 3
FAMILY, COMPONENT = "V8-51", "valvetrain.rocker-arm"

# The least that warning signs can cost: every visit of the family with its words and codes, told
# from those that found something failed, in the order of the failures of each vehicle.
COUNT_SIGNS = """
    WITH visit AS (
        SELECT coalesce(j.visit_ro, o.ro_id) AS visit_ro, o.vin, min(o.opened_on) AS opened_on,
               any_value(o.complaint) AS complaint, max(len(o.fault_codes)) AS codes,
               bool_or(l.reason = 'failed') AS answered
        FROM repair_order AS o
        JOIN repair_line AS l USING (ro_id)
        JOIN vehicle_span AS s USING (vin)
        LEFT JOIN order_visit AS j USING (ro_id)
        WHERE {family}
        GROUP BY ALL
    ), failure AS (
        SELECT l.component, l.vin, o.opened_on
        FROM life AS l JOIN repair_order AS o ON o.ro_id = l.ended_ro
        JOIN vehicle_span AS s ON s.vin = l.vin
        WHERE l.ended_by = 'failed' AND {component} AND {family}
        GROUP BY ALL
    )
    SELECT f.component, v.complaint, v.codes, count(*), count(f.opened_on - v.opened_on)
    FROM visit AS v ASOF LEFT JOIN failure AS f ON f.vin = v.vin AND f.opened_on >= v.opened_on
    WHERE NOT v.answered
    GROUP BY ALL
"""
# And for every failure how many vehicles of the family were watched at that age, to hold it against.
COUNT_WATCHED = """
    WITH watched AS (
        SELECT engine_family, entry_distance - start_distance AS entered,
               exit_distance - start_distance AS gone
        FROM vehicle_span AS s
        WHERE {family}
    ), step AS (
        SELECT engine_family, age, sum(step) AS step
        FROM (SELECT engine_family, entered AS age, 1 AS step FROM watched
              UNION ALL SELECT engine_family, gone, -1 FROM watched)
        GROUP BY ALL
    ), seen AS (
        SELECT engine_family, age, sum(step) OVER (PARTITION BY engine_family ORDER BY age) AS at_risk
        FROM step
    ), failure AS (
        SELECT l.component, l.vin, s.engine_family, d.distance - s.start_distance AS age
        FROM life AS l JOIN order_distance AS d ON d.ro_id = l.ended_ro
        JOIN vehicle_span AS s ON s.vin = l.vin
        WHERE l.ended_by = 'failed' AND {component} AND {family}
        GROUP BY ALL
    )
    SELECT f.component, count(*), sum(r.at_risk)
    FROM failure AS f ASOF JOIN seen AS r ON r.engine_family = f.engine_family AND f.age >= r.age
    GROUP BY ALL
"""
# And what to have ready: every visit of the family with what it renewed, by component and reason.
COUNT_NEEDS = """
    WITH work AS (
        SELECT coalesce(j.visit_ro, l.ro_id) AS visit_ro, l.component, l.reason, max(l.qty) AS qty,
               max(o.labour_h) AS labour_h
        FROM repair_line AS l
        JOIN repair_order AS o USING (ro_id)
        JOIN vehicle AS v USING (vin)
        LEFT JOIN order_visit AS j USING (ro_id)
        WHERE v.engine_family = 'V8-51'
        GROUP BY ALL
    ), job AS (SELECT DISTINCT visit_ro FROM work WHERE component = 'valvetrain.rocker-arm')
    SELECT j.visit_ro IS NOT NULL AS job, w.component, w.reason, count(*), median(w.qty),
           median(w.labour_h)
    FROM work AS w LEFT JOIN job AS j USING (visit_ro)
    GROUP BY ALL
"""


def count_signs(store: Store, component: str | None, family: str | None) -> None:
    """Count visits with signs, the failures after them and the vehicles as old, in the engine."""
    for query in (COUNT_SIGNS, COUNT_WATCHED):
        store.frame(
            query.format(
                component=f"l.component = '{component}'" if component else "true",
                family=f"s.engine_family = '{family}'" if family else "true",
            )
        )


def measure(store: Store) -> dict[str, Any]:
    """Time each answer and its counting in turns; medians."""
    pairs = {
        "signs before a component's failures, one family": (
            lambda: analyses.warning_signs(store, COMPONENT, engine_family=FAMILY),
            lambda: count_signs(store, COMPONENT, FAMILY),
        ),
        "signs before a component's failures, all families": (
            lambda: analyses.warning_signs(store, COMPONENT),
            lambda: count_signs(store, COMPONENT, None),
        ),
        "what fails after a sign, one family": (
            lambda: analyses.warning_signs(store, sign="tick", engine_family=FAMILY),
            lambda: count_signs(store, None, FAMILY),
        ),
        "what to have ready": (
            lambda: analyses.have_ready(store, FAMILY, COMPONENT),
            lambda: store.frame(COUNT_NEEDS),
        ),
    }
    found: dict[str, Any] = {"lines": int(store.frame("SELECT count(*) FROM repair_line").item())}
    for name, (ours, counting) in pairs.items():
        ours(), counting()  # the first call loads libraries and warms the file
        times = [(seconds(ours), seconds(counting)) for _ in range(REPETITIONS)]
        found[name] = {
            "ours_s": statistics.median(mine for mine, _ in times),
            "counting_s": statistics.median(theirs for _, theirs in times),
        }
    return found


def benches() -> list[dict[str, object]]:
    """Measure in a process of its own."""
    found = in_own_process(__file__)
    lines = found.pop("lines")
    return [
        {
            "name": f"{name}, times the counting ({lines:,} lines)",
            "value": times["ours_s"] / times["counting_s"],
            "at_most": MOST_TIMES_COUNTING,
            **times,
        }
        for name, times in found.items()
    ]


if __name__ == "__main__":
    print_measured(measure)
