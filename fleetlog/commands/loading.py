"""Bring files in, see what is held, put it right, take a load out again."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import polars as pl
import typer

from fleetlog import intake, terminal
from fleetlog.analyses.wording import TECHNICIANS_HIDDEN
from fleetlog.commands.options import DEFAULT_STORE, Json, StorePath
from fleetlog.store import Store


def load(
    files: Annotated[
        list[Path], typer.Argument(help="Files, folders, or patterns in quotes; in any order.")
    ],
    kind: Annotated[
        str | None,
        typer.Option(
            help="engine-families, vehicles, repairs, orders, order-lines, meters, service-rules "
            "or torques; told by map or headings if not said."
        ),
    ] = None,
    columns: Annotated[
        Path | None,
        typer.Option(
            "--map",
            help="TOML file that says which heading is which; one beside the file if not said.",
        ),
    ] = None,
    store: StorePath = DEFAULT_STORE,
    corrections: Annotated[
        bool,
        typer.Option("--corrections", help="The files are corrected ones of 'held --export'."),
    ] = False,
    by: Annotated[str | None, typer.Option(help="Who loads; your login name if not said.")] = None,
    json: Json = False,
) -> None:
    """Load exports into the store; what cannot be kept is held with its reasons."""
    opened = Store.open(store)
    if corrections:
        show_loads(_corrected(opened, files, by), json=json)
        return
    with terminal.progress("load") as report:
        loaded = intake.load_all(
            opened,
            files,
            kind=kind,
            columns=columns,
            progress=lambda name, step, share: report(f"{name}: {step}", share),
            loaded_by=by,
        )
    show_loads(list(loaded.results), json=json)
    if loaded.skipped and not json:
        terminal.sentences([f"No table by its name, and skipped: {', '.join(loaded.skipped)}."])
    for refusal in loaded.refused:
        terminal.ERR.print(f"fleetlog: {refusal.problem}", markup=False, soft_wrap=True)
    if loaded.refused:
        raise typer.Exit(1)


def _corrected(store: Store, files: list[Path], by: str | None) -> list[intake.LoadResult]:
    results: list[intake.LoadResult] = []
    for file in files:
        with terminal.progress(file.name) as report:
            results += intake.load_corrections(store, file, corrected_by=by, progress=report)
    return results


def show_loads(results: list[intake.LoadResult], *, json: bool) -> None:
    """Print what each load brought and what it held."""
    if json:
        terminal.print_json(results)
        return
    for result in results:
        show_load(result)


def show_load(result: intake.LoadResult) -> None:
    """Print what one load brought and what it held."""
    terminal.heading(f"{result.file_name} ({result.kind}), load {result.load_id}")
    if result.already_loaded:
        terminal.sentences(["This file was loaded before and brings nothing new."])
    coded = result.lines_coded
    terminal.sentences(
        [
            f"{result.rows_read} rows read: {result.rows_kept} kept, {result.rows_held} held, "
            f"{result.rows_identical} that bring nothing new ({result.seconds:.1f} s).",
            *(
                [
                    f"{result.orders_new} orders new, {result.orders_changed} changed; lines coded "
                    f"from columns {coded['columns']}, from text {coded['text']}, kept as text "
                    f"only {coded['nothing']}."
                ]
                if result.orders_new or result.orders_changed
                else []
            ),
            *([f"{result.notes} cells read otherwise than written."] if result.notes else []),
        ]
    )
    terminal.sentences(result.remarks)
    if result.unmatched_columns:
        terminal.sentences(
            [f"Columns kept only as written: {', '.join(result.unmatched_columns)}."]
        )
    if result.held_by_reason.height:
        terminal.sentences([f"Held, and why (fleetlog held --load {result.load_id} lists them):"])
        terminal.table(result.held_by_reason, most=20)


def loads(store: StorePath = DEFAULT_STORE, json: Json = False) -> None:
    """List the loads in the store, newest first."""
    rows = intake.loads(Store.open(store))
    if json:
        terminal.print_json(rows)
    else:
        terminal.table(rows)


def held(
    load_id: Annotated[int | None, typer.Option("--load", help="Only this load.")] = None,
    rows: Annotated[bool, typer.Option("--rows", help="List every row, not only reasons.")] = False,
    export: Annotated[
        Path | None,
        typer.Option(help="Write the rows into this workbook, what is wrong beside each cell."),
    ] = None,
    retry: Annotated[
        bool, typer.Option("--retry", help="Try the rows of --load again as they are.")
    ] = False,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """List what is held and why, write it out for correcting, or try it again."""
    opened = Store.open(store)
    if export is not None:
        count = intake.export_held(opened, export, load_id=load_id)
        terminal.sentences(
            [
                f"Wrote {count} held rows to {export}: correct them there, then "
                f"fleetlog load --corrections {export}",
                *([] if opened.technicians_named() else [TECHNICIANS_HIDDEN]),
            ]
        )
        return
    if retry:
        if load_id is None:
            raise typer.BadParameter("name the load with --load", param_hint="--retry")
        with terminal.progress(f"load {load_id}") as report:
            show_load(intake.retry_held(opened, load_id, progress=report))
        return
    found = (intake.held_rows if rows else intake.held_reasons)(opened, load_id)
    if json:
        terminal.print_json(found)
    elif found.is_empty():
        terminal.sentences(["No row is held."])
    else:
        terminal.table(found.drop("cells", strict=False), most=200)


def review(
    export: Annotated[
        Path | None, typer.Option(help="Write the lines into this workbook, to be filled in.")
    ] = None,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """List the lines whose part was not told surely, for somebody to say what it was."""
    opened = Store.open(store)
    if export is not None:
        count = intake.export_review(opened, export)
        terminal.sentences(
            [
                f"Wrote {count} lines to {export}: put a part into the column component where you "
                f"know it, then fleetlog load {export} --kind order-lines"
            ]
        )
        return
    queue = intake.review_queue(opened)
    if json:
        terminal.print_json(queue)
    elif queue.is_empty():
        terminal.sentences(["Every line's part is known."])
    else:
        terminal.sentences(
            [f"Lines that wait for somebody to say which part they are about: {queue.height}."]
        )
        terminal.table(
            queue.with_columns(words=pl.coalesce("description", "narrative")),
            {
                "shop": "shop", "ro_no": "RO", "line_no": "line", "words": "words",
                "suggestion": "it may be", "confidence": "how sure", "alike": "lines alike",
            },
            most=40,
        )  # fmt: skip


def corrections(store: StorePath = DEFAULT_STORE, json: Json = False) -> None:
    """List which cells of held rows were corrected, by whom and when."""
    rows = intake.corrections(Store.open(store))
    if json:
        terminal.print_json(rows)
    elif rows.is_empty():
        terminal.sentences(["No cell has been corrected."])
    else:
        terminal.table(rows, most=200)


def undo_load(
    load_id: Annotated[int, typer.Argument(help="Number of the load, as 'loads' lists it.")],
    store: StorePath = DEFAULT_STORE,
    by: Annotated[str | None, typer.Option(help="Who undoes it.")] = None,
) -> None:
    """Take one load out of the store as if it had never been made."""
    intake.undo_load(Store.open(store), load_id, undone_by=by)
    terminal.sentences([f"Load {load_id} is undone."])
