"""The report file: what it says, and that it needs nothing but itself."""

import html
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest
from playwright.sync_api import sync_playwright

from dashboards.figures import survival_figure
from fleetlog.analyses import BestInterval, Comebacks, PartLife, best_interval, comebacks, part_life
from fleetlog.errors import InputError
from fleetlog.report import write_report, write_store_report
from fleetlog.store import Store

CHROMIUM = Path("/usr/bin/chromium")
MADE_AT = datetime(2026, 3, 4, 5, 6, tzinfo=UTC)
PART = "charging.alternator"


@pytest.fixture(scope="module")
def store(sample_store: Path) -> Store:
    return Store.open(sample_store)


@pytest.fixture(scope="module")
def life(store: Store) -> PartLife:
    return part_life(store, PART)


@pytest.fixture(scope="module")
def best(store: Store) -> BestInterval:
    return best_interval(store, PART)


@pytest.fixture(scope="module")
def back(store: Store) -> Comebacks:
    return comebacks(store)


@pytest.fixture(scope="module")
def written(
    life: PartLife, best: BestInterval, back: Comebacks, store: Store,
    tmp_path_factory: pytest.TempPathFactory,
) -> Path:  # fmt: skip
    path = tmp_path_factory.mktemp("report") / "report.html"
    split = part_life(store, PART, by=("depot",))
    write_report(
        path, part_lives=[life, split], best_intervals=[best], comebacks=back,
        title="Report <of> the fleet", made_at=MADE_AT, remarks=["Two things are not in it."],
    )  # fmt: skip
    return path


class Outline(HTMLParser):
    """Collects the text of headings and cells, and every attribute that could fetch something."""

    def __init__(self) -> None:
        super().__init__()
        self.stack: list[str] = []
        self.text: dict[str, list[str]] = {}
        self.fetches: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "link", "br"):
            self.stack.append(tag)
        self.text.setdefault(tag, []).append("")
        self.fetches += [
            str(value) for name, value in attrs
            if name in ("src", "href", "data", "action") and not str(value).startswith("#")
        ]  # fmt: skip

    def handle_endtag(self, tag: str) -> None:
        assert self.stack.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.stack:
            self.text[self.stack[-1]][-1] += data


@pytest.fixture(scope="module")
def outline(written: Path) -> Outline:
    outline = Outline()
    outline.feed(written.read_text(encoding="utf-8"))
    return outline


def test_sections_come_in_the_order_of_the_readers(outline: Outline) -> None:
    heads = [text.split(":")[0] for text in outline.text["h2"]]
    assert heads == [
        "For the fleet manager", "For the foreman", "For the technician",
        "What is not in this report",
    ]  # fmt: skip
    assert outline.text["h1"] == ["Report <of> the fleet"]
    assert "Two things are not in it." in outline.text["p"]


def test_every_sentence_of_the_results_stands_in_it(
    outline: Outline, life: PartLife, best: BestInterval, back: Comebacks
) -> None:
    for sentence in (*life.summary, *best.summary, *back.summary):
        assert sentence in outline.text["p"]


def test_tables_hold_the_key_numbers(outline: Outline, life: PartLife, back: Comebacks) -> None:
    cells = outline.text["td"]
    row = life.groups.row(0, named=True)
    for name in ("lives", "vehicles", "failures", "b10"):
        assert f"{row[name]:,.0f}" in cells
    assert f"{row['b10_lower']:,.0f} to {row['b10_upper']:,.0f}" in cells
    for shop, rate in back.groups.select("group", "rate").iter_rows():
        assert shop in cells
        assert f"{100 * rate:.1f} %" in cells
    assert set(life.evidence["ro_no"]) <= set(cells)


def test_figures_are_those_of_the_screens(written: Path, life: PartLife) -> None:
    text = written.read_text(encoding="utf-8")
    kept = [
        json.loads(found)
        for found in re.findall(r'id="figure-\d+-data">(.*?)</script>', text, flags=re.DOTALL)
    ]
    assert json.loads(survival_figure(life).to_json()) in kept
    for figure in kept:
        assert html.escape(figure["layout"]["meta"]["caption"]) in text


def test_nothing_in_it_points_outside(outline: Outline) -> None:
    assert outline.fetches == []
    assert not outline.stack


