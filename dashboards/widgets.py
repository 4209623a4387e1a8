"""Pieces that the pages share: answers in words, captioned graphs, grids, selects."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import dash
import dash_ag_grid as dag
import dash_mantine_components as dmc
import plotly.graph_objects as go
import polars as pl
from dash import ClientsideFunction, dcc, html
from dash.dependencies import DashDependency

from dashboards.figures import caption_of
from dashboards.theme import GRAPH_CONFIG
from dashboards.wording import counted

#: Stands for "no choice" in a select and in the address.
ANY = ""
ALL = "*"

WHOLE = {"function": "params.value == null ? '' : d3.format(',.0f')(params.value)"}
TWO_DECIMALS = {"function": "params.value == null ? '' : d3.format(',.2f')(params.value)"}
PERCENT = {"function": "params.value == null ? '' : d3.format('.1%')(params.value)"}


def aria(**words: str) -> dict[str, Any]:
    """Return accessibility attributes: ``aria(label="x")`` is ``aria-label="x"``."""
    return {f"aria-{name}": word for name, word in words.items()}


def select(
    identifier: str, label: str, data: list[dict[str, str]], value: str | None
) -> dmc.Select:
    """Return a labelled select that always holds a value."""
    return dmc.Select(
        id=identifier, label=label, data=data, value=value, allowDeselect=False,
        searchable=len(data) > 8, nothingFoundMessage="Nothing by that name",
        maxDropdownHeight=360,
    )  # fmt: skip


def option(value: str, label: str) -> dict[str, str]:
    """Return one choice of a select."""
    return {"value": value, "label": label}


def sentences(lines: Iterable[str]) -> list[html.P]:
    """Return the answer in words, one paragraph a sentence."""
    return [html.P(line) for line in lines]


def message(text: str) -> html.Div:
    """Return a sentence that stands where an answer could not."""
    return html.Div(html.P(text), className="fl-message", role="status")


def graph(identifier: str) -> html.Figure:
    """Return a graph with its caption, which also names it to a screen reader."""
    return html.Figure(
        [
            html.Div(
                dcc.Graph(
                    id=identifier, config=GRAPH_CONFIG, responsive="auto",
                    figure={"layout": {"height": 360}},
                ),
                role="img", **aria(labelledby=f"{identifier}-caption"),
            ),
            html.Figcaption(id=f"{identifier}-caption"),
        ],
        className="fl-figure fl-card",
    )  # fmt: skip


def drawn(figure: go.Figure) -> tuple[go.Figure, str]:
    """Return a figure and its caption, the two properties that :func:`graph` needs."""
    return figure, caption_of(figure)


GRID_THEME = {
    "function": "themeQuartz.withParams({fontFamily: 'inherit', fontSize: 13, spacing: 6, "
    "backgroundColor: 'var(--fl-paper)', foregroundColor: 'var(--fl-ink)', "
    "borderColor: 'var(--fl-line)', accentColor: 'var(--fl-accent)', "
    "headerBackgroundColor: 'var(--fl-paper)', headerTextColor: 'var(--fl-quiet)', "
    "wrapperBorderRadius: 6})"
}


def grid(identifier: str, label: str, *, height: str | None = None) -> html.Div:
    """Return a grid with a name; without a height it is as tall as its rows."""
    options: dict[str, Any] = {
        "theme": GRID_THEME,
        "domLayout": "autoHeight" if height is None else "normal",
        "enableCellTextSelection": True,
        "ensureDomOrder": True,
        "suppressMovableColumns": True,
        "tooltipShowDelay": 300,
    }
    return html.Div(
        dag.AgGrid(
            id=identifier, columnDefs=[], rowData=[], dashGridOptions=options,
            defaultColDef={"sortable": True, "resizable": True, "filter": True},
            style={"width": "100%", "height": height},
        ),
        className="fl-grid", role="region", **aria(label=label),
    )  # fmt: skip


def column(field: str, heading: str, **more: Any) -> dict[str, Any]:
    """Return one text column of a grid."""
    return {"field": field, "headerName": heading, "cellDataType": "text", **more}


def number(
    field: str, heading: str, form: Mapping[str, str] = WHOLE, **more: Any
) -> dict[str, Any]:
    """Return one number column of a grid: right-aligned, filtered as a number."""
    return {
        "field": field, "headerName": heading, "cellDataType": "number", "type": "rightAligned",
        "filter": "agNumberColumnFilter", "valueFormatter": form, **more,
    }  # fmt: skip


def date_column(field: str, heading: str, **more: Any) -> dict[str, Any]:
    """Return one date column of a grid, in ISO order."""
    return {
        "field": field, "headerName": heading, "cellDataType": "dateString",
        "filter": "agDateColumnFilter", **more,
    }  # fmt: skip


def rows(frame: pl.DataFrame, columns: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows of a frame for a grid, only the fields shown, dates as ISO text."""
    fields = [str(shown["field"]) for shown in columns]
    return frame.select(fields).with_columns(pl.col(pl.Date).cast(pl.String)).to_dicts()


