"""Propose a column map, and ask what a file does not settle."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from fleetlog import intake, terminal
from fleetlog.commands.options import Json
from fleetlog.errors import InputError
from fleetlog.store import Store


def map_columns(
    file: Annotated[Path, typer.Argument(help="File to propose a column map for.")],
    kind: Annotated[str | None, typer.Option(help="Of file; proposed too if not said.")] = None,
    out: Annotated[Path | None, typer.Option(help="TOML file that the map goes to.")] = None,
    store: Annotated[
        Path | None, typer.Option("--store", help="Store whose vehicles tell columns apart.")
    ] = None,
    date_order: Annotated[str | None, typer.Option(help="dmy, mdy or ymd.")] = None,
    distance_unit: Annotated[str | None, typer.Option(help="mi or km.")] = None,
    shop: Annotated[str | None, typer.Option(help="Name of the shop.")] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace the file of --out.")] = False,
    json: Json = False,
) -> None:
    """Propose a column map from the headings and the cells; ask what the file does not settle."""
    if out and out.exists() and not force:
        raise InputError(f"{out} is there already: name another file, or say --force")

    def propose(kind: str | None) -> intake.Proposal:
        return intake.propose_map(
            file,
            kind=kind,
            store=Store.open(store) if store else None,
            date_order=date_order,
            distance_unit=distance_unit,
            shop=shop,
        )

    proposal = propose(kind)
    if sys.stdin.isatty() and not json:
        while proposal.questions:
            question = proposal.questions[0]
            answer = ask(question)
            proposal = (
                propose(answer) if question.about == "kind" else proposal.answered(question, answer)
            )
    if out:
        out.write_text(proposal.to_toml(), encoding="utf-8")
    if json:
        terminal.print_json(proposal)
    else:
        show_proposal(proposal)
    if not proposal.can_load:
        terminal.ERR.print(
            f"fleetlog: {file.name}: the map is not complete; fill in what is marked OPEN, or "
            "answer with --kind, --date-order, --distance-unit or --shop",
            markup=False, soft_wrap=True,
        )  # fmt: skip
        raise typer.Exit(1)


def ask(question: intake.Question) -> str:
    """Ask one question until one of its choices is given; what a load can do without may stay."""
    terminal.sentences([question.text, *(f"  as in {cell}" for cell in question.examples)])
    while True:
        hint = f" ({', '.join(question.choices)})" if question.choices else ""
        blank = None if question.needed else ""
        answer: str = typer.prompt(question.about + hint, default=blank, show_default=False)
        if not question.choices or answer in question.choices or answer == blank:
            return answer


def show_proposal(proposal: intake.Proposal) -> None:
    """Print the proposed columns, what is left over and what is open."""
    terminal.heading(f"{proposal.file_name}: {proposal.kind}")
    terminal.table(proposal.fields, most=200)
    if proposal.unused:
        terminal.sentences(["Kept only as written: " + ", ".join(proposal.unused)])
    terminal.sentences(proposal.remarks)
    terminal.sentences([f"OPEN {q.about}: {q.text}" for q in proposal.questions])