def test_text_of_the_records_stays_text(life: PartLife, best: BestInterval, tmp_path: Path) -> None:
    bad = '</script><script>alert("x")</script><img src=x onerror=alert(1)>&amp;'
    spoiled = replace(
        life,
        title=bad,
        summary=(bad,),
        evidence=life.evidence.with_columns(ro_no=pl.lit(bad), part_maker=pl.lit(bad)),
        groups=life.groups.with_columns(note=pl.lit(bad)),
        incidence=life.incidence.with_columns(failure_mode=pl.lit(bad)),
    )
    path = tmp_path / "spoiled.html"
    write_report(
        path, part_lives=[spoiled], best_intervals=[replace(best, title=bad)], comebacks=None,
        title=bad, made_at=MADE_AT,
    )  # fmt: skip
    outline = Outline()
    outline.feed(path.read_text(encoding="utf-8"))
    assert "img" not in outline.text
    assert bad in outline.text["h1"]
    assert bad in outline.text["td"]
    assert len(outline.text["script"]) == path.read_text(encoding="utf-8").count('-data">') + 3


def test_one_result_without_figures_still_gives_a_report(
    life: PartLife, back: Comebacks, tmp_path: Path
) -> None:
    empty = replace(
        life, curves=life.curves.clear(), fitted=life.fitted.clear(),
        incidence=life.incidence.clear(), evidence=life.evidence.clear(),
    )  # fmt: skip
    path = tmp_path / "empty.html"
    write_report(
        path, part_lives=[empty], best_intervals=[], title="Empty", made_at=MADE_AT,
        comebacks=replace(back, groups=back.groups.clear()),
    )  # fmt: skip
    assert "No failure of" in path.read_text(encoding="utf-8")


def test_a_place_that_cannot_be_written_is_refused(life: PartLife, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="choose another place"):
        write_report(
            tmp_path / "no" / "folder.html", part_lives=[life], best_intervals=[], comebacks=None,
            title="x", made_at=MADE_AT,
        )  # fmt: skip


def test_the_report_of_a_store_names_what_it_leaves_out(store: Store, tmp_path: Path) -> None:
    path, steps = tmp_path / "store.html", []
    write_store_report(
        path,
        store,
        components=[PART, "timing.chain"],
        made_at=MADE_AT,
        progress=lambda step, _share: steps.append(step),
    )
    text = path.read_text(encoding="utf-8")
    assert steps == [PART, "timing.chain", "comebacks"]
    assert re.search(r"\d+ more components have failures and are not in this report", text)
    assert "Made 2026-03-04 05:06" in text


def test_a_store_without_failures_is_refused(tmp_path: Path) -> None:
    empty = Store.create(tmp_path / "empty.fleetlog")
    with pytest.raises(InputError, match="no failed part"):
        write_store_report(tmp_path / "report.html", empty)


@pytest.fixture(scope="module")
def requests_and_faults(written: Path) -> Iterator[tuple[list[str], list[str], dict[str, int]]]:
    if not CHROMIUM.exists():
        pytest.skip(f"no browser at {CHROMIUM}: install chromium")
    requests: list[str] = []
    faults: list[str] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        context = browser.new_context(offline=True, viewport={"width": 390, "height": 800})
        page = context.new_page()
        page.on("request", lambda request: requests.append(request.url))
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
        page.goto(written.as_uri())
        page.wait_for_timeout(500)
        seen = page.evaluate(
            "({plots: document.querySelectorAll('.plot').length,"
            " drawn: document.querySelectorAll('.plot .main-svg:first-child').length,"
            " beyond: document.documentElement.scrollWidth - window.innerWidth,"
            " upload: [...document.querySelectorAll('.modebar-btn')].filter("
            "b => /share|cloud|upload/i.test(b.dataset.title)).length})"
        )
        yield requests, faults, seen
        browser.close()


@pytest.mark.browser
def test_it_opens_without_a_network(
    written: Path, requests_and_faults: tuple[list[str], list[str], dict[str, int]]
) -> None:
    requests, faults, seen = requests_and_faults
    assert [url for url in requests if not url.startswith(("data:", "blob:"))] == [written.as_uri()]
    assert not faults
    assert seen["drawn"] == seen["plots"] > 2
    assert seen["beyond"] <= 0
    assert seen["upload"] == 0
