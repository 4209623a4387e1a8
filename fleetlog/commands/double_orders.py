"""List orders that tell one job twice, or say which do."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog import analyses, intake, terminal
from fleetlog.commands.options import DEFAULT_STORE, Json, StorePath
from fleetlog.store import Store


def double_orders(
    same: Annotated[
        tuple[str, str] | None,
        typer.Option(help="Say that these two are one job: shop:number or the id in the list."),
    ] = None,
    different: Annotated[
        tuple[str, str] | None, typer.Option(help="Say that these two are two jobs.")
    ] = None,
    reason: Annotated[str | None, typer.Option(help="Why you say so.")] = None,
    by: Annotated[
        str | None, typer.Option(help="Who says so; your login name if not said.")
    ] = None,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """List orders that tell one job twice, surely or perhaps, or say which are."""
    opened = Store.open(store)
    said: dict[intake.Ruling, tuple[str, str] | None] = {"same": same, "different": different}
    rulings = [
        intake.rule_on_orders(opened, *pair, ruling, reason=reason, said_by=by)
        for ruling, pair in said.items()
        if pair
    ]
    if reason and not rulings:
        raise typer.BadParameter("goes with --same or --different", param_hint="--reason")
    result = analyses.double_orders(opened)
    if json:
        terminal.print_json(result)
        return
    terminal.sentences(
        [
            f"RO {r.ro_no} of {r.shop} and RO {r.other_ro_no} of {r.other_shop}: {r.ruling}."
            for r in rulings
        ]
    )
    show_double_orders(result)


def show_double_orders(result: analyses.DoubleOrders, *, most: int = 60) -> None:
    """Print pairs of orders, those that wait for an answer first, and what speaks for each."""
    terminal.sentences(result.summary)
    if result.pairs.is_empty():
        return
    terminal.table(
        result.pairs,
        {
            "state": "state", "kind": "kind", "score": "probability", "unit_no": "unit",
            "ro_id": "id", "shop": "shop", "ro_no": "RO", "opened_on": "opened",
            "odometer": "odometer", "lines": "lines", "other_ro_id": "other id",
            "other_shop": "shop", "other_ro_no": "RO", "other_opened_on": "opened",
            "other_odometer": "odometer", "other_lines": "lines",
        },
        most=most,
    )  # fmt: skip
    terminal.heading("Why")
    terminal.sentences(
        [
            f"{pair['ro_id']} and {pair['other_ro_id']}: {pair['why']}."
            for pair in result.pairs.head(most).to_dicts()
        ]
    )
