"""What a page must look like to anybody: nothing beyond its edge, no date over two lines, large enough, axe's rules."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Page

AXE = (Path(__file__).parent / "vendor" / "axe.min.js").read_text()

#: What is pressed and too small; of a tick or a choice the target is its whole label.
SMALL = """() => {
  const pressed = "main :is(a, button, summary, select, textarea, label.tick, label.choice), nav :is(a, button)"
    + ", main input:not([type=hidden], [type=checkbox], [type=radio])";
  const inSentence = e => e.matches("a") && e.parentElement.matches("p, small, h1")
    && [...e.parentElement.childNodes].some(node => node.nodeType === 3 && node.textContent.trim());
  return [...document.querySelectorAll(pressed)]
    .filter(e => e.checkVisibility() && !e.matches(".unseen") && !inSentence(e))
    .map(e => [e.outerHTML.slice(0, 90), e.getBoundingClientRect()])
    .filter(([_, box]) => Math.round(box.height) < LEAST || Math.round(box.width) < LEAST)
    .map(([html, box]) => `${Math.round(box.width)} × ${Math.round(box.height)} ${html}`);
}"""

#: Words that must stay on one line: instants, figures, batches.
BROKEN = """() => [...document.querySelectorAll("time, .nw, .stamp, .fig")]
  .filter(e => e.checkVisibility() && !e.querySelector("br"))
  .filter(e => new Set([...e.getClientRects()].map(r => Math.round(r.top))).size > 1)
  .map(e => e.textContent)"""

#: What is pressed but lies, at its middle, under something else that is pressed.
COVERED = """() => {
  const pressed = [...document.querySelectorAll("main :is(a, button, summary, input, select, textarea)")]
    .filter(e => e.checkVisibility() && !e.matches(".unseen, [type=hidden]"))
    .map(e => ({ e, rects: [...e.getClientRects()] }));
  return pressed.flatMap(({ e, rects: [line] }, at) => {
    const x = line.left + line.width / 2, y = line.top + line.height / 2;
    return pressed.slice(at + 1)
      .filter(o => o.rects.some(r => r.left < x && x < r.right && r.top < y && y < r.bottom) && !e.contains(o.e))
      .map(o => `${e.textContent.trim().slice(0, 40)} under ${o.e.textContent.trim().slice(0, 40)}`);
  });
}"""

#: What reaches beyond the right edge, where the page as a whole does.
BEYOND = """() => {
  const width = document.documentElement.clientWidth;
  if (document.documentElement.scrollWidth <= width) return [];
  return [...document.querySelectorAll("body *")]
    .filter(e => e.getBoundingClientRect().right > width + 1)
    .map(e => e.outerHTML.slice(0, 90)).slice(-5);
}"""


def small(page: Page, least: int = 44) -> list[str]:
    """Return what is pressed and smaller than `least` px either way."""
    found: list[str] = page.evaluate(SMALL.replace("LEAST", str(least)))
    return found


def wrongs(page: Page) -> list[str]:
    """Return what reaches beyond the edge, breaks where it must not, cannot be pressed; and h1 that are not one."""
    found = [f"beyond the edge: {html}" for html in page.evaluate(BEYOND)]
    found += [f"over two lines: {words}" for words in page.evaluate(BROKEN)]
    found += page.evaluate(COVERED)
    headings = page.locator("h1").count()
    return found if headings == 1 else [*found, f"{headings} h1"]


def axe(page: Page) -> list[str]:
    """Return what axe-core finds wrong, a line each."""
    page.evaluate(AXE)
    found = page.evaluate("axe.run(document)")
    assert len(found["passes"]) > 10
    return [f"{rule['id']}: {node['html']}" for rule in found["violations"] for node in rule["nodes"]]
