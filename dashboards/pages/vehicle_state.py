"""What is due, in doubt and open last on one vehicle: pieces of the vehicle record."""

from __future__ import annotations

from typing import Any

import polars as pl
from dash import html

from dashboards.widgets import table
from dashboards.wording import NOT_KNOWN, day, decimals, whole
from fleetlog.analyses.due_tasks import interval_words
from fleetlog.analyses.vehicle_record import VehicleRecord
from fleetlog.analyses.vehicle_warnings import VehicleWarnings

#: A mark beside the word of each state, so that no colour is needed to tell them apart.
STATE_WORDS = {
    "overdue": "▲ overdue", "due": "◆ due soon", "later": "● later", "not known": "○ not known",
}  # fmt: skip


def due_section(record: VehicleRecord) -> list[Any]:
    """List the tasks by how pressing they are, each with what is left of its interval."""
    if record.due.is_empty():
        why = (
            "The vehicle is retired: nothing is due."
            if record.retired_on
            else "The store has no service rules for this engine family."
        )
        return [html.H2("Due and overdue"), html.P(why, className="fl-lead")]
    return [
        html.H2("Due and overdue"),
        html.P(
            f"Counted on {day(record.as_of)}, the last day in the records of the fleet. Days are "
            f"estimated by the vehicle's own pace{_pace(record)}.",
            className="fl-lead",
        ),
        table(
            ("Task", "State", "Left", "Falls due", "Last done", "Interval, by whom"),
            [
                (
                    task["task"] + (", safety-critical" if task["safety_critical"] else ""),
                    STATE_WORDS[task["state"]],
                    _left(task, record.unit),
                    _falls_due(task, record.unit),
                    _last_done(task, record.unit),
                    f"{interval_words(task, record.unit)}, {task['origin']}",
                )
                for task in record.due.iter_rows(named=True)
            ],
            label="Tasks due and overdue", numbers=(), wrapped=(3, 4, 5), narrow=(1,),
        ),
    ]  # fmt: skip


def _pace(record: VehicleRecord) -> str:
    if record.pace is None:
        return ", which is not known"
    return f" ({decimals(record.pace, 1)} {record.unit} a day over {whole(record.pace_days)} days)"


def _last_done(task: dict[str, Any], unit: str) -> str:
    if task["last_done_on"] is None:
        return str(task["note"] or NOT_KNOWN)
    said = (
        f"{day(task['last_done_on'])} at {whole(task['last_done_distance'])} {unit}, "
        f"{task['ro_no']}, {task['shop']}"
    )
    return f"{said} ({task['note']})" if task["note"] else said


def _left(task: dict[str, Any], unit: str) -> str:
    left = [
        f"{whole(task[name])} {word}".replace("-", "\N{MINUS SIGN}")
        for name, word in (
            ("left_distance", unit),
            ("left_days", "days"),
            ("left_hours", "engine hours"),
        )
        if task[name] is not None
    ]
    return ", ".join(left) or NOT_KNOWN


def _falls_due(task: dict[str, Any], unit: str) -> str:
    at = f"at {whole(task['due_at_distance'])} {unit}" if task["due_at_distance"] else ""
    if task["due_on"] is None:
        return at or NOT_KNOWN
    lower, upper = task["due_on_lower"], task["due_on_upper"]
    about = "" if lower == task["due_on"] else "about "
    limits = ""
    if about and lower is not None:
        limits = f"\n({day(lower)} to {day(upper)})" if upper else f"\n({day(lower)} or later)"
    on = f"{about}{day(task['due_on'])}{limits}"
    return f"{at}\n{on}" if at else on


