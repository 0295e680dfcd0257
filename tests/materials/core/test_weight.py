"""What a sheet weighs, against the check table and the words of the trade's caution."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from materials.core.weight import lifting_words, sheet_weight

TABLE = Path(__file__).parents[3] / "fixtures" / "checks" / "sheet_weight.csv"
FOOT_NM = 304_800_000


def rows():
    lines = [line for line in TABLE.read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def weight_of(row):
    return sheet_weight(
        width_nm=int(row["width_ft"]) * FOOT_NM,
        height_nm=int(row["length_ft"]) * FOOT_NM,
        thickness_nm=round(float(row["thickness_mm"]) * 1_000_000),
        is_backed=row["kind"] == "backed",
    )


# Source: fixtures/checks/sheet_weight.csv, whose kilograms are printed to three decimals.
@pytest.mark.parametrize("row", rows(), ids=lambda row: "-".join(map(str, list(row.values())[:5])))
def test_a_sheet_weighs_what_the_table_says(row):
    weight = weight_of(row)

    density = {"1400": weight.low, "1500": weight.usual, "1700": weight.high, "": weight.usual}
    assert density[row["density_kg_m3"]] == pytest.approx(float(row["mass_kg"]), abs=0.002)


def test_a_sheet_without_a_size_is_refused():
    with pytest.raises(ValueError, match="has a size"):
        sheet_weight(width_nm=0, height_nm=1, thickness_nm=1)


# Two people over 1.2 m and for backed panels, a lifting aid over 40 kg: common practice, no source.
@pytest.mark.parametrize(
    ("feet", "millimetres", "is_backed", "people"),
    [
        pytest.param((4, 8), 2.3, False, "two people, it bends and catches the wind", id="a-sheet"),
        pytest.param((3, 3), 2.3, False, "one person in good footing", id="a-small-one"),
        pytest.param((4, 8), 13.5, True, "two people", id="a-backed-panel"),
        pytest.param((4, 12), 13.5, True, "a lifting aid, hands are not enough", id="a-long-backed-panel"),
    ],
)
def test_the_caution_says_how_many_people_a_sheet_takes(feet, millimetres, is_backed, people):
    width, height = (side * FOOT_NM for side in feet)
    weight = sheet_weight(
        width_nm=width, height_nm=height, thickness_nm=round(millimetres * 1e6), is_backed=is_backed
    )

    said = lifting_words(weight, width_nm=width, height_nm=height, is_backed=is_backed, sheets=80)

    assert said.values["people"].text == people


# Source: trade facts, 4 × 8 ft × 2.3 mm is 10.3 kg (9.6 to 11.6), 80 of them 821 kg and 25 to 40 kg of wood.
def test_a_skid_of_eighty_weighs_most_of_a_tonne():
    width, height = 4 * FOOT_NM, 8 * FOOT_NM
    weight = sheet_weight(width_nm=width, height_nm=height, thickness_nm=2_300_000)

    said = lifting_words(weight, width_nm=width, height_nm=height, is_backed=False, sheets=80)

    assert (said.values["sheet"], said.values["low"], said.values["high"]) == (10.3, 9.6, 11.6)
    assert 821 + 25 <= said.values["stack"] <= 821 + 40
