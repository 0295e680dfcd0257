"""The parts of the sheet in a real browser, under the real policy for content: fit, targets, keys, script."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from wsgiref.simple_server import WSGIRequestHandler, make_server

import pytest
from django.core.wsgi import get_wsgi_application
from django.http import HttpRequest, HttpResponse
from django.urls import path
from playwright.sync_api import Browser, Page

from tests.browser.looks import AXE, BROKEN, small
from tests.scheduling import parts_sheet

pytestmark = pytest.mark.browser


class Quiet(WSGIRequestHandler):
    """A handler that keeps its requests to itself."""

    def log_message(self, *args: object) -> None:
        pass


def shown(request: HttpRequest) -> HttpResponse:
    return HttpResponse(parts_sheet.template().render(parts_sheet.context(), request))


def wrong(request: HttpRequest) -> HttpResponse:
    return HttpResponse(parts_sheet.template().render(parts_sheet.context(wrong=True), request))


urlpatterns = [path("shown/", shown), path("wrong/", wrong)]


@pytest.fixture
def address(settings) -> Iterator[str]:
    settings.ROOT_URLCONF = __name__
    server = make_server("127.0.0.1", 0, get_wsgi_application(), handler_class=Quiet)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def said() -> list[str]:
    """Return what the browser's console says while a test runs."""
    return []


@pytest.fixture
def open_page(browser: Browser, address: str, said: list[str]):
    """Return a function that opens a page at a width, all foldouts open."""
    contexts = []

    def opened(name: str, width: int = 1440, **options) -> Page:
        context = browser.new_context(viewport={"width": width, "height": 900}, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.goto(f"{address}/{name}/")
        if options.get("java_script_enabled", True):
            page.evaluate("document.querySelectorAll('details').forEach(e => e.open = true)")
        return page

    yield opened
    for context in contexts:
        context.close()


@pytest.mark.parametrize("width", [320, 360, 1024, 1440])
def test_nothing_overflows_and_no_date_breaks(open_page, said, width):
    page = open_page("wrong", width)

    assert page.evaluate("document.documentElement.scrollWidth") == width
    assert page.evaluate(BROKEN) == []
    assert said == []
    # The rule itself finds words that break.
    page.evaluate(
        "document.querySelector('h1').innerHTML = '<i class=stamp>' + 'Thu 14 May '.repeat(40) + '</i>'"
    )
    page.evaluate("document.querySelector('h1 i').style.whiteSpace = 'normal'")
    page.evaluate("document.querySelector('h1 i').style.display = 'inline'")
    assert len(page.evaluate(BROKEN)) == 1


@pytest.mark.parametrize("width", [360, 1440])
def test_what_is_pressed_is_large_enough_for_a_thumb(open_page, width):
    page = open_page("shown", width)

    assert small(page) == []
    # The rule itself finds something: nothing on the sheet is larger than it is.
    assert small(page, 4400) != []


@pytest.mark.parametrize("light", ["light", "dark"])
@pytest.mark.parametrize("name", ["shown", "wrong"])
@pytest.mark.parametrize("width", [360, 1440])
def test_axe_finds_nothing(open_page, name, width, light):
    page = open_page(name, width, color_scheme=light, reduced_motion="reduce")

    page.evaluate(AXE)
    found = page.evaluate("axe.run(document)")

    assert [f"{rule['id']}: {rule['nodes'][0]['html']}" for rule in found["violations"]] == []
    assert len(found["passes"]) > 20


def test_a_form_that_came_back_goes_to_what_is_wrong(open_page):
    page = open_page("wrong")

    assert page.evaluate("document.activeElement.id") == "wrongs"
    page.get_by_role("link", name="Humidity of the room, %: 470").click()
    assert page.evaluate("document.activeElement.id") == "id_humidity"


def test_the_skip_link_comes_first_and_the_title_block_after_the_sheet(open_page):
    page = open_page("shown")

    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "sheet"
    assert page.evaluate(
        "!!(document.querySelector('main').compareDocumentPosition(document.querySelector('nav')) & 4)"
    )


def test_a_stepper_steps_in_place_and_never_below_none(open_page):
    page = open_page("shown")

    page.get_by_role("button", name="One more: Good").click()
    page.get_by_role("button", name="One fewer: Bowed").click()

    assert page.input_value("#id_good") == "5"
    assert page.input_value("#id_bowed") == "0"
    assert page.url.endswith("/shown/")


def test_without_script_a_stepper_submits_and_enter_does_not_step(open_page):
    page = open_page("shown", java_script_enabled=False)
    page.route("**/shown/", lambda route: route.fulfill(body="taken"))

    with page.expect_request("**/shown/") as stepped:
        page.get_by_role("button", name="One more: Good").click()
    page.get_by_text("taken").wait_for()
    page.unroute("**/shown/")
    page.goto(page.url)
    page.route("**/shown/", lambda route: route.fulfill(body="taken"))
    with page.expect_request("**/shown/") as entered:
        page.locator("#id_batch").press("Enter")

    assert "more=good" in (stepped.value.post_data or "")
    assert "batch=7K2-0502" in (entered.value.post_data or "")
    assert "less=" not in (entered.value.post_data or "")


def test_a_countdown_runs_on_the_devices_clock(browser, open_page, address):
    context = browser.new_context()
    page = context.new_page()
    page.clock.install(time="2026-05-13T05:52:30Z")
    page.goto(f"{address}/shown/")
    left = page.locator("[data-until]")

    # Worked by hand: until 17:00 in London, 16:00 UTC, 10 h 07 and a half are left, rounded up.
    assert left.inner_text() == "10\u00a0h\u00a008"
    page.clock.run_for(60_000)
    assert left.inner_text() == "10\u00a0h\u00a007"
    context.close()


def test_the_copy_button_appears_with_script_and_copies(open_page):
    page = open_page("shown", permissions=["clipboard-read", "clipboard-write"])

    page.get_by_role("button", name="Copy the batch").click()

    page.get_by_role("button", name="Copied").wait_for()
    assert page.evaluate("navigator.clipboard.readText()") == "7K2-0502"


def test_an_office_that_does_not_answer_is_said(open_page):
    page = open_page("shown")
    assert not page.locator("#unreached").is_visible()

    page.evaluate("document.body.dispatchEvent(new CustomEvent('htmx:sendError', {bubbles: true}))")

    assert "Nothing was recorded" in page.locator("#unreached").inner_text()
