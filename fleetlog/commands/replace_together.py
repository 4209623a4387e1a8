"""Show what to renew together while an engine is open."""

from __future__ import annotations

from typing import Annotated

import polars as pl
import typer

from fleetlog import analyses, terminal
from fleetlog.commands.options import (
    DEFAULT_STORE,
    DowntimeCost,
    Family,
    Json,
    StorePath,
    conditions,
)
from fleetlog.settings import CAUTION, DOWNTIME_COST_PER_HOUR
from fleetlog.store import Store

Amounts = list[str] | None


def replace_together(
    ro: Annotated[str | None, typer.Option(help="Number of the repair order.")] = None,
    shop: Annotated[str | None, typer.Option(help="Shop of that order.")] = None,
    vehicle: Annotated[
        str | None,
        typer.Option(help="VIN, its last 6 or 8, unit number or plate: as last seen."),
    ] = None,
    engine_family: Family = None,
    failed: Annotated[
        str | None, typer.Option(help="Code of the component that failed, without an order.")
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option(help="Where it sits, as in bank=2; may be given again."),
    ] = None,
    odometer: Annotated[
        float | None, typer.Option(help="Of the open engine, in the store's unit.")
    ] = None,
    keep: Annotated[
        float | None,
        typer.Option(help="How much further the vehicle will be kept, in the store's unit."),
    ] = None,
    months: Annotated[
        float | None, typer.Option(help="How many months it will be kept, in place of --keep.")
    ] = None,
    part_cost: Annotated[
        Amounts, typer.Option(help="Of one part, as in valvetrain.lifter=27.")
    ] = None,
    extra_labour: Annotated[
        Amounts, typer.Option(help="Hours that one part adds, as in valvetrain.camshaft=2.")
    ] = None,
    damage: Annotated[
        Amounts,
        typer.Option(help="What its failure spoils on average, as in valvetrain.rocker-arm=120."),
    ] = None,
    opening_cost: Annotated[
        float | None, typer.Option(help="Of opening up again, labour and time stopped.")
    ] = None,
    labour_rate: Annotated[float | None, typer.Option(help="Of one hour of labour.")] = None,
    downtime_cost: DowntimeCost = DOWNTIME_COST_PER_HOUR.value,
    one_opening_serves: Annotated[
        float | None,
        typer.Option(help="Distance within which one later opening serves unlike failures."),
    ] = None,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show what else to renew while the engine is open."""
    result = analyses.replace_together(
        Store.open(store),
        ro_no=ro,
        shop=shop,
        vehicle=vehicle,
        engine_family=engine_family,
        failed=failed,
        position=conditions(at),
        odometer=odometer,
        horizon=keep,
        months=months,
        part_cost=_amounts(part_cost),
        extra_labour=_amounts(extra_labour),
        damage=_amounts(damage),
        opening_cost=opening_cost,
        labour_rate=labour_rate,
        downtime_cost_per_hour=downtime_cost,
        one_opening_serves=one_opening_serves,
    )
    terminal.answer(result, show_replace_together, json=json)


def _amounts(given: Amounts) -> dict[str, float]:
    """Read ``component=amount`` options."""
    amounts = {}
    for code, text in conditions(given).items():
        try:
            amounts[code] = float(text)
        except ValueError:
            raise typer.BadParameter(f"{text!r} of {code} is no number") from None
    return amounts


def show_replace_together(result: analyses.ReplaceTogether, *, most: int = 15) -> None:
    """Print the answer, the parts behind the covers, the sets side by side and the evidence."""
    terminal.sentences(result.summary)
    money, unit = result.currency, result.unit
    terminal.heading(f"Behind the covers; chances within {result.horizon:,.0f} {unit}")
    terminal.table(
        result.parts,
        {
            "title": "part", "positions": "where", "count": "count", "age": f"age, {unit}",
            "generation": "gen.", "given": "given", "chance": "chance each",
            "lower": "from", "upper": "to", "break_even": "break-even",
            "cost_now": f"{money} now", "saving": "saves",
            "saving_lower": "from", "saving_upper": "to", "verdict": "verdict",
        },
    )  # fmt: skip
    for row in result.parts.filter(pl.col("note") != "").rows(named=True):
        terminal.sentences([f"{row['title']}, {row['positions'] or 'one'}: {row['note']}."])
    terminal.heading(f"Choices, in {money}; saving over the first")
    terminal.table(result.choices)
    terminal.heading("What a neighbour's failure does (ratio of failures at the same age)")
    terminal.table(
        result.neighbours,
        {
            "title": "part", "failures": "failures", "ratio": "ratio", "lower": "from",
            "upper": "to", "reckoned_with": "reckoned with", "why": "rests on",
        },
    )  # fmt: skip
    if result.elsewhere.height:
        terminal.heading("The same parts behind other covers")
        terminal.table(result.elsewhere.drop("component"))
    terminal.heading(f"Prices in {money}, of one part")
    terminal.table(
        result.prices,
        {
            "title": "part", "part_cost": "part", "cost_now": "with labour now",
            "cost_later": "per failure later", "opening": "opening again", "basis": "basis",
        },
    )  # fmt: skip
    if result.evidence.height:
        terminal.heading("Failures after one of a neighbour, newest first")
        terminal.table(result.evidence.drop("component", "vin"), most=most)
    if result.left_out.height:
        terminal.heading("Left out")
        terminal.table(result.left_out.drop("component"))
    terminal.OUT.print()
    terminal.sentences([CAUTION])
