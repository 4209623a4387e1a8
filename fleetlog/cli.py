"""The ``fleetlog`` command: each command asks one question and shows what the analysis says."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import polars as pl
import typer

from fleetlog import analyses, intake, terminal
from fleetlog.errors import FleetlogError, InputError
from fleetlog.lives import rebuild_all
from fleetlog.settings import CAUTION, COMEBACK_DAYS, DOWNTIME_COST_PER_HOUR
from fleetlog.store import Store
from fleetlog.units import DistanceUnit

app = typer.Typer(
    help="Fleet service history and recurring-failure analysis. " + CAUTION,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    add_completion=False,
)

StorePath = Annotated[
    Path, typer.Option("--store", envvar="FLEETLOG_STORE", help="The store file.")
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON for machines.")]
Component = Annotated[str, typer.Argument(help="Component code, such as valvetrain.rocker-arm.")]
Family = Annotated[
    str | None, typer.Option("--engine-family", help="Only vehicles of this engine family.")
]
Clock = Annotated[str, typer.Option(help="distance or days.")]
Where = Annotated[
    list[str] | None,
    typer.Option(help="Only lives with this value, as in bank=2; may be given again."),
]
Generation = Annotated[str, typer.Option(help="any, first (as built) or later (replacements).")]
KeepAssumed = Annotated[
    bool | None,
    typer.Option(
        "--keep-assumed/--leave-out-assumed",
        help="Parts whose age is assumed because the vehicle was not watched from new; left out "
        "where the others suffice, if not said.",
    ),
]
DEFAULT_STORE = Path("fleet.fleetlog")


def conditions(where: list[str] | None) -> dict[str, str | int]:
    """Read ``column=value`` options."""
    pairs = [text.partition("=") for text in where or ()]
    for column, equals, _ in pairs:
        if not equals:
            raise typer.BadParameter(f"{column!r} is not of the form column=value, as in bank=2")
    return {column: value for column, _, value in pairs}


@app.command("new-store")
def new_store(
    path: Annotated[Path, typer.Argument(help="Where the store file goes.")] = DEFAULT_STORE,
    distance_unit: Annotated[
        DistanceUnit, typer.Option(help="Of every distance in the store, for good.")
    ] = "mi",
    currency: Annotated[str, typer.Option(help="ISO 4217 code of every amount.")] = "USD",
) -> None:
    """Make an empty store."""
    store = Store.create(path, distance_unit=distance_unit, currency=currency)
    terminal.sentences([f"Made {store.path} ({distance_unit}, {currency})."])


@app.command()
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


@app.command("map-columns")
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


@app.command()
def loads(store: StorePath = DEFAULT_STORE, json: Json = False) -> None:
    """List the loads in the store, newest first."""
    rows = intake.loads(Store.open(store))
    if json:
        terminal.print_json(rows)
    else:
        terminal.table(rows)


@app.command()
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
                f"fleetlog load --corrections {export}"
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


@app.command()
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


@app.command("corrections")
def corrections(store: StorePath = DEFAULT_STORE, json: Json = False) -> None:
    """List which cells of held rows were corrected, by whom and when."""
    rows = intake.corrections(Store.open(store))
    if json:
        terminal.print_json(rows)
    elif rows.is_empty():
        terminal.sentences(["No cell has been corrected."])
    else:
        terminal.table(rows, most=200)


@app.command("undo-load")
def undo_load(
    load_id: Annotated[int, typer.Argument(help="Number of the load, as 'loads' lists it.")],
    store: StorePath = DEFAULT_STORE,
    by: Annotated[str | None, typer.Option(help="Who undoes it.")] = None,
) -> None:
    """Take one load out of the store as if it had never been made."""
    intake.undo_load(Store.open(store), load_id, undone_by=by)
    terminal.sentences([f"Load {load_id} is undone."])


@app.command("double-orders")
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


@app.command()
def quality(store: StorePath = DEFAULT_STORE, json: Json = False) -> None:
    """Show how far the records can be trusted, and what to mend first."""
    result = analyses.quality(Store.open(store))
    if json:
        terminal.print_json(result)
    else:
        show_quality(result)


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


@app.command()
def rebuild(store: StorePath = DEFAULT_STORE) -> None:
    """Build the lives of all vehicles anew, as after a new version of fleetlog."""
    vehicles = rebuild_all(Store.open(store))
    terminal.sentences([f"The lives of {vehicles} vehicles are built anew."])


@app.command()
def vehicle(
    key: Annotated[str, typer.Argument(help="VIN, its last 6 or 8, unit number or plate.")],
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show what was done to one vehicle, and the age of its parts."""
    record = analyses.vehicle_record(Store.open(store), key)
    if json:
        terminal.print_json(record)
    else:
        show_vehicle(record)