def table(
    headings: Sequence[str],
    cells: Sequence[Sequence[str]],
    *,
    label: str,
    numbers: Sequence[int],
    wrapped: Sequence[int] = (),
    narrow: Sequence[int] = (),
) -> html.Div:
    """Return a plain table, which a printer takes whole.

    Columns of ``numbers`` are set to the right, those of ``wrapped`` hold long text, those of
    ``narrow`` a word or two. On a phone every row is a block, each cell after its heading: the
    style sheet takes the headings from properties of the table, so that no cell repeats them.
    """
    named = {f"--heading-{place}": css_text(text) for place, text in enumerate(headings, start=1)}
    classes = {"fl-number": numbers, "fl-wrapped": wrapped, "fl-narrow": narrow}
    kinds = [
        next((kind for kind, places in classes.items() if place in places), None)
        for place in range(len(headings))
    ]
    return html.Div(
        html.Table(
            [
                html.Thead(
                    html.Tr(
                        [
                            html.Th(heading, scope="col", className=kind)
                            for heading, kind in zip(headings, kinds, strict=True)
                        ]
                    )
                ),
                html.Tbody(
                    [
                        html.Tr(
                            [
                                html.Td(text, className=kind)
                                for text, kind in zip(row, kinds, strict=True)
                            ]
                        )
                        for row in cells
                    ]
                ),
            ],
            className="fl-table",
            style=named,
        ),
        className="fl-scroll",
        tabIndex="0",
        role="region",
        **aria(label=label),
    )


def css_text(text: str) -> str:
    """Return a text as a quoted string of a style sheet."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ")
    return f'"{escaped}"'


def facts(pairs: Iterable[tuple[str, str, str]]) -> html.Dl:
    """Return key figures: name, figure, and the limits or remark below it."""
    return html.Dl(
        [
            html.Div([html.Dt(name), html.Dd([figure, html.Small(remark) if remark else None])])
            for name, figure, remark in pairs
        ],
        className="fl-facts",
    )


def left_out(frame: pl.DataFrame) -> html.Details | None:
    """Return what did not enter the figures, folded away, with its total in sight."""
    if frame.is_empty():
        return None
    total = int(frame["count"].sum())
    return html.Details(
        [
            html.Summary(f"Left out: {counted(total, 'record')}"),
            html.Ul(
                [
                    html.Li(f"{count:,} {why}")
                    for why, count in frame.select("why", "count").iter_rows()
                ]
            ),
        ],
        className="fl-details",
    )


def lead(title: str, text: str) -> list[Any]:
    """Return the heading of a page."""
    return [html.H1(title), html.P(text, className="fl-lead")]


def chosen(given: str | None, allowed: Sequence[str], otherwise: str) -> str:
    """Return ``given`` where it is one of the choices, else the usual one."""
    return given if given is not None and given in allowed else otherwise


def clientside(
    app: dash.Dash, name: str, outputs: Sequence[DashDependency],
    inputs: Sequence[DashDependency], *, initially: bool = True,
) -> None:  # fmt: skip
    """Wire a function of ``assets/fleetlog.js``, so that no script stands in the page itself."""
    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction("fleetlog", name), *outputs, *inputs, prevent_initial_call=not initially
    )
