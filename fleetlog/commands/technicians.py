"""Say whether answers show who did a job, and change that."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog import terminal
from fleetlog.analyses.wording import TECHNICIANS_HIDDEN
from fleetlog.commands.options import DEFAULT_STORE, StorePath
from fleetlog.store import Store


def technicians(
    show: Annotated[
        bool | None,
        typer.Option("--show-names/--hide-names", help="For everybody who asks this store."),
    ] = None,
    store: StorePath = DEFAULT_STORE,
) -> None:
    """Say whether this store shows technicians' names, or have it show or hide them."""
    opened = Store.open(store)
    if show is not None:
        opened.name_technicians(named=show)
    terminal.sentences(
        [
            "Technicians are named in every command, page and export that tells of their orders."
            if opened.technicians_named()
            else TECHNICIANS_HIDDEN
        ]
    )
