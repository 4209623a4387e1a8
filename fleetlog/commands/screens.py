"""Report, dashboard and demonstration."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fleetlog import terminal
from fleetlog.commands.options import DEFAULT_STORE, Family, StorePath
from fleetlog.store import Store


def report(
    out: Annotated[Path, typer.Argument(help="The HTML file to write.")] = Path(
        "fleet-report.html"
    ),
    component: Annotated[
        list[str] | None,
        typer.Option(help="Components to report on; those that fail most if not said."),
    ] = None,
    engine_family: Family = None,
    store: StorePath = DEFAULT_STORE,
) -> None:
    """Write one self-contained HTML report."""
    # Charts take a second to import: only the commands that draw pay for it.
    from fleetlog.report import write_store_report  # noqa: PLC0415

    with terminal.progress("report") as progress:
        write_store_report(
            out, Store.open(store), components=component, engine_family=engine_family,
            progress=progress,
        )  # fmt: skip
    terminal.sentences([f"Wrote {out}."])


def serve(
    store: StorePath = DEFAULT_STORE,
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="Port to listen on.")] = 8050,
) -> None:
    """Open the dashboard on this machine, until interrupted."""
    from dashboards.app import serve as serve_dashboard  # noqa: PLC0415

    Store.open(store)
    terminal.sentences([f"Dashboard at http://{host}:{port} (Ctrl+C ends it)."])
    serve_dashboard(store, host=host, port=port)


def demo(
    directory: Annotated[Path, typer.Argument(help="Folder for files, store and report.")] = Path(
        "demo-fleet"
    ),
    vehicles: Annotated[int, typer.Option(help="How many vehicles the invented fleet has.")] = 450,
    seed: Annotated[int, typer.Option(help="Another seed, another fleet.")] = 2026,
) -> None:
    """Invent a fleet, load its untidy exports, and answer what each user would ask."""
    from fleetlog.demo.tour import give_tour  # noqa: PLC0415

    give_tour(directory, vehicles=vehicles, seed=seed)
