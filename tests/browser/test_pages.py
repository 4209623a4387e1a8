"""The pages in a real browser: what people see, and that nothing leaves the machine."""

import logging
import shutil
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright
from werkzeug.serving import make_server

from dashboards.app import create_app
from dashboards.pages.vehicle_orders import LATEST_ORDERS
from dashboards.pages.vehicle_parts import YOUNGEST_ROWS
from fleetlog.store import Store

CHROMIUM = Path("/usr/bin/chromium")
PATHS = (
    "/",
    "/?component=valvetrain.rocker-arm&split=bank",
    "/?component=valvetrain.rocker-arm&split=bank-side&parts=first",
    "/comebacks",
    "/comebacks?by=component",
    "/vehicle?find=U1001",
)
WAIT_MS = 60_000
MOST_ORDERS_VIN = "GZ7VABE19BN552541"

ALL_DRAWN = """[...document.querySelectorAll('.fl-figure')]
    .filter(card => !card.closest('[hidden]'))
    .every(card => card.querySelector('.main-svg') && card.querySelector('figcaption').textContent)
"""

#: Charts in sight that are wider or taller than the card that holds them.
OUT_OF_CARD = """[...document.querySelectorAll('.fl-figure')]
    .filter(card => !card.closest('[hidden]'))
    .filter(card => {
        const outer = card.getBoundingClientRect();
        const inner = card.querySelector('.main-svg').getBoundingClientRect();
        return inner.right > outer.right || inner.bottom > outer.bottom || inner.height < 150;
    }).map(card => card.querySelector('.dash-graph').id)"""

pytestmark = pytest.mark.browser


@dataclass
class Watched:
    """A page, what went wrong on it, and where its requests went."""

    page: Page
    faults: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def open(self, path: str) -> Page:
        self.page.goto(path)
        until(self.page, "document.querySelector('.fl-answer p, .fl-message, .fl-facts')")
        return self.page

    def check(self) -> None:
        assert not self.faults
        assert self.requests
        hosts = {
            urlsplit(url).hostname
            for url in self.requests
            if not url.startswith(("data:", "blob:"))
        }
        assert hosts == {"127.0.0.1"}


