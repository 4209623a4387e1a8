"""Write results as one HTML file that needs nothing else: no network, no other file.

Nothing is reckoned here: every figure and sentence comes from a result as it stands.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from html import escape
from importlib.resources import files
from pathlib import Path

import plotly.graph_objects as go
import polars as pl
from plotly.offline import get_plotlyjs

from dashboards.figures import (
    caption_of,
    comebacks_figure,
    incidence_figure,
    interval_figure,
    survival_figure,
)
from dashboards.theme import GRAPH_CONFIG
from dashboards.wording import (
    counted,
    day,
    decimals,
    rate,
    rate_unit,
    share,
    share_span,
    span,
    whole,
    words,
)
from fleetlog.analyses.results import BestInterval, Comebacks, PartLife
from fleetlog.errors import InputError
from fleetlog.settings import CAUTION

#: The latest failures that are listed for each component; the rest is counted below them.
MOST_FAILURES = 20


@dataclass(frozen=True)
class Column:
    """One column of a table: numbers stand to the right, kept cells on one line."""

    heading: str
    cells: Sequence[str]
    number: bool = False
    kept: bool = False


@dataclass
class _Page:
    """The parts of the document as they are written, and the figures drawn so far."""

    parts: list[str] = field(default_factory=list)
    figures: int = 0

    def heading(self, level: int, text: str, identifier: str = "") -> None:
        name = f' id="{identifier}"' if identifier else ""
        self.parts.append(f"<h{level}{name}>{escape(text)}</h{level}>")

    def sentences(self, lines: Iterable[str], *, lead: bool = True) -> None:
        for place, line in enumerate(lines):
            kind = ' class="lead"' if lead and place == 0 else ""
            self.parts.append(f"<p{kind}>{escape(line)}</p>")

    def figure(self, figure: go.Figure) -> None:
        self.figures += 1
        name, caption = f"figure-{self.figures}", escape(caption_of(figure))
        self.parts.append(
            f'<figure><div class="plot" id="{name}" role="img" aria-label="{caption}"></div>'
            f'<script type="application/json" id="{name}-data">{_inert(figure.to_json())}</script>'
            f"<figcaption>{caption}</figcaption></figure>"
        )

    def table(self, caption: str, columns: Sequence[Column]) -> None:
        head = "".join(
            f'<th scope="col"{_kind(column)}>{escape(column.heading)}</th>' for column in columns
        )
        body = "".join(
            "<tr>" + "".join(_cell(column, cell) for column, cell in zip(columns, row, strict=True))
            + "</tr>"
            for row in zip(*(column.cells for column in columns), strict=True)
        )  # fmt: skip
        self.parts.append(
            f'<div class="table" tabindex="0" role="region" aria-label="{escape(caption)}"><table>'
            f"<caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>"
            f"<tbody>{body}</tbody></table></div>"
        )


def write_report(
    path: str | Path,
    *,
    part_lives: Sequence[PartLife],
    best_intervals: Sequence[BestInterval],
    comebacks: Comebacks | None,
    title: str,
    made_at: datetime,
    remarks: Sequence[str] = (),
) -> None:
    """Write one HTML file with what the fleet manager, the foreman and the technician asked.

    Parameters
    ----------
    path : the file; an older one of that name is replaced once the new one is whole.
    part_lives : whole ones go to the manager and the technician, split ones to the foreman.
    best_intervals : for the manager.
    comebacks : for the foreman; None where there are none.
    title : heading of the report.
    made_at : the moment it states.
    remarks : sentences on what the report leaves out.

    Raises
    ------
    InputError : the file cannot be written there.
    """
    page = _Page()
    _for_manager(page, part_lives, best_intervals)
    _for_foreman(page, part_lives, comebacks)
    _for_technician(page, part_lives)
    if remarks:
        page.heading(2, "What is not in this report")
        page.sentences(remarks, lead=False)
    path = Path(path)
    draft = path.with_name(f".{path.name}.draft")
    try:
        draft.write_text(_document(title, made_at, page), encoding="utf-8")
        draft.replace(path)
    except OSError as error:
        raise InputError(
            f"the report cannot be written to {path} ({error.strerror}): choose another place"
        ) from error


def _for_manager(
    page: _Page, part_lives: Sequence[PartLife], best_intervals: Sequence[BestInterval]
) -> None:
    page.heading(2, "For the fleet manager: when to act", "manager")
    for best in best_intervals:
        page.heading(3, f"Service interval: {best.title}")
        page.sentences(best.summary)
        if best.age is None:
            continue
        page.figure(interval_figure(best))
        page.table(f"{best.title}: planned renewal against running to failure", _interval(best))
    for life in (each for each in part_lives if not each.by):
        page.heading(3, f"Part life: {life.title}")
        page.sentences(life.summary)
        page.figure(survival_figure(life))
        page.table(f"{life.title}: part life, ages in {life.unit}", _groups(life))
        _remarks(page, life.groups)
        _left_out(page, life.left_out)


def _for_foreman(page: _Page, part_lives: Sequence[PartLife], comebacks: Comebacks | None) -> None:
    page.heading(2, "For the foreman: what comes back, and where", "foreman")
    if comebacks is not None:
        page.heading(3, f"Comebacks by {words(comebacks.by)}")
        page.sentences(comebacks.summary)
        page.figure(comebacks_figure(comebacks))
        page.table("Repairs that came back", _comebacks(comebacks))
        _remarks(page, comebacks.groups)
        _left_out(page, comebacks.left_out)
    for life in (each for each in part_lives if each.by):
        split = " and ".join(words(name) for name in life.by)
        page.heading(3, f"{life.title} by {split}")
        page.sentences(life.summary)
        page.figure(survival_figure(life))
        page.table(f"{life.title} by {split}, ages in {life.unit}", _groups(life))
        _remarks(page, life.groups)


def _for_technician(page: _Page, part_lives: Sequence[PartLife]) -> None:
    page.heading(2, "For the technician: how parts fail, and on which orders", "technician")
    for life in (each for each in part_lives if not each.by):
        page.heading(3, f"{life.title}: kinds of failure")
        if life.incidence["failure_mode"].n_unique() > 1:
            page.figure(incidence_figure(life))
        if not life.incidence.is_empty():
            page.table(f"{life.title}: share failed by the end of watch", _ways(life))
        latest = life.evidence.sort("opened_on", descending=True, nulls_last=True)
        shown = latest.head(MOST_FAILURES)
        page.table(
            f"{life.title}: {counted(shown.height, 'repair order')} with failures, of "
            f"{latest.height:,}, latest first",
            _evidence(shown, life.unit),
        )


def _remarks(page: _Page, groups: pl.DataFrame) -> None:
    """Say below a table what its figures can bear."""
    noted = groups.filter(pl.col("note") != "").select("group", "note").rows()
    for group, note in noted:
        said = note if group == "all" else f"{group}: {note}"
        page.parts.append(f'<p class="note">{escape(said[:1].upper() + said[1:])}.</p>')


def _left_out(page: _Page, frame: pl.DataFrame) -> None:
    if not frame.is_empty():
        said = "; ".join(f"{count:,} {why}" for why, count in frame.select("why", "count").rows())
        page.parts.append(f'<p class="note">Left out: {escape(said)}.</p>')


def _groups(life: PartLife) -> list[Column]:
    groups = life.groups
    return [
        Column("Group", groups["group"].to_list()),
        _numbers(groups, "Lives", "lives"),
        _numbers(groups, "Vehicles", "vehicles"),
        _numbers(groups, "Failures", "failures"),
        _numbers(groups, "10 % failed by", "b10"),
        _spans(groups, "Limits", "b10"),
        _numbers(groups, "Half failed by", "median"),
        _spans(groups, "Limits", "median"),
        Column("Weibull shape", [decimals(value) for value in groups["shape"]], number=True),
    ]


def _numbers(frame: pl.DataFrame, heading: str, name: str) -> Column:
    return Column(heading, [whole(value) for value in frame[name]], number=True)


def _spans(frame: pl.DataFrame, heading: str, name: str) -> Column:
    pairs = frame.select(f"{name}_lower", f"{name}_upper").rows()
    return Column(heading, [span(*pair) for pair in pairs], number=True)


def _interval(best: BestInterval) -> list[Column]:
    per = rate_unit(best.currency, best.unit)
    facts = [
        ("Part lives", whole(best.lives), f"in {counted(best.vehicles, 'vehicle')}"),
        ("Failures", whole(best.failures), ""),
        (
            f"Least cost at, {best.unit}", whole(best.age),
            span(*best.age_interval) if best.age_interval else "",
        ),
        (
            f"Within 5 % of the least cost, {best.unit}",
            span(*best.flat_range) if best.flat_range else whole(None), "",
        ),
        (f"Cost then, {per}", rate(best.cost_rate, best.unit), ""),
        (f"Cost of running to failure, {per}", rate(best.run_to_failure_cost_rate, best.unit), ""),
        (
            "Saving", share(best.saving),
            share_span(*best.saving_interval) if best.saving_interval else "",
        ),
        (
            f"Advised, {best.unit}", whole(best.advised),
            f"{best.rule_origin} interval {whole(best.rule_interval)}"
            if best.rule_interval else "",
        ),
    ]  # fmt: skip
    names, values, limits = zip(*facts, strict=True)
    return [
        Column("", names),
        Column("Figure", values, number=True),
        Column("Limits or remark", limits, number=True),
    ]


def _comebacks(result: Comebacks) -> list[Column]:
    groups = result.groups
    return [
        Column("Group", groups["group"].to_list()),
        _numbers(groups, "Repairs", "repairs"),
        _numbers(groups, "Came back", "comebacks"),
        Column("Rate", [share(value, 1) for value in groups["rate"]], number=True),
        Column(
            "Limits",
            [share_span(low, high, 1) for low, high in groups.select("lower", "upper").rows()],
            number=True,
        ),
    ]


def _ways(life: PartLife) -> list[Column]:
    last = (
        life.incidence.sort("time")
        .group_by("failure_mode", maintain_order=True)
        .agg(pl.col("estimate", "lower", "upper").last())
        .sort("estimate", descending=True)
    )
    return [
        Column("Kind of failure", [words(mode) for mode in last["failure_mode"]]),
        Column("Share failed", [share(value, 1) for value in last["estimate"]], number=True),
        Column(
            "Limits",
            [share_span(low, high, 1) for low, high in last.select("lower", "upper").rows()],
            number=True,
        ),
    ]


def _evidence(shown: pl.DataFrame, unit: str) -> list[Column]:
    return [
        Column("RO number", _text(shown, "ro_no")),
        Column("Opened", [day(value) for value in shown["opened_on"]], kept=True),
        Column("Shop", _text(shown, "shop")),
        Column("Unit", _text(shown, "unit_no")),
        Column("VIN", _text(shown, "vin")),
        _numbers(shown, f"Age, {unit}", "age"),
        Column("Position", _text(shown, "positions")),
        Column("Failure", [words(mode) for mode in shown["failure_mode"]]),
        Column("Part maker", _text(shown, "part_maker")),
    ]


def _text(frame: pl.DataFrame, name: str) -> list[str]:
    return [value or "" for value in frame[name]]


def _kind(column: Column) -> str:
    if column.number:
        return ' class="number"'
    return ' class="kept"' if column.kept else ""


def _cell(column: Column, text: str) -> str:
    return f"<td{_kind(column)}>{escape(text)}</td>"


def _inert(text: str) -> str:
    """Keep JSON inside a script element from being read as markup."""
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _digest(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def _asset(name: str) -> str:
    return (files("fleetlog.report") / name).read_text(encoding="utf-8")


def _document(title: str, made_at: datetime, page: _Page) -> str:
    library, drawing = get_plotlyjs(), _asset("report.js")
    # Only these two scripts may run, and nothing may be fetched from anywhere.
    policy = (
        f"default-src 'none'; script-src 'sha256-{_digest(library)}' 'sha256-{_digest(drawing)}'; "
        "style-src 'unsafe-inline'; img-src data: blob:; base-uri 'none'; form-action 'none'"
    )
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="referrer" content="no-referrer">
<title>{escape(title)}</title>
<style>{_asset("report.css")}</style>
</head>
<body>
<a class="skip" href="#manager">Skip to the content</a>
<header>
<h1>{escape(title)}</h1>
<p class="quiet">Made {made_at:%Y-%m-%d %H:%M}. {escape(CAUTION)}</p>
</header>
<nav aria-label="Sections"><ul>
<li><a href="#manager">For the fleet manager</a></li>
<li><a href="#foreman">For the foreman</a></li>
<li><a href="#technician">For the technician</a></li>
</ul></nav>
<main>
{"".join(page.parts)}
</main>
<footer><p>{escape(CAUTION)}</p></footer>
<script type="application/json" id="config">{_inert(json.dumps(GRAPH_CONFIG))}</script>
<script>{library}</script>
<script>{drawing}</script>
</body>
</html>
"""
