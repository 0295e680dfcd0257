"""What a sheet and a stack of them weigh, and how many people that takes: to warn, never to permit.

Makers' sheets and local rules on lifting come first.  Densities and the habits of lifting are from memory or
common practice; the arithmetic is checked against `fixtures/checks/sheet_weight.csv`.
"""

from __future__ import annotations

from dataclasses import dataclass

from jobs.core.words import Say, say

#: Glass-fibre polyester, kg/m³: usual, and from filled low to filled high.
SHEET_DENSITY = (1400.0, 1500.0, 1700.0)
#: A wood backing, kg/m³, and the sheet on it, in nanometres; from memory.
BOARD_DENSITY, FACE_NM = 650.0, 1_500_000
#: Longer or wider than this, one person cannot hold it: common practice, no source.
FLOPPY_NM = 1_200_000_000
#: Heavier than this, hands are not enough: common practice, no source.
MECHANICAL_KG = 40.0
#: The most for one person in ideal conditions: NIOSH lifting equation, 1994.
ONE_PERSON_KG = 23.0
#: Wood of a skid, kg.
SKID_KG = 30.0


@dataclass(frozen=True, slots=True)
class Weight:
    """One sheet in kg: from, usual, to."""

    low: float
    usual: float
    high: float


def sheet_weight(*, width_nm: int, height_nm: int, thickness_nm: int, is_backed: bool = False) -> Weight:
    """Return what one sheet weighs, in kg: area × thickness × density.

    A backed panel is a face of 1.5 mm on wood that makes up the rest of its thickness, glue left out.

    Raises:
        ValueError: a size is not positive.
    """
    if min(width_nm, height_nm, thickness_nm) < 1:
        raise ValueError("a sheet has a size")
    area = width_nm * height_nm * 1e-18
    face = min(FACE_NM, thickness_nm) if is_backed else thickness_nm
    board = (thickness_nm - face) * 1e-9 * BOARD_DENSITY
    low, usual, high = (area * (face * 1e-9 * density + board) for density in SHEET_DENSITY)
    return Weight(low, usual, high)


def lifting_words(weight: Weight, *, width_nm: int, height_nm: int, is_backed: bool, sheets: int) -> Say:
    """Return how heavy a sheet and a stack of so many are, and how many people a sheet takes.

    Args:
        sheets: how many stand there; a single one has no stack.
    """
    values = {
        "sheet": kilograms(weight.usual),
        "low": kilograms(weight.low),
        "high": kilograms(weight.high),
        "stack": round(weight.usual * sheets + SKID_KG, -1),
        "people": _people(weight, width_nm=width_nm, height_nm=height_nm, is_backed=is_backed),
    }
    if sheets < 2:
        return say("A sheet weighs about {sheet} kg ({low} to {high}): {people}.", **values)
    return say(
        "A sheet weighs about {sheet} kg ({low} to {high}): {people}. All {n} on a skid: about {stack} kg.",
        n=sheets,
        **values,
    )


def kilograms(weight: float) -> int | float:
    """Return a weight as it is said: to a tenth below 20 kg, whole above."""
    return round(weight, 1) if weight < 20 else round(weight)


def _people(weight: Weight, *, width_nm: int, height_nm: int, is_backed: bool) -> Say:
    if weight.usual > MECHANICAL_KG:
        return say("a lifting aid, hands are not enough")
    is_big = max(width_nm, height_nm) > FLOPPY_NM
    if is_backed or is_big or weight.high > ONE_PERSON_KG:
        return (
            say("two people, it bends and catches the wind")
            if is_big and not is_backed
            else say("two people")
        )
    return say("one person in good footing")