def windows_section(record: VehicleRecord) -> list[Any]:
    """List the repairs that may still come back."""
    if record.windows.is_empty():
        return []
    return [
        html.H2("Repairs that may still come back"),
        html.P(
            f"Within {record.window_days} days or {whole(record.window_distance)} {record.unit}, "
            "whichever is later, the same fault is a comeback.",
            className="fl-lead",
        ),
        table(
            ("Component", "RO number, shop", "Ready", "Until", f"And until, {record.unit}",
             "Closes about", "Since then"),
            [
                (
                    window["title"], f"{window['ro_no']}, {window['shop']}",
                    day(window["ready_on"]), day(window["until_on"]),
                    whole(window["until_distance"]), day(window["closes_on"]),
                    f"at fault again on {day(window['back_on'])}, {window['back_ro_no']}, "
                    f"{window['back_shop']}" if window["back_on"] else "",
                )
                for window in record.windows.iter_rows(named=True)
            ],
            label="Repairs that may still come back", numbers=(4,),
        ),
    ]  # fmt: skip


def warnings_section(result: VehicleWarnings) -> list[Any]:
    """List the warnings, each with the figure that it rests on."""
    return [
        html.H2("What the fleet's lives say of these parts"),
        html.P(result.summary[0]),
        html.Ul(
            [
                html.Li(
                    [
                        html.Strong(
                            f"{row['kind'].capitalize()}"
                            f"{', safety-critical' if row['safety_critical'] else ''}. "
                        ),
                        row["said"],
                    ]
                )
                for row in result.warnings.iter_rows(named=True)
            ],
            className="fl-warnings",
        )
        if result.warnings.height
        else None,
        html.Div([html.P(sentence) for sentence in result.summary[1:]], className="fl-lead"),
    ]


def opened_section(record: VehicleRecord) -> list[Any]:
    """List when each group of parts was last laid open, and what was noted then."""
    if record.last_open.is_empty():
        return []
    return [
        html.H2("Last time it was open"),
        html.P(
            "For parts laid open by one teardown: what was done and noted then. Torques are what "
            "was written down, no specification: the maker's figure comes first.",
            className="fl-lead",
        ),
        table(
            ("Where", "Renewed or repaired then", f"Ago, {record.unit}", "Ago, days",
             "RO number, shop", "Noted"),
            [
                (
                    each["group"], each["parts"], whole(each["since_distance"]),
                    whole(each["since_days"]),
                    f"{day(each['opened_on'])}, {each['ro_no']}, {each['shop']}"
                    + (f", by {each['technician']}" if each["technician"] else ""),
                    " ".join(
                        f"{name}: {each[field]}."
                        for name, field in (
                            ("Cause", "cause"), ("Correction", "correction"),
                            ("Torques", "torques"),
                        )
                        if each[field]
                    ),
                )
                for each in record.last_open.iter_rows(named=True)
            ],
            label="Last time each group of parts was open", numbers=(2, 3), wrapped=(5,),
        ),
    ]  # fmt: skip


def torques_section(torques: pl.DataFrame) -> list[Any]:
    """List what was written down on past jobs, where anything was."""
    if torques.is_empty():
        return []
    return [
        html.H2("Torques written down"),
        html.P(
            "What was noted on past jobs, which is no specification: the maker's figure comes "
            "first.",
            className="fl-lead",
        ),
        table(
            ("Fastener", "As written", "N m", "Opened", "RO number, shop"),
            [
                (
                    note["fastener"],
                    f"{note['value']:g} {note['unit']}"
                    + (f", in doubt: {note['doubt']}" if note["doubt"] else ""),
                    decimals(note["newton_metres"], 1), day(note["opened_on"]),
                    f"{note['ro_no']}, {note['shop']}",
                )
                for note in torques.iter_rows(named=True)
            ],
            label="Torques written down on past jobs", numbers=(2,),
        ),
    ]  # fmt: skip


def doubts_section(record: VehicleRecord) -> list[Any]:
    """List what is not settled about the records, folded away, with the counts in sight."""
    if record.doubts.is_empty():
        return []
    return [
        html.H2("Not settled about these records"),
        *(
            html.Details(
                [
                    html.Summary(f"{what.capitalize()}: {count:,} ({do})"),
                    html.P(where),
                ],
                className="fl-details",
            )
            for what, count, where, do in record.doubts.iter_rows()
        ),
    ]
