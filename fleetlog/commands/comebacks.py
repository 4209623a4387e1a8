"""Show which repairs come back, or say that a pair of orders has nothing to do with each other."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog import analyses, intake, terminal
from fleetlog.commands.options import DEFAULT_STORE, Json, StorePath
from fleetlog.settings import COMEBACK_DAYS
from fleetlog.store import Store


def comebacks(
    by: Annotated[
        str,
        typer.Option(
            help="shop, technician, component, access_group, job (a component on an engine "
            "family), part_maker, part_lot, road_tested, codes_cleared, engine_family or depot."
        ),
    ] = "shop",
    same: Annotated[
        str,
        typer.Option(
            help="What makes a return a comeback: the same component, access-group (any part "
            "behind the same covers) or complaint."
        ),
    ] = "component",
    component: Annotated[str | None, typer.Option(help="Only repairs of this component.")] = None,
    window_days: Annotated[int, typer.Option(help="Days.")] = int(COMEBACK_DAYS.value),
    window_distance: Annotated[
        float | None, typer.Option(help="Distance in the store's unit; 1,000 mi if not said.")
    ] = None,
    unrelated: Annotated[
        tuple[str, str] | None,
        typer.Option(
            help="Say that these two orders, each as shop:number, have nothing to do with each "
            "other; needs --reason."
        ),
    ] = None,
    related: Annotated[
        tuple[str, str] | None, typer.Option(help="Take back that these two are unrelated.")
    ] = None,
    reason: Annotated[str | None, typer.Option(help="Why they are unrelated.")] = None,
    said_by: Annotated[
        str | None, typer.Option(help="Who says so; your login name if not said.")
    ] = None,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show which repairs come back, and whether that is more than the jobs and chance make."""
    if unrelated and not reason:
        raise typer.BadParameter("needs --reason", param_hint="--unrelated")
    if (reason or said_by) and not unrelated:
        raise typer.BadParameter("goes with --unrelated", param_hint="--reason and --said-by")
    opened = Store.open(store)
    rulings = []
    if related:
        rulings.append((intake.rule_related(opened, *related), "may be a comeback again"))
    if unrelated:
        ruled = intake.rule_unrelated(opened, *unrelated, reason=reason or "", said_by=said_by)
        rulings.append((ruled, "said to have nothing to do with each other"))
    result = analyses.comebacks(
        opened,
        by=by,
        same=same,
        component=component,
        window_days=window_days,
        window_distance=window_distance,
    )
    if json:
        terminal.print_json(result)
        return
    terminal.sentences(
        [
            f"RO {two.ro_no} of {two.shop} and RO {two.other_ro_no} of {two.other_shop}: {what}."
            for two, what in rulings
        ]
    )
    show_comebacks(result)


def show_comebacks(result: analyses.Comebacks, *, most: int = 40) -> None:
    """Print the answer, the rates of each group, and the pairs of orders."""
    terminal.sentences(result.summary)
    terminal.heading(f"By {result.by.replace('_', ' ')}")
    show_groups(result, most=most)
    terminal.heading("The repairs that came back")
    columns = {
        "unit_no": "unit", "title": "component", "shop": "shop", "ro_no": "RO",
        "opened_on": "repaired", "back_shop": "back at", "back_ro_no": "RO then",
        "back_on": "came back", "days": "days", "distance": result.unit,
    }  # fmt: skip
    if result.same == "complaint":
        columns |= {"back_complaint": "complaint", "matched_by": "matched by"}
    terminal.table(result.pairs, columns, most=15)
    terminal.sentences(
        [f"Left out, {row['why']}: {row['count']:,}." for row in result.left_out.to_dicts()]
    )
    if result.unrelated.height:
        terminal.heading("Not counted: said to be unrelated")
        terminal.table(
            result.unrelated,
            {
                "shop": "shop", "ro_no": "RO", "opened_on": "opened", "other_shop": "shop",
                "other_ro_no": "RO", "other_opened_on": "opened", "reason": "reason",
                "said_by": "said by",
            },
            most=15,
        )  # fmt: skip


def show_groups(result: analyses.Comebacks, *, most: int = 40) -> None:
    """Print the rates of each group, shares as percentages."""
    terminal.table(
        terminal.as_percentages(
            result.groups, "rate", "lower", "upper", "shrunk", "shrunk_lower", "shrunk_upper"
        ),
        {
            "group": result.by.replace("_", " "), "repairs": "repairs", "comebacks": "came back",
            "rate": "rate %", "lower": "from", "upper": "to", "shrunk": "shrunk %",
            "expected": "expected", "ratio": "times", "ratio_lower": "from",
            "ratio_upper": "to", "verdict": "verdict", "note": "note",
        },
        most=most,
    )  # fmt: skip