@pytest.fixture(scope="module")
def store_path(sample_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("browser") / "fleet.fleetlog"
    shutil.copy(sample_store, path)
    return path


@pytest.fixture(scope="module")
def address(store_path: Path) -> Iterator[str]:
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = make_server("127.0.0.1", 0, create_app(store_path).server, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        yield browser
        browser.close()


def watched(browser: Browser, address: str, width: int = 1280) -> Watched:
    page = browser.new_page(base_url=address, viewport={"width": width, "height": 900})
    page.set_default_timeout(WAIT_MS)
    seen = Watched(page)
    page.on("pageerror", lambda error: seen.faults.append(str(error)))
    page.on(
        "console",
        lambda said: seen.faults.append(said.text) if said.type in ("error", "warning") else None,
    )
    page.on("request", lambda request: seen.requests.append(request.url))
    return seen


def until(page: Page, expression: str) -> None:
    """Wait for a condition. The page's own policy forbids the browser-side wait, which evals."""
    deadline = time.monotonic() + WAIT_MS / 1000
    while not page.evaluate(f"Boolean({expression})"):
        assert time.monotonic() < deadline, f"never came: {expression}"
        page.wait_for_timeout(50)


def curves(page: Page) -> list[str]:
    return page.evaluate(
        "document.querySelector('#life-curves .js-plotly-plot')._fullData"
        ".filter(t => t.line && t.line.shape === 'hv').map(t => t.name)"
    )


def pick(page: Page, label: str, choice: str) -> None:
    page.get_by_role("combobox", name=label).or_(page.get_by_label(label)).first.click()
    page.get_by_role("option", name=choice).first.click()


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("path", PATHS)
def test_page_opens_cleanly_and_fits(browser: Browser, address: str, path: str, width: int) -> None:
    seen = watched(browser, address, width)
    page = seen.open(path)
    page.wait_for_load_state("networkidle")
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0
    until(page, ALL_DRAWN)
    assert page.evaluate(OUT_OF_CARD) == []
    assert page.title().endswith(" - fleetlog")
    assert page.locator("h1").count() == 1
    seen.check()
    page.close()


def test_charts_have_no_upload_button_and_a_name(browser: Browser, address: str) -> None:
    seen = watched(browser, address)
    for path, count in (("/", 2), ("/comebacks", 1)):
        page = seen.open(path)
        until(page, f"document.querySelectorAll('.js-plotly-plot .main-svg').length >= {count}")
        page.wait_for_load_state("networkidle")
        until(page, ALL_DRAWN)
        buttons = page.evaluate(
            "[...document.querySelectorAll('.modebar-btn')].map(b => b.dataset.title || '')"
        )
        assert len(buttons) >= count
        assert not [
            title
            for title in buttons
            if any(word in title.lower() for word in ("share", "cloud", "upload", "plotly"))
        ]
        unnamed = page.evaluate(
            "[...document.querySelectorAll('.fl-figure [role=img]')].filter(e => "
            "!e.closest('[hidden]') && "
            "!document.getElementById(e.getAttribute('aria-labelledby')).textContent).length"
        )
        assert unnamed == 0
    seen.check()
    page.close()


def test_picking_changes_the_figure_and_the_address(browser: Browser, address: str) -> None:
    seen = watched(browser, address)
    page = seen.open("/?component=charging.alternator")
    until(page, "document.querySelector('#life-curves .js-plotly-plot')?._fullData")
    expect(page.locator("#life-answer p").first).to_contain_text("Alternator")
    pick(page, "Component", "Rocker arm")
    expect(page.locator("#life-answer p").first).to_contain_text("Rocker arm")
    pick(page, "Split by", "Bank")
    until(page, "location.search.includes('split=bank')")
    until(
        page,
        "document.querySelector('#life-curves .js-plotly-plot')._fullData"
        ".filter(t => t.line && t.line.shape === 'hv').length > 1",
    )
    assert "component=valvetrain.rocker-arm" in page.url
    split_up = curves(page)
    assert set(split_up) >= {"bank 1", "bank 2"}
    # The address alone brings the same view back.
    again = seen.open(page.url)
    until(
        again,
        "document.querySelector('#life-curves .js-plotly-plot')?._fullData"
        "?.filter(t => t.line && t.line.shape === 'hv').length > 1",
    )
    assert curves(again) == split_up
    seen.check()
    page.close()


def test_a_write_to_the_store_while_the_page_is_open_works(
    browser: Browser, address: str, store_path: Path
) -> None:
    seen = watched(browser, address)
    page = seen.open("/?component=charging.alternator")
    expect(page.locator("#life-answer p").first).to_contain_text("Alternator")
    store = Store.open(store_path)
    before = store.revision()
    with store.write() as connection:
        connection.execute(
            "UPDATE life SET ended_by = 'planned' WHERE component = 'charging.alternator'"
            " AND ended_by = 'failed'"
        ).fetchall()
    assert store.revision() == before + 1
    pick(page, "Measured in", "Days")
    expect(page.locator("#life-answer")).to_contain_text("0 failures")
    seen.check()
    page.close()


def test_one_group_of_a_split_is_chosen_and_comes_back_with_the_address(
    browser: Browser, address: str
) -> None:
    seen = watched(browser, address, width=390)
    page = seen.open("/?component=valvetrain.rocker-arm")
    expect(page.locator("#life-group")).to_be_hidden()
    pick(page, "Split by", "Bank and side")
    until(page, "new URLSearchParams(location.search).get('group')")
    page.locator("#life-group").click()
    page.get_by_role("option", name="bank 1 / exhaust").click()
    said = page.locator("#life-interval-answer")
    expect(said).to_contain_text("bank 1, side exhaust")
    pick(page, "Parts", "As built")
    until(page, "location.search.includes('parts=first')")
    expect(page.locator("#life-answer")).to_contain_text("as built")
    again = seen.open(page.url)
    expect(again.locator("#life-group")).to_have_value("bank 1 / exhaust")
    expect(said).to_contain_text("bank 1, side exhaust, as built")
    seen.check()
    page.close()


def test_the_printed_record_shows_every_row_and_no_controls(browser: Browser, address: str) -> None:
    seen = watched(browser, address, width=720)
    page = seen.open("/vehicle?find=U1001")
    until(page, "document.querySelector('#vehicle-fitted tbody tr')")
    rows = page.locator("#vehicle-fitted > .fl-scroll tbody tr")
    on_screen = rows.count()
    page.emulate_media(media="print")
    assert on_screen > 1
    assert rows.count() == on_screen
    assert all(row.is_visible() for row in rows.all())
    expect(page.locator("#vehicle-key")).to_be_hidden()
    expect(page.locator(".fl-nav")).to_be_hidden()
    # An A4 sheet between its margins: nothing may be cut off at the right.
    assert page.evaluate("document.documentElement.scrollWidth") <= 720
    cut = """[...document.querySelectorAll('.fl-scroll')]
        .filter(each => each.scrollWidth > each.clientWidth).length"""
    assert page.evaluate(cut) == 0
    seen.check()
    page.close()


def test_older_orders_come_by_the_keyboard_and_are_printed(browser: Browser, address: str) -> None:
    seen = watched(browser, address, width=720)
    # The vehicle of the sample with the most orders: one press must bring the rest.
    page = seen.open(f"/vehicle?find={MOST_ORDERS_VIN}")
    orders = page.locator("#vehicle-orders > article")
    expect(orders).to_have_count(LATEST_ORDERS)
    page.locator("#vehicle-older").focus()
    page.keyboard.press("Enter")
    until(page, "document.querySelector('#vehicle-orders-shown').textContent.startsWith('All ')")
    shown = orders.count()
    assert f"({shown})" in page.locator("#vehicle-orders-total").inner_text()
    expect(page.locator("#vehicle-older")).to_be_hidden()
    page.emulate_media(media="print")
    assert all(each.is_visible() for each in orders.all())
    assert page.evaluate("document.documentElement.scrollWidth") <= 720
    seen.check()
    page.close()


def test_all_parts_come_by_the_keyboard_and_are_printed(browser: Browser, address: str) -> None:
    seen = watched(browser, address, width=390)
    page = seen.open(f"/vehicle?find={MOST_ORDERS_VIN}")
    rows = page.locator("#vehicle-fitted tbody tr")
    expect(rows).to_have_count(YOUNGEST_ROWS)
    page.locator("#vehicle-more-parts").focus()
    page.keyboard.press("Enter")
    until(page, "document.querySelector('#vehicle-parts-shown').textContent.startsWith('All ')")
    assert f"All {rows.count()} rows" in page.locator("#vehicle-parts-shown").inner_text()
    assert rows.count() > YOUNGEST_ROWS
    expect(page.locator("#vehicle-more-parts")).to_be_hidden()
    page.emulate_media(media="print")
    assert all(row.is_visible() for row in rows.all())
    seen.check()
    page.close()


def test_the_record_says_what_is_due_and_draws_what_was_done(
    browser: Browser, address: str
) -> None:
    seen = watched(browser, address, width=390)
    page = seen.open(f"/vehicle?find={MOST_ORDERS_VIN}")
    expect(page.locator("#vehicle-due h2").first).to_have_text("Due and overdue")
    until(page, "document.querySelector('#vehicle-warnings p')")
    until(page, "document.querySelector('#vehicle-timeline .js-plotly-plot')?._fullData")
    caption = page.locator("#vehicle-timeline-caption").inner_text()
    assert "21 orders" in caption
    assert page.evaluate(OUT_OF_CARD) == []
    # The name that a screen reader gives the figure is its caption.
    figure = page.locator("[aria-labelledby=vehicle-timeline-caption]")
    expect(figure).to_have_attribute("role", "img")
    seen.check()
    page.close()


def test_a_part_of_a_name_lists_the_vehicles_that_have_it(browser: Browser, address: str) -> None:
    seen = watched(browser, address, width=390)
    page = seen.open("/vehicle?find=U100")
    expect(page.locator(".fl-message li").first).to_contain_text("found by a part of its unit")
    seen.check()
    page.close()


def test_rows_of_a_grid_far_down_are_there_when_it_comes_into_view(
    browser: Browser, address: str
) -> None:
    seen = watched(browser, address, width=390)
    page = seen.open("/?component=valvetrain.rocker-arm")
    page.locator("#life-evidence").scroll_into_view_if_needed()
    expect(page.locator("#life-evidence .ag-row .ag-cell").first).to_be_visible()
    seen.check()
    page.close()


def test_the_phone_menu_leads_to_every_page(browser: Browser, address: str) -> None:
    seen = watched(browser, address, width=390)
    page = seen.open("/comebacks")
    page.get_by_label("Open or close the list of pages").click()
    page.get_by_role("link", name="Vehicle record").click()
    page.wait_for_url("**/vehicle")
    expect(page.locator("h1")).to_have_text("Vehicle record")
    seen.check()
    page.close()


def test_dark_reaches_page_grid_and_figure(browser: Browser, address: str) -> None:
    seen = watched(browser, address)
    page = seen.open("/comebacks")
    until(page, "document.querySelector('#back-rates .js-plotly-plot')?._fullLayout")
    page.get_by_label("Change between light and dark").click()
    until(
        page,
        "document.documentElement.dataset.agThemeMode === 'dark' && "
        "document.querySelector('#back-rates .js-plotly-plot')._fullLayout.paper_bgcolor"
        " === '#1b2022'",
    )
    seen.check()
    page.close()


def test_the_keyboard_reaches_the_content_first(browser: Browser, address: str) -> None:
    seen = watched(browser, address)
    page = seen.open("/comebacks")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    seen.check()
    page.close()
