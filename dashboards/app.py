"""The web application: one shell around the pages, and the server that runs it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

import dash
import dash_mantine_components as dmc
import waitress
from dash import Input, Output, State, dcc, html
from dash.exceptions import PreventUpdate

from dashboards import security
from dashboards.access import PAGE_WAIT_S, Access
from dashboards.pages import PAGES, Page
from dashboards.theme import ACCENT_SHADES, FONT
from dashboards.widgets import aria, clientside, message
from fleetlog.errors import FleetlogError
from fleetlog.settings import CAUTION

#: A revision check is a read of some milliseconds; this often is soon enough after a load.
REVISION_CHECK_MS = 20_000

#: Names under which only this machine can reach the server.
LOOPBACK = ("127.0.0.1", "localhost", "::1")

THREADS = 8

INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" href="data:image/svg+xml,%3Csvg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 16'%3E%3Crect width='16' height='16' rx='3' fill='%23136c67'/%3E%3Cpath d='M4 3h2v10H4zM8 6h4v2H8zM8 10h3v2H8z' fill='%23fff'/%3E%3C/svg%3E">
{%css%}
</head>
<body>
{%app_entry%}
{%config%}
{%scripts%}
{%renderer%}
</body>
</html>"""  # noqa: E501  (one attribute)

NAVBAR = {"width": 200, "breakpoint": "sm", "collapsed": {"mobile": True}}


def create_app(store_path: str | Path, *, wait_s: float = PAGE_WAIT_S) -> dash.Dash:
    """Return the application for one store.

    Parameters
    ----------
    store_path : the store file; it must exist.
    wait_s : seconds a page waits for a store that another process holds.

    Raises
    ------
    StoreError : there is no store at the path, or it cannot be opened.
    """
    access = Access(store_path, wait_s=wait_s)
    app = dash.Dash(
        "dashboards",
        assets_folder=str(Path(__file__).parent / "assets"),
        use_pages=False,
        pages_folder="",
        serve_locally=True,
        title="fleetlog",
        update_title="",
        index_string=INDEX,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
        suppress_callback_exceptions=True,
        health_endpoint="healthz",
        enable_mcp=False,
    )
    app.layout = _shell(access.store_name)
    _register_shell(app, access)
    for page in PAGES:
        page.register(app, access)
    security.secure(app.server, app.csp_hashes())
    return app


def serve(store_path: str | Path, *, host: str = "127.0.0.1", port: int = 8050) -> None:
    """Serve the pages until interrupted.

    On a loopback address only requests that name it are answered, so that a page elsewhere
    cannot reach the records by pointing a name of its own at this machine.
    """
    app = create_app(store_path)
    if host in LOOPBACK:
        app.server.config["TRUSTED_HOSTS"] = list(LOOPBACK)
    waitress.serve(app.server, host=host, port=port, threads=THREADS, ident="fleetlog")


def _shell(store_name: str) -> dmc.MantineProvider:
    header = dmc.AppShellHeader(
        [
            dmc.Burger(
                id="burger", opened=False, hiddenFrom="sm", size="sm",
                **aria(label="Open or close the list of pages"),
            ),
            html.A("fleetlog", href="/", className="fl-name"),
            dmc.ColorSchemeToggle(
                lightIcon=html.Span(className="fl-halves"),
                darkIcon=html.Span(className="fl-halves"),
                variant="subtle", color="gray", size="lg",
                **aria(label="Change between light and dark"),
            ),
        ],
        className="fl-head",
    )  # fmt: skip
    return dmc.MantineProvider(
        [
            html.A("Skip to the content", href="#main", className="fl-skip"),
            dcc.Location(id="address", refresh=False),
            dcc.Store(id="mode", data="light"),
            dcc.Store(id="revision"),
            dcc.Store(id="title"),
            dcc.Interval(id="revision-check", interval=REVISION_CHECK_MS),
            dmc.AppShell(
                [
                    header,
                    dmc.AppShellNavbar(
                        html.Nav(id="navigation", **aria(label="Pages")), className="fl-nav"
                    ),
                    dmc.AppShellMain(
                        [
                            html.Div(id="main", className="fl-page", tabIndex="-1"),
                            html.Footer(
                                [html.P(CAUTION), html.P(f"Store: {store_name}")],
                                className="fl-foot",
                            ),
                        ]
                    ),
                ],
                id="shell",
                header={"height": 54},
                navbar=NAVBAR,
                padding="lg",
            ),
        ],
        defaultColorScheme="auto",
        theme={
            "colors": {"petrol": list(ACCENT_SHADES)},
            "primaryColor": "petrol",
            "primaryShade": {"light": 7, "dark": 4},
            "fontFamily": FONT,
            "headings": {"fontFamily": FONT},
            "defaultRadius": "sm",
            "cursorType": "pointer",
        },
    )


def _links(current: Page | None) -> list[dmc.NavLink]:
    """Return the links to the pages; a full load, so that address and filters always agree."""
    return [
        dmc.NavLink(
            label=page.title, href=page.path, refresh=True, active=page is current,
            **({"aria-current": "page"} if page is current else {}),
        )
        for page in PAGES
    ]  # fmt: skip


def _register_shell(app: dash.Dash, access: Access) -> None:
    by_path = {page.path: page for page in PAGES}

    @app.callback(
        Output("main", "children"), Output("navigation", "children"), Output("title", "data"),
        Input("address", "pathname"), State("address", "search"),
    )  # fmt: skip
    def show(path: str | None, search: str | None) -> tuple[Any, list[dmc.NavLink], str]:
        if path is None:
            # The first call comes before the browser has said where it is.
            raise PreventUpdate
        page = by_path.get(path.rstrip("/") or "/")
        if page is None:
            text = "There is no such page. The list of pages is in the menu."
            return [html.H1("Not found"), message(text)], _links(None), "Not found - fleetlog"
        query: Mapping[str, str] = dict(parse_qsl((search or "").lstrip("?")))
        try:
            content = page.layout(access, query)
        except FleetlogError as error:
            content = [html.H1(page.title), message(f"{error}.")]
        return content, _links(page), f"{page.title} - fleetlog"

    @app.callback(
        Output("revision", "data"), Input("revision-check", "n_intervals"),
        State("revision", "data"),
    )  # fmt: skip
    def check_revision(_: int | None, known: int | None) -> Any:
        try:
            revision = access.revision()
        except FleetlogError:
            # A load is going in: the next check will see it.
            return dash.no_update
        return dash.no_update if revision == known else revision

    clientside(app, "title", [Output("title", "data", allow_duplicate=True)],
               [Input("title", "data")], initially=False)  # fmt: skip
    clientside(app, "scheme", [Output("mode", "data")], [Input("address", "pathname")])
    clientside(app, "navbar", [Output("shell", "navbar")],
               [Input("burger", "opened"), State("shell", "navbar")])  # fmt: skip
