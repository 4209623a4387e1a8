"""Show how far the records can be trusted."""

from __future__ import annotations

from fleetlog import analyses, terminal
from fleetlog.commands.options import DEFAULT_STORE, Json, StorePath
from fleetlog.store import Store


def quality(store: StorePath = DEFAULT_STORE, json: Json = False) -> None:
    """Show how far the records can be trusted, and what to mend first."""
    result = analyses.quality(Store.open(store))
    terminal.answer(result, show_quality, json=json)


def show_quality(result: analyses.Quality) -> None:
    """Print the answer, what to mend first, and the evidence."""
    terminal.sentences(result.summary)
    terminal.heading("What to mend first")
    terminal.table(
        result.fix_first,
        {
            "what": "what", "where": "where", "rows": "rows", "gain": "gain",
            "failures": "failures", "lower": "from", "upper": "to", "do": "what to do",
        },
        most=12,
    )  # fmt: skip
    terminal.heading("Lines by where their part was read")
    terminal.table(result.coding)
    terminal.heading("Failures")
    terminal.table(result.failures)
    terminal.heading("Fields least filled")
    terminal.table(result.completeness.sort("share").drop("lower", "upper"), most=12)
    if result.readings.height:
        terminal.heading("Odometer readings")
        terminal.table(result.readings, most=12)
    if result.vehicles.height:
        terminal.heading("Vehicles found otherwise than written")
        terminal.table(result.vehicles, most=12)
    terminal.heading("The last two quarters against before")
    terminal.table(result.drift)
