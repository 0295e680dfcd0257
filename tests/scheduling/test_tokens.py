"""The colours of the sheet keep their contrast, by day and by night.

Formula and limits: W3C, Web Content Accessibility Guidelines 2.2, "relative luminance", "contrast ratio" and
success criteria 1.4.3 (text, 4.5) and 1.4.11 (marks and outlines, 3).  The pairs are those of the pages.
"""

import re
from pathlib import Path

import pytest
from django.contrib.staticfiles import finders

TEXT, MARK = 4.5, 3.0
PAIRS = [
    ("ink", "sheet", TEXT),
    ("ink", "sheet-2", TEXT),
    ("ink", "bench", TEXT),
    ("ink", "chalk-wash", TEXT),
    ("ink", "vial", TEXT),
    ("ink", "raddle-wash", TEXT),
    ("ink-2", "sheet", TEXT),
    ("ink-2", "sheet-2", TEXT),
    ("ink-2", "bench", TEXT),
    ("ink-2", "chalk-wash", TEXT),
    ("chalk", "sheet", TEXT),
    ("chalk", "sheet-2", TEXT),
    ("chalk", "chalk-wash", TEXT),
    ("chalk", "raddle-wash", TEXT),
    ("raddle", "sheet", TEXT),
    ("raddle", "sheet-2", TEXT),
    ("raddle", "raddle-wash", TEXT),
    ("on-ink", "ink", TEXT),
    ("tape-ink", "tape", TEXT),
    ("chalk-on-tape", "tape", MARK),
    ("line-strong", "sheet", MARK),
    ("line-strong", "sheet-2", MARK),
    ("line-strong", "bench", MARK),
    ("vial-ink", "vial", MARK),
    ("vial-ink", "sheet", MARK),
    ("raddle", "vial", MARK),
    ("tape", "tape-ink", MARK),
]


def css() -> str:
    found = finders.find("scheduling/tokens.css")
    assert found
    return Path(found).read_text()


def colours(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z0-9-]+):\s*(#[0-9a-f]{6})", block))


def by_day() -> dict[str, str]:
    return colours(css().split("@media (prefers-color-scheme")[0])


def by_night() -> list[dict[str, str]]:
    """Return the night values: by the device's setting, and by the person's choice."""
    rest = css().split("@media (prefers-color-scheme")[1]
    device, chosen = rest.split(':root[data-light="night"]')
    return [{**by_day(), **colours(device)}, {**by_day(), **colours(chosen)}]


def luminance(colour: str) -> float:
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_what_the_guidelines_say_of_black_on_white():
    # WCAG 2.2, "contrast ratio": 21 to 1 at most.
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize(
    ("front", "back", "least"), PAIRS, ids=[f"{front}-on-{back}" for front, back, _ in PAIRS]
)
def test_each_pair_can_be_read_by_day_and_by_night(front, back, least):
    for values in (by_day(), *by_night()):
        assert contrast(values[front], values[back]) >= least


def test_both_ways_to_night_are_the_same_night():
    device, chosen = by_night()

    assert device == chosen
    assert device != by_day()