def show_vehicle(record: analyses.VehicleRecord, *, most: int = 60) -> None:
    """Print one vehicle's record."""
    terminal.sentences(record.summary)
    terminal.heading("Parts renewed so far, as fitted now")
    terminal.table(
        record.parts,
        {
            "title": "part", "positions": "where", "count": "count", "generation": "generation",
            "age_distance": f"age, {record.unit}", "age_days": "age, days", "part_maker": "maker",
            "part_lot": "lot", "fitted_on": "fitted",
        },
        most=most,
    )  # fmt: skip
    if record.torques.height:
        terminal.heading("Torques written down on past jobs (no specification)")
        terminal.table(record.torques, most=most)
    terminal.heading("Repair lines, newest first")
    terminal.table(
        record.lines,
        {
            "opened_on": "opened", "shop": "shop", "ro_no": "RO", "odometer": record.unit,
            "title": "part", "position": "where", "action": "action", "reason": "reason",
            "failure_mode": "failure mode", "part_maker": "maker",
        },
        most=most,
    )  # fmt: skip


@app.command("part-life")
def part_life(
    component: Component,
    engine_family: Family = None,
    by: Annotated[
        list[str] | None, typer.Option(help="Split by this column; may be given again.")
    ] = None,
    where: Where = None,
    clock: Clock = "distance",
    failure_mode: Annotated[str | None, typer.Option(help="Only failures of this mode.")] = None,
    generation: Generation = "any",
    keep_assumed: KeepAssumed = None,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show how long a component lives."""
    result = analyses.part_life(
        Store.open(store),
        component,
        engine_family=engine_family,
        by=by or (),
        where=conditions(where),
        clock=clock,
        failure_mode=failure_mode,
        generation=generation,
        keep_assumed=keep_assumed,
    )
    if json:
        terminal.print_json(result)
    else:
        show_part_life(result)


def show_part_life(result: analyses.PartLife) -> None:
    """Print the answer, the figures of each group, and what was left out."""
    terminal.sentences(result.summary)
    terminal.heading(f"Ages in {result.unit}; limits at {result.level:.0%}")
    terminal.table(
        result.groups,
        {
            "group": "group", "lives": "lives", "vehicles": "vehicles", "failures": "failures",
            "b10": "1 in 10 by", "b10_lower": "from", "b10_upper": "to", "median": "half by",
            "median_lower": "from", "median_upper": "to", "shape": "shape",
            "shape_lower": "from", "shape_upper": "to",
        },
    )  # fmt: skip
    for row in result.groups.filter(result.groups["note"] != "").rows(named=True):
        terminal.sentences([f"{row['group']}: {row['note']}."])
    if result.left_out.height:
        terminal.heading("Left out")
        terminal.table(result.left_out)


@app.command()
def comebacks(
    by: Annotated[
        str, typer.Option(help="shop, component, part_maker, engine_family or depot.")
    ] = "shop",
    component: Annotated[str | None, typer.Option(help="Only repairs of this component.")] = None,
    window_days: Annotated[int, typer.Option(help="Days.")] = int(COMEBACK_DAYS.value),
    window_distance: Annotated[
        float | None, typer.Option(help="Distance in the store's unit; 1,000 mi if not said.")
    ] = None,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show which repairs come back."""
    result = analyses.comebacks(
        Store.open(store),
        by=by,
        component=component,
        window_days=window_days,
        window_distance=window_distance,
    )
    if json:
        terminal.print_json(result)
    else:
        show_comebacks(result)


def show_comebacks(result: analyses.Comebacks) -> None:
    """Print the answer, the rate of each group, and the pairs of orders."""
    terminal.sentences(result.summary)
    terminal.heading(f"By {result.by.replace('_', ' ')}")
    terminal.table(result.groups)
    terminal.heading("The repairs that came back")
    terminal.table(result.pairs.drop("group", "component"), most=15)


@app.command("best-interval")
def best_interval(
    component: Component,
    engine_family: Family = None,
    where: Where = None,
    clock: Clock = "distance",
    generation: Generation = "any",
    keep_assumed: KeepAssumed = None,
    cost_planned: Annotated[
        float | None, typer.Option(help="Of one planned renewal of one part.")
    ] = None,
    cost_failure: Annotated[float | None, typer.Option(help="Of one failure.")] = None,
    downtime_cost: Annotated[
        float, typer.Option(help="Of one hour of a stopped vehicle.")
    ] = DOWNTIME_COST_PER_HOUR.value,
    store: StorePath = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show at which age to renew a component on purpose."""
    result = analyses.best_interval(
        Store.open(store),
        component,
        engine_family=engine_family,
        where=conditions(where),
        clock=clock,
        generation=generation,
        keep_assumed=keep_assumed,
        cost_planned=cost_planned,
        cost_failure=cost_failure,
        downtime_cost_per_hour=downtime_cost,
    )
    if json:
        terminal.print_json(result)
    else:
        terminal.sentences([*result.summary, CAUTION])


@app.command()
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


@app.command()
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


@app.command()
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


def main() -> None:
    """Run the command line: 0 done, 1 refused input, 2 wrong usage."""
    try:
        app()
    except FleetlogError as error:
        terminal.ERR.print(f"fleetlog: {error}", markup=False, soft_wrap=True)
        sys.exit(1)
    except KeyboardInterrupt:
        terminal.ERR.print("fleetlog: interrupted; the store is as it was", markup=False)
        sys.exit(1)
    except OSError as error:
        terminal.ERR.print(
            f"fleetlog: {error.filename or 'the system'}: {error.strerror or error}; "
            "check the path, the rights and the free space",
            markup=False, soft_wrap=True,
        )  # fmt: skip
        sys.exit(1)
