"""A person at a browser, as tests speak of one: follows links, writes into fields, presses buttons, all by name."""

from __future__ import annotations

import os
import re
from datetime import datetime
from itertools import count
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from playwright.sync_api import Browser, Locator, Page

from tests.browser import looks

#: A folder that keeps a picture of every page on the way, for people to look at; unset: none is taken.
PICTURES = os.environ.get("SETDAY_PICTURES")
PHONE, DESK = 360, 1440
_taken = count(1)

#: Marks what is on the screen, so that what replaces it can be waited for.
MARK = "document.querySelectorAll('html, #act').forEach(e => e.dataset.before = '')"
FRESH = "html:not([data-before]), #act:not([data-before])"


class Hand:
    """One person, signed in, at a screen of one width; `name` names their pictures."""

    def __init__(
        self, browser: Browser, name: str, width: int, address: str, zone: ZoneInfo, **options: Any
    ) -> None:
        self.name, self.address, self.zone = name, address, zone
        self.context = browser.new_context(
            viewport={"width": width, "height": 900}, locale="en-GB", **options
        )
        self.page: Page = self.context.new_page()
        #: What the console says: nothing, unless something is wrong.
        self.said: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))

    # ---- going ----

    def go(self, path: str) -> None:
        """Open a page of the service, or a whole address of it."""
        self.page.goto(path if path.startswith("http") else self.address + path)
        self.look()

    def follow(self, name: str, *, within: Locator | None = None) -> None:
        """Follow the first link whose words begin so."""
        self._mark()
        (within or self.page).get_by_role("link", name=_begins(name)).first.click()
        self._arrive()
        self.look()

    def unfold(self, name: str) -> None:
        """Open the first foldout of this name."""
        self.page.locator("summary", has_text=name).first.click()

    def look(self) -> None:
        """Judge the page as anybody sees it, and keep a picture if pictures are kept."""
        if PICTURES:
            path = Path(PICTURES) / f"{next(_taken):03} {self.name} {_slug(self.page.title())}.png"
            # Hiding the caret would leave empty style attributes behind, which the content policy refuses.
            self.page.screenshot(path=path, full_page=True, caret="initial")
        found = looks.wrongs(self.page) + [f"the console: {words}" for words in self.said]
        assert found == [], f"{self.page.url}: {found}"

    # ---- writing ----

    def write(self, label: str, value: object, *, within: Locator | None = None) -> None:
        """Write into a field, or choose in a list what begins so."""
        field = (within or self.page).get_by_label(_begins(label)).first
        if field.evaluate("e => e.tagName") == "SELECT":
            option = field.locator("option", has_text=re.compile(rf"^\s*{re.escape(str(value))}"))
            field.select_option(value=option.first.get_attribute("value"))
        else:
            field.fill(self._written(value))

    def choose(self, question: str, answer: str) -> None:
        """Choose one of the answers to a question."""
        asked = self.page.get_by_role("group", name=_begins(question))
        asked.get_by_role("radio", name=_begins(answer)).first.check()

    def tick(self, name: str) -> None:
        """Tick what begins so."""
        self.page.get_by_role("checkbox", name=_begins(name)).first.check()

    def press(self, name: str, *, within: Locator | None = None) -> int:
        """Press a button and wait for what comes of it; return the answer's status."""
        self._mark()
        with self.page.expect_response(lambda response: response.request.method == "POST") as posted:
            (within or self.page).get_by_role("button", name=name, exact=True).click()
        self._arrive()
        status = posted.value.status
        if status in (409, 422):
            # The browser itself notes every refusal.
            self.said[:] = [words for words in self.said if f"status of {status}" not in words]
        self.look()
        return status

    # ---- reading ----

    def answer(self) -> str:
        """Return the sentence at the head of the page."""
        return plain(self.page.locator("#answer").inner_text())

    def told(self) -> list[str]:
        """Return the notes on the page."""
        return [plain(text) for text in self.page.locator(".note:visible").all_inner_texts()]

    def text(self, selector: str) -> str:
        """Return the words of a part of the page."""
        return plain(self.page.locator(selector).first.inner_text())

    def _written(self, value: object) -> str:
        if isinstance(value, datetime):
            return value.astimezone(self.zone).strftime("%Y-%m-%dT%H:%M")
        return str(value)

    def _mark(self) -> None:
        self.page.evaluate(MARK)

    def _arrive(self) -> None:
        self.page.locator(FRESH).first.wait_for(state="attached")
        self.page.wait_for_load_state()


def plain(text: str) -> str:
    """Return words with plain spaces, each once."""
    return re.sub(r"\s+", " ", text).strip()


def _begins(words: str) -> re.Pattern[str]:
    # Between figure and unit stands a space that does not break.
    return re.compile(r"^\s*" + r"\s+".join(re.escape(word) for word in words.split()))


def _slug(title: str) -> str:
    return re.sub(r"[^\w.-]+", "-", title)[:60]
