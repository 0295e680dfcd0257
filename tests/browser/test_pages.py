"""Every page of the demo as each of its people finds it: two widths, day and night, by keyboard, without script."""

from __future__ import annotations

import re
from collections import Counter, deque
from collections.abc import Iterator, Mapping
from typing import Literal
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Browser, Page

from tests.browser import looks
from tests.browser.hands import DESK, PHONE, Hand, plain
from tests.service import Service, serving

pytestmark = [pytest.mark.browser, pytest.mark.process]

MANAGER, LEAD, SUPPLIER = "Agnes Thorley", "Céline Vasquot", "Gil Maddern"
LONDON = ZoneInfo("Europe/London")

Ways = tuple[tuple[int, Literal["light", "dark"]], ...]
#: A phone by day, a desk by night.
BOTH: Ways = ((PHONE, "light"), (DESK, "dark"))
#: What stands for another thing of the same kind in a path.
KEY = re.compile(r"[0-9a-f]{8}-[0-9a-f-]{27}|\d+")
FORM = re.compile(r"/(rooms|zones|jobs|placements|orders|dispatches|facts)/N/[a-z-]+/")
#: How many of a kind are opened, where one does not show all there is: rooms of every state, corrections of each fact.
MOST = {"/jobs/N/": 5, "/rooms/N/": 40, "/facts/N/correct/": 8}
#: So many of each of these for whoever looks after the manager.
MOST_AGAIN = 3
#: How many of them, whoever looks, are judged by axe: it takes longer than all else.
MOST_BY_AXE = {"/rooms/N/": 3}
FILES = (".xlsx", ".csv", ".ics", "/original")


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with serving(tmp_path_factory.mktemp("pages"), DEMO="1", SETDAY_PROCESSES="web,beat") as service:
        # The web answers while the demo is still being loaded; who is greeted finds it whole.
        service.greeted()
        yield service


@pytest.fixture
def signed_in(browser: Browser, service: Service):
    """Return a function that signs a person in at a width."""
    hands = []

    def sign_in(name: str, width: int = PHONE, **options) -> Hand:
        hand = Hand(browser, name, width, service.address, LONDON, **options)
        hands.append(hand)
        hand.page.goto(service.manage("sign_in_link", name))
        return hand

    yield sign_in
    for hand in hands:
        hand.context.close()


@pytest.fixture(scope="module")
def judged() -> Counter[str]:
    """Return how many pages of each kind axe has judged."""
    return Counter()


@pytest.mark.parametrize("name", [MANAGER, LEAD, SUPPLIER])
def test_every_page_that_a_person_can_reach_is_fit_to_be_seen(signed_in, judged, name):
    hand = signed_in(name, reduced_motion="reduce")
    found, opened, titles = [], Counter(), set()

    for path, status in reached(hand, most=MOST if name == MANAGER else dict.fromkeys(MOST, MOST_AGAIN)):
        kind = KEY.sub("N", path).partition("?")[0]
        opened[kind] += 1
        judged[kind] += 1
        titles.add(hand.page.title())
        found += [] if status == 200 else [f"{path} answers {status}"]
        by_axe = BOTH if judged[kind] <= MOST_BY_AXE.get(kind, 1) else ()
        # Forms are laid from the same parts, whose looks at night have a test of their own.
        by_axe = by_axe[:1] if FORM.fullmatch(kind) else by_axe
        found += [f"{path} {wrong}" for wrong in seen_both_ways(hand.page, by_axe=by_axe)]

    assert found + hand.said == []
    assert [title for title in titles if not title.endswith("Setday")] == []
    assert len(opened) > {MANAGER: 35, LEAD: 25, SUPPLIER: 4}[name], sorted(opened)


def test_who_is_not_signed_in_sees_pages_that_are_as_good(browser, service):
    hand = Hand(browser, "nobody", PHONE, service.address, LONDON)

    for path in ("/sign-in/", "/sign-in/none/", "/morning/"):
        hand.page.goto(service.address + path)
        # The browser itself notes that a used link is not found.
        hand.said[:] = [words for words in hand.said if "status of 404" not in words]
        assert seen_both_ways(hand.page, by_axe=BOTH) == []
    hand.context.close()


def reached(hand: Hand, *, most: Mapping[str, int]) -> Iterator[tuple[str, int]]:
    """Open page after page by the links on them, a few of each kind; yield path and status while each is open."""
    start = urlsplit(hand.page.url).path
    waiting, known = deque([start]), {start}
    taken: Counter[str] = Counter()
    while waiting:
        path = waiting.popleft()
        kind = KEY.sub("N", path)
        if taken[kind] >= most.get(kind, 1):
            continue
        taken[kind] += 1
        answer = hand.page.goto(hand.address + path)
        assert answer is not None
        yield path, answer.status
        for href in hand.page.eval_on_selector_all("a[href]", "links => links.map(a => a.href)"):
            link = urlsplit(href)
            onward = link.path + (f"?{link.query}" if link.query else "")
            is_here = href.startswith(hand.address) and not link.path.endswith(FILES)
            if is_here and onward not in known:
                known.add(onward)
                waiting.append(onward)


