"""Show which complaints and fault codes come before a failure."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog import analyses, terminal
from fleetlog.analyses.warning_signs import rate_unit
from fleetlog.commands.options import DEFAULT_STORE, Clock, Family, Json, StorePath
from fleetlog.store import Store


def warning_signs(
    component: Annotated[
        str | None, typer.Argument(help="Which signs come before its failures?")
    ] = None,
    sign: Annotated[
        str | None,
        typer.Option(help="What fails after it? A complaint word, as in tick, or a fault code."),
    ] = None,
    engine_family: Family = None,
    clock: Clock = "days",
    horizon: Annotated[
        float | None,
        typer.Option(help="How far ahead to look, on the clock; 60 days or 3,000 mi if not said."),
    ] = None,
    answered: Annotated[
        bool,
        typer.Option(
            "--answered", help="Also take signs of visits that renewed another part as failed."
        ),
    ] = False,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show which complaints and fault codes come before a failure, and how long before."""
    result = analyses.warning_signs(
        Store.open(store),
        component,
        sign=sign,
        engine_family=engine_family,
        clock=clock,
        horizon=horizon,
        answered=answered,
    )
    terminal.answer(result, show_warning_signs, json=json)


def show_warning_signs(result: analyses.WarningSigns) -> None:
    """Print the answer, the figures of each pair, the orders behind them, and what was left out."""
    terminal.sentences(result.summary)
    subject = {"sign_title": "sign"} if result.component else {"component_title": "component"}
    terminal.heading(f"Within {result.horizon:,} {result.unit}; limits at {result.level:.0%}")
    terminal.table(
        result.pairs,
        subject
        | {
            "stands_out": "stands out", "visits": "visits", "failures": "failures",
            "warned": "warned", "sensitivity": "share", "sensitivity_lower": "from",
            "sensitivity_upper": "to", "background": "others", "odds_ratio": "odds ratio",
            "odds_ratio_lower": "from", "odds_ratio_upper": "to", "q_value": "q",
        },
        most=15,
    )  # fmt: skip
    terminal.heading(f"After the sign: chance, lead, and false alarms per {rate_unit(result)}")
    terminal.table(
        result.pairs,
        subject
        | {
            "followed": "followed", "visits": "of", "chance": "chance", "chance_lower": "from",
            "chance_upper": "to", "usual_chance": "usual", "lead_days": "days",
            "lead_days_p10": "1 in 10", "lead_days_p90": "9 in 10", "lead_distance": "distance",
            "false_rate": "false", "note": "note",
        },
        most=15,
    )  # fmt: skip
    terminal.heading("Signs that came before a failure")
    terminal.table(result.evidence.drop("vin"), most=15)
    if result.standing.height:
        terminal.heading("Standing now, with no failure since")
        terminal.table(result.standing.drop("vin"), most=15)
    terminal.heading("Left out")
    terminal.table(result.left_out)
