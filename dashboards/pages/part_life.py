"""Part life: how long a component lasts, and at what age renewing it on purpose pays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import dash
import dash_mantine_components as dmc
import polars as pl
from dash import Input, Output, State, dcc, html

from dashboards.access import Access
from dashboards.export import csv_text
from dashboards.figures import incidence_figure, interval_figure, survival_figure
from dashboards.theme import Mode
from dashboards.widgets import (
    ALL,
    aria,
    chosen,
    clientside,
    column,
    date_column,
    drawn,
    facts,
    graph,
    grid,
    lead,
    left_out,
    message,
    number,
    option,
    rows,
    select,
    sentences,
)
from dashboards.wording import (
    NOT_KNOWN,
    counted,
    decimals,
    places,
    rate,
    rate_unit,
    share,
    share_span,
    span,
    whole,
    words,
)
from fleetlog.analyses.results import BestInterval, PartLife
from fleetlog.errors import FleetlogError

FAMILY, COMPONENT, CLOCK, SPLIT = "life-family", "life-component", "life-clock", "life-split"
PARTS, GROUP, GROUP_BLOCK = "life-parts", "life-group", "life-group-block"
ANSWER, AFTERWORD, BODY = "life-answer", "life-afterword", "life-body"
CURVES, INCIDENCE, INCIDENCE_BLOCK = "life-curves", "life-incidence", "life-incidence-block"
GROUPS, GROUPS_BLOCK = "life-groups", "life-groups-block"
EVIDENCE, EVIDENCE_CSV, EVIDENCE_FILE = "life-evidence", "life-evidence-csv", "life-evidence-file"
COST_PLANNED, COST_FAILURE = "life-cost-planned", "life-cost-failure"
INTERVAL_ANSWER, INTERVAL = "life-interval-answer", "life-interval"
INTERVAL_BLOCK = "life-interval-block"
NAMES = "life-names"

QUERY = ("family", "component", "parts", "clock", "split", "group", "planned", "failure")

CLOCKS = {"distance": "Distance", "days": "Days in service"}

#: Which parts are looked at: the name in the address, the generation asked for, the words.
ALL_PARTS = "all"
PARTS_ASKED = {
    ALL_PARTS: ("any", "All"),
    "first": ("first", "As built"),
    "later": ("later", "Replacements"),
}


@dataclass(frozen=True)
class Split:
    """One way to split lives: its words and its columns, each of which must tell them apart."""

    label: str
    by: tuple[str, ...]


NO_SPLIT = "none"
SPLITS = {
    "engine_family": Split("Engine family", ("engine_family",)),
    "bank": Split("Bank", ("bank",)),
    "side": Split("Side (intake or exhaust)", ("side",)),
    "bank-side": Split("Bank and side", ("bank", "side")),
    "cylinder": Split("Cylinder", ("cylinder",)),
    "part_maker": Split("Part maker", ("part_maker",)),
    "part_lot": Split("Lot", ("part_lot",)),
    "generation": Split("First part or replacement", ("generation",)),
    "depot": Split("Depot", ("depot",)),
}

GROUP_COLUMNS = [
    column("group", "Group", pinned="left", minWidth=140, flex=1),
    number("lives", "Lives", width=85),
    number("failures", "Failures", width=100),
    number("b10", "10 % failed by", width=135),
    column("b10_limits", "Limits", width=145, type="rightAligned"),
    number("median", "Half failed by", width=130),
    column("median_limits", "Limits", width=145, type="rightAligned"),
    column("shape_limits", "Weibull shape", width=155, type="rightAligned"),
]

EVIDENCE_COLUMNS = [
    column("ro_no", "RO number", width=120, pinned="left"),
    date_column("opened_on", "Opened", width=115),
    column("shop", "Shop", width=130),
    column("unit_no", "Unit", width=90, cellRenderer="VehicleLink"),
    column("vin", "VIN", width=185),
    number("age", "Age at failure", width=135),
    column("positions", "Position", width=265, tooltipField="positions"),
    number("parts", "Parts", width=85),
    column("failure_mode", "How it failed", width=150),
    column("part_maker", "Part maker", width=130),
    column("part_lot", "Lot", width=110),
    column("position_assumed", "Position is", width=120),
    column("group", "Group", width=130),
]


def layout(access: Access, query: Mapping[str, str]) -> list[Any]:
    """Lay the page out with the filters that the address names; unknown ones are set aside."""
    families = access.engine_families()
    family = chosen(query.get("family"), families["code"].to_list(), ALL)
    components = access.components(_family(family))
    if components.is_empty():
        return [
            *lead("Part life", "How long each component lasts."),
            message(
                "The store has no repair that touched a component yet: load repair orders first."
            ),
        ]
    codes = components["code"].to_list()
    component = chosen(query.get("component"), codes, codes[0])
    parts = chosen(query.get("parts"), list(PARTS_ASKED), ALL_PARTS)
    clock = chosen(query.get("clock"), list(CLOCKS), "distance")
    splits = _split_options(access, component, family)
    split = chosen(query.get("split"), [each["value"] for each in splits], NO_SPLIT)
    taken = {
        "family": family, "component": component, "parts": parts, "clock": clock, "split": split,
    }  # fmt: skip
    in_vain = [
        f"{name} {query[name]}" for name in taken if query.get(name) not in (None, taken[name])
    ]
    family_options = [
        option(ALL, "All engine families"),
        *(
            option(code, f"{title} ({counted(vehicles, 'vehicle')})")
            for code, title, vehicles in families.iter_rows()
        ),
    ]
    return [
        *lead(
            "Part life",
            "How long a part lasts, how sure that is, and at what age renewing it pays.",
        ),
        html.Div(
            [
                select(FAMILY, "Engine family", family_options, family),
                select(COMPONENT, "Component", _component_options(components), component),
                select(
                    PARTS, "Parts",
                    [option(name, label) for name, (_, label) in PARTS_ASKED.items()], parts,
                ),
                select(CLOCK, "Measured in", [option(*each) for each in CLOCKS.items()], clock),
                select(SPLIT, "Split by", splits, split),
            ],
            className="fl-filters fl-life-filters fl-noprint",
        ),
        message(
            f"The link asks for what is not here ({', '.join(in_vain)}): shown is what the "
            "filters above say."
        )
        if in_vain
        else None,
        dcc.Store(id=NAMES, data=list(QUERY)),
        html.Div(id=ANSWER, className="fl-answer", **aria(live="polite")),
        html.Div(
            [
                graph(CURVES),
                html.Div(id=AFTERWORD),
                html.Section(
                    [html.H2("Group by group"), grid(GROUPS, "Part life of each group")],
                    id=GROUPS_BLOCK, hidden=True,
                ),
                html.Section(
                    [html.H2("One group in detail"), _group_select(query.get("group"))],
                    id=GROUP_BLOCK, hidden=True,
                ),
                html.Section(
                    [html.H2("How they fail"), graph(INCIDENCE)],
                    id=INCIDENCE_BLOCK, hidden=True, className="fl-away",
                ),
                _interval_section(access.currency, query),
                html.Div(
                    [
                        html.H2("The failures behind these figures"),
                        dmc.Button(
                            "Download as CSV", id=EVIDENCE_CSV, variant="default", size="xs",
                            className="fl-noprint",
                        ),
                    ],
                    className="fl-bar",
                ),
                grid(EVIDENCE, "Failures with their repair orders", height="430px"),
                dcc.Download(id=EVIDENCE_FILE),
            ],
            id=BODY,
            className="fl-away",
        ),
    ]  # fmt: skip


def _group_select(group: str | None) -> dmc.Select:
    """Return the choice of a group; which groups there are is known with the answer."""
    return select(GROUP, "Group", [option(group, group)] if group else [], group)


def _interval_section(currency: str, query: Mapping[str, str]) -> html.Section:
    def cost(identifier: str, label: str, given: str | None) -> dmc.NumberInput:
        return dmc.NumberInput(
            id=identifier, label=label, value=_amount(given), min=0, thousandSeparator=",",
            allowNegative=False, decimalScale=2, debounce=600, prefix=f"{currency} ",
            placeholder="from the records", hideControls=True,
        )  # fmt: skip

    return html.Section(
        [
            html.H2("Service interval"),
            html.Div(id=INTERVAL_ANSWER, className="fl-answer", **aria(live="polite")),
            html.Div(
                [
                    cost(COST_PLANNED, "Cost of a planned renewal", query.get("planned")),
                    cost(COST_FAILURE, "Cost of a failure", query.get("failure")),
                ],
                className="fl-costs fl-noprint",
            ),
            html.Div(graph(INTERVAL), id=INTERVAL_BLOCK, hidden=True, className="fl-away"),
        ]
    )


def register(app: dash.Dash, access: Access) -> dict[str, Any]:
    """Wire the page; the callbacks are returned as plain functions by name."""
    question = {
        "family": Input(FAMILY, "value"), "component": Input(COMPONENT, "value"),
        "parts": Input(PARTS, "value"), "clock": Input(CLOCK, "value"),
        "split": Input(SPLIT, "value"),
        "mode": Input("mode", "data"), "_revision": Input("revision", "data"),
    }  # fmt: skip

    def life(family: str, component: str, parts: str, clock: str, split: str) -> PartLife:
        return access.part_life(component, _family(family), _by(split), clock, _generation(parts))

    @app.callback(
        Output(COMPONENT, "data"), Output(COMPONENT, "value"),
        Output(SPLIT, "data"), Output(SPLIT, "value"),
        Input(FAMILY, "value"), Input(COMPONENT, "value"), State(SPLIT, "value"),
        prevent_initial_call=True,
    )  # fmt: skip
    def offer(family: str, component: str | None, split: str | None) -> Any:
        try:
            components = access.components(_family(family))
            codes = components["code"].to_list()
            if not codes:
                return [], None, [option(NO_SPLIT, "Nothing")], NO_SPLIT
            component = chosen(component, codes, codes[0])
            splits = _split_options(access, component, family)
        except FleetlogError:
            # The answer below says why; the choices stay as they are.
            return (dash.no_update,) * 4
        split = chosen(split, [each["value"] for each in splits], NO_SPLIT)
        return _component_options(components), component, splits, split

    @app.callback(
        output={
            "answer": Output(ANSWER, "children"),
            "hidden": Output(BODY, "hidden"),
            "curves": (Output(CURVES, "figure"), Output(f"{CURVES}-caption", "children")),
            "afterword": Output(AFTERWORD, "children"),
            "groups": (Output(GROUPS, "columnDefs"), Output(GROUPS, "rowData"),
                       Output(GROUPS_BLOCK, "hidden")),
            "one_group": (Output(GROUP, "data"), Output(GROUP, "value"),
                          Output(GROUP_BLOCK, "hidden")),
            "evidence": (Output(EVIDENCE, "columnDefs"), Output(EVIDENCE, "rowData")),
        },
        inputs={"group": State(GROUP, "value"), **question},
    )  # fmt: skip
    def answer(
        *, family: str, component: str, parts: str, clock: str, split: str, group: str | None,
        mode: Mode, _revision: int | None,
    ) -> dict[str, Any]:  # fmt: skip
        try:
            result = life(family, component, parts, clock, split)
        except FleetlogError as error:
            return _refused(f"{error}.")
        groups = result.groups["group"].to_list()
        split_up = len(groups) > 1
        return {
            "answer": [*sentences(result.summary), None if split_up else _facts(result)],
            "hidden": False,
            "curves": drawn(survival_figure(result, mode)),
            "afterword": _afterword(result),
            "groups": (
                GROUP_COLUMNS, rows(_group_rows(result), GROUP_COLUMNS), not split_up
            ),
            "one_group": (
                [option(name, name) for name in groups],
                chosen(group, groups, _most_failures(result)) if split_up else None,
                not split_up,
            ),
            "evidence": (
                _evidence_columns(result),
                rows(evidence_rows(result), _evidence_columns(result)),
            ),
        }  # fmt: skip

    @app.callback(
        output=[
            Output(INCIDENCE, "figure"), Output(f"{INCIDENCE}-caption", "children"),
            Output(INCIDENCE_BLOCK, "hidden"),
        ],
        inputs={"group": Input(GROUP, "value"), **question},
    )  # fmt: skip
    def ways(
        *, group: str | None, family: str, component: str, parts: str, clock: str, split: str,
        mode: Mode, _revision: int | None,
    ) -> Any:  # fmt: skip
        try:
            result = life(family, component, parts, clock, split)
        except FleetlogError:
            return dash.no_update, dash.no_update, True
        group = chosen(group, result.groups["group"].to_list(), _most_failures(result))
        one_way = result.incidence["failure_mode"].n_unique() < 2
        return *drawn(incidence_figure(result, group, mode)), one_way

    @app.callback(
        output=[
            Output(INTERVAL_ANSWER, "children"), Output(INTERVAL, "figure"),
            Output(f"{INTERVAL}-caption", "children"),
            Output(INTERVAL_BLOCK, "hidden"),
            Output(COST_PLANNED, "placeholder"), Output(COST_FAILURE, "placeholder"),
        ],
        inputs={
            "cost_planned": Input(COST_PLANNED, "value"),
            "cost_failure": Input(COST_FAILURE, "value"),
            "group": Input(GROUP, "value"),
            **question,
        },
    )  # fmt: skip
    def interval(
        *, family: str, component: str, parts: str, clock: str, split: str, group: str | None,
        cost_planned: Any, cost_failure: Any, mode: Mode, _revision: int | None,
    ) -> Any:  # fmt: skip
        try:
            where = _where(life(family, component, parts, clock, split), group)
            result = access.best_interval(
                component, _family(family), clock, _amount(cost_planned), _amount(cost_failure),
                where, _generation(parts),
            )  # fmt: skip
        except FleetlogError as error:
            keep = dash.no_update
            return message(f"{error}."), keep, keep, True, keep, keep
        return (
            [*sentences(result.summary), _interval_facts(result)],
            *drawn(interval_figure(result, mode)),
            result.age is None,
            f"{result.currency} {whole(result.cost_planned)}",
            f"{result.currency} {whole(result.cost_failure)}",
        )

    @app.callback(
        Output(EVIDENCE_FILE, "data"), Input(EVIDENCE_CSV, "n_clicks"),
        State(FAMILY, "value"), State(COMPONENT, "value"), State(PARTS, "value"),
        State(CLOCK, "value"), State(SPLIT, "value"), prevent_initial_call=True,
    )  # fmt: skip
    def export(
        clicks: int | None, family: str, component: str, parts: str, clock: str, split: str
    ) -> Any:
        if not clicks:
            return dash.no_update
        result = life(family, component, parts, clock, split)
        return {"content": csv_text(result.evidence), "filename": f"failures-{component}.csv"}

    clientside(
        app, "remember", [Output(NAMES, "data", allow_duplicate=True)],
        [
            Input(each, prop)
            for each, prop in (
                (NAMES, "data"), (FAMILY, "value"), (COMPONENT, "value"), (PARTS, "value"),
                (CLOCK, "value"), (SPLIT, "value"), (GROUP, "value"), (COST_PLANNED, "value"),
                (COST_FAILURE, "value"),
            )
        ],
        initially=False,
    )  # fmt: skip
    return {
        "offer": offer, "answer": answer, "ways": ways, "interval": interval, "export": export,
    }  # fmt: skip


def _most_failures(result: PartLife) -> str:
    """Return the group that tells most about how parts fail."""
    return str(result.groups.sort("failures", descending=True, maintain_order=True)["group"][0])


def _family(value: str) -> str | None:
    return None if value == ALL else value


def _by(split: str | None) -> tuple[str, ...]:
    return SPLITS[split].by if split in SPLITS else ()


def _generation(parts: str | None) -> str:
    return PARTS_ASKED[chosen(parts, list(PARTS_ASKED), ALL_PARTS)][0]


def _where(result: PartLife, group: str | None) -> tuple[tuple[str, str | int], ...]:
    """Return the column values that make up one group of a split; without a split there are none.

    A value that the records do not state cannot be asked for and is left out.
    """
    if result.groups.height < 2:
        return ()
    group = chosen(group, result.groups["group"].to_list(), _most_failures(result))
    values = result.groups.filter(pl.col("group") == group).select(result.by).row(0, named=True)
    return tuple((name, value) for name, value in values.items() if value is not None)


def _amount(given: Any) -> float | None:
    """Read an amount from the address or an input; what is no amount counts as not given."""
    try:
        amount = float(given)
    except (TypeError, ValueError):
        return None
    return amount if 0 <= amount < 1e9 else None


def _component_options(components: pl.DataFrame) -> list[dict[str, str]]:
    return [
        option(code, f"{title} ({counted(failures, 'failure')})")
        for code, title, failures in components.select("code", "title", "failures").iter_rows()
    ]


def _split_options(access: Access, component: str, family: str) -> list[dict[str, str]]:
    useful = access.splits(component, _family(family))
    return [
        option(NO_SPLIT, "Nothing"),
        *(
            option(name, split.label)
            for name, split in SPLITS.items()
            if set(split.by) <= set(useful)
        ),
    ]


def _refused(text: str) -> dict[str, Any]:
    keep = dash.no_update
    return {
        "answer": message(text), "hidden": True, "curves": (keep, keep), "afterword": keep,
        "groups": (keep,) * 3, "one_group": (keep,) * 3, "evidence": (keep, keep),
    }  # fmt: skip


def _facts(result: PartLife) -> html.Dl | None:
    if result.groups.is_empty():
        return None
    one = result.groups.row(0, named=True)
    shape = decimals(one["shape"])
    limits = (
        f"{decimals(one['shape_lower'])} to {decimals(one['shape_upper'])}"
        if one["shape_lower"] is not None
        else ""
    )
    return facts(
        (
            ("Part lives", whole(one["lives"]), f"in {counted(one['vehicles'], 'vehicle')}"),
            ("Failures", whole(one["failures"]), f"{whole(one['still_fitted'])} still fitted"),
            (
                f"10 % failed by, {result.unit}", whole(one["b10"]),
                span(one["b10_lower"], one["b10_upper"]),
            ),
            (
                f"Half failed by, {result.unit}", whole(one["median"]),
                span(one["median_lower"], one["median_upper"])
                if one["median"] is not None or one["median_lower"] is not None
                else "not reached",
            ),
            ("Weibull shape", shape, limits),
        )
    )  # fmt: skip


def _afterword(result: PartLife) -> list[Any]:
    """Return the remarks that qualify the curve and what was left out of it."""
    notes = result.groups.filter(pl.col("note") != "").select("group", "note")
    said = [
        html.Li(note if group == "all" else f"{group}: {note}") for group, note in notes.iter_rows()
    ]
    return [
        html.Details(
            [html.Summary("What these figures can bear"), html.Ul(said)],
            className="fl-details", open=result.groups.height == 1,
        )
        if said
        else None,
        left_out(result.left_out),
    ]  # fmt: skip


def _group_rows(result: PartLife) -> pl.DataFrame:
    groups = result.groups
    return groups.with_columns(
        b10_limits=pl.Series(
            [span(*pair) for pair in groups.select("b10_lower", "b10_upper").iter_rows()]
        ),
        median_limits=pl.Series(
            [span(*pair) for pair in groups.select("median_lower", "median_upper").iter_rows()]
        ),
        shape_limits=pl.Series(
            [
                NOT_KNOWN
                if shape is None
                else f"{decimals(shape)} ({decimals(lower)} to {decimals(upper)})"
                for shape, lower, upper in groups.select(
                    "shape", "shape_lower", "shape_upper"
                ).iter_rows()
            ]
        ),
    )


def evidence_rows(result: PartLife) -> pl.DataFrame:
    """Return the failures in words, latest first."""
    modes = result.evidence["failure_mode"].unique().to_list()
    positions = result.evidence["positions"].unique().to_list()
    return result.evidence.sort("opened_on", descending=True, nulls_last=True).with_columns(
        failure_mode=pl.col("failure_mode").replace_strict(
            modes, [words(mode) for mode in modes], return_dtype=pl.String
        ),
        positions=pl.col("positions").replace_strict(
            positions, [places(each.split("; ")) for each in positions], return_dtype=pl.String
        ),
        position_assumed=pl.when("position_assumed")
        .then(pl.lit("assumed"))
        .otherwise(pl.lit("as recorded")),
    )


def _evidence_columns(result: PartLife) -> list[dict[str, Any]]:
    return EVIDENCE_COLUMNS if result.by else EVIDENCE_COLUMNS[:-1]


def _interval_facts(result: BestInterval) -> html.Dl | None:
    if result.age is None:
        return None
    unit = result.unit
    return facts(
        (
            (
                f"Least cost at, {unit}", whole(result.age),
                span(*result.age_interval) if result.age_interval else "",
            ),
            (
                f"As good within 5 %, {unit}",
                span(*result.flat_range) if result.flat_range else NOT_KNOWN, "",
            ),
            (
                "Saving against run to failure", share(result.saving),
                share_span(*result.saving_interval) if result.saving_interval else "",
            ),
            (
                f"Cost then, {rate_unit(result.currency, unit)}",
                rate(result.cost_rate, unit),
                f"run to failure {rate(result.run_to_failure_cost_rate, unit)}",
            ),
            (
                f"Advised, {unit}", whole(result.advised),
                f"{result.rule_origin} interval {whole(result.rule_interval)}"
                if result.rule_interval
                else "",
            ),
        )
    )  # fmt: skip