def seen_both_ways(page: Page, *, by_axe: Ways) -> list[str]:
    """Return what is wrong with a page on a phone by day and at a desk by night, everything unfolded.

    Args:
        by_axe: in which of the two ways axe judges it too.
    """
    page.evaluate("document.querySelectorAll('details').forEach(e => e.open = true)")
    found = []
    for width, light in BOTH:
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=light)
        found += [f"at {width}: {wrong}" for wrong in looks.wrongs(page)]
        if (width, light) in by_axe:
            found += [f"at {width}: {wrong}" for wrong in looks.axe(page)]
    return found


# ---- by keyboard ----


def test_a_reading_is_logged_by_keyboard_alone(signed_in):
    hand = signed_in(LEAD)
    page = hand.page
    hand.go(room_of(hand))
    hand.unfold("Record a fact")
    hand.follow("Log a reading")

    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    typed = {"id_temperature": "20.5", "id_humidity_pct": "46"}
    for _ in range(40):
        page.keyboard.press("Tab")
        assert hidden_focus(page) == ""
        where = page.evaluate("document.activeElement.id")
        if where in typed:
            page.keyboard.press("ControlOrMeta+a")
            page.keyboard.type(typed.pop(where))
        if not typed:
            break
    with page.expect_navigation():
        page.keyboard.press("Enter")

    assert any("20.5 °C and 46 %" in words for words in hand.told())


#: Why the element with the focus cannot be seen: no ring, or under the title block; empty where it can.
HIDDEN_FOCUS = """() => {
  const e = document.activeElement, style = getComputedStyle(e), box = e.getBoundingClientRect();
  const seen = e.matches("[type=radio], [type=checkbox]") ? e.closest("label") : e;
  const ringed = [style, getComputedStyle(seen)]
    .some(s => s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2);
  if (!ringed) return "no ring: " + e.outerHTML.slice(0, 90);
  const nav = document.querySelector("nav.block").getBoundingClientRect();
  const covered = !e.closest("nav") && (box.top + box.height / 2 > nav.top || box.bottom < 0);
  return covered ? "out of sight: " + e.outerHTML.slice(0, 90) : "";
}"""


def hidden_focus(page: Page) -> str:
    return str(page.evaluate(HIDDEN_FOCUS))


@pytest.mark.parametrize(("name", "width"), [(MANAGER, DESK), (LEAD, PHONE)])
def test_the_focus_is_seen_wherever_it_goes(signed_in, name, width):
    hand = signed_in(name, width)

    for path in ("/", room_of(hand)):
        hand.page.goto(hand.address + path)
        for _ in range(60):
            hand.page.keyboard.press("Tab")
            if hand.page.evaluate("document.activeElement === document.body"):
                break
            assert hidden_focus(hand.page) == "", path


def room_of(hand: Hand) -> str:
    """Return the path of the first room that this person finds among the jobs."""
    hand.page.goto(f"{hand.address}/jobs/")
    job = hand.page.locator("main table a").first.get_attribute("href")
    hand.page.goto(f"{hand.address}{job}")
    return str(hand.page.locator("main table th a").first.get_attribute("href"))


# ---- without script ----


def test_without_script_people_sign_in_log_a_reading_and_tick_prep(signed_in):
    room = room_of(signed_in(LEAD))
    hand = signed_in(LEAD, java_script_enabled=False)
    page = hand.page
    page.goto(hand.address + room)
    page.locator("summary", has_text="Record a fact").click()
    page.get_by_role("link", name="Log a reading").first.click()
    page.get_by_label("Air").fill("130")
    page.get_by_label("Humidity").fill("46")
    page.get_by_role("button", name="Keep this reading").click()
    assert "130 is not from" in plain(page.locator("#wrongs").inner_text())
    assert page.get_by_label("Humidity").input_value() == "46"
    page.get_by_label("Air").fill("20,4")
    page.get_by_role("button", name="Keep this reading").click()
    assert any("20.4 °C and 46 %" in words for words in hand.told())

    page.goto(f"{hand.address}{room}prep/")
    clean = page.get_by_role("group", name="Clean")
    clean.get_by_role("radio", name="Failed").check()
    page.get_by_label("What was found").fill("Two joints are open.")
    page.get_by_role("button", name="Keep the prep").click()
    assert any(words.startswith("Recorded") for words in hand.told())
    assert "failed" in plain(page.locator("#hold-substrate").inner_text()).lower()


# ---- beside a secret ----


def test_pages_that_show_a_secret_once_take_what_is_posted_from_them(signed_in):
    """From a page that forbids every referrer, browsers post without an origin, and its forms are refused."""
    hand = signed_in(MANAGER, DESK)
    hand.go("/crews/")
    hand.go(str(hand.page.locator('main a[href$="/calendar/"]').first.get_attribute("href")))

    assert hand.press("Make an address") == 200
    assert "/feeds/" in hand.page.locator("#feed").input_value()
    assert hand.press("End this address") == 302

    hand.go("/loggers/")
    hand.write("Name", "L-9")
    hand.page.get_by_role("checkbox").first.check()
    assert hand.press("Add it and show its token") == 200
    first = hand.page.locator("#token").input_value()
    assert hand.press("Keep this") == 302
    assert hand.press("Make a new token") == 200
    assert hand.page.locator("#token").input_value() not in ("", first)
    assert hand.press("End this logger") == 302
