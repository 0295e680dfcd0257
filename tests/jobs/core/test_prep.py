from __future__ import annotations

from decimal import Decimal

import pytest

from jobs.core.prep import Fixing, Substrate, adhesive_fits, check_named, checks_for, is_porous, passes

WALLS = [(substrate, fixing) for substrate in Substrate for fixing in Fixing]
STUDS = {Substrate.TIMBER_STUDS, Substrate.STEEL_STUDS}
GLUED, BACKED = Fixing.GLUED, Fixing.BACKED
CHECKS = {check.code: check for wall in WALLS for check in checks_for(*wall)}


def codes(substrate, fixing):
    return [check.code for check in checks_for(substrate, fixing)]


@pytest.mark.parametrize(
    ("substrate", "fixing", "needed"),
    [
        # Trade facts, section 5, by the line named.
        pytest.param(Substrate.GYPSUM_BOARD, GLUED, {"warm_for_glue", "gypsum_dry"}, id="5.1"),
        pytest.param(Substrate.GYPSUM_BOARD, BACKED, {"warm_for_screws", "gypsum_dry"}, id="5.2"),
        pytest.param(Substrate.CEMENT_PLASTER, GLUED, {"plaster_cured", "plaster_dry"}, id="5.4-cement"),
        pytest.param(Substrate.CONCRETE, GLUED, {"concrete_humidity", "plastic_sheet"}, id="5.5-5.6"),
        pytest.param(Substrate.MASONRY, GLUED, {"joints_struck", "masonry_dry", "no_salts"}, id="5.9"),
        pytest.param(Substrate.PLYWOOD, GLUED, {"wood_moisture"}, id="5.10-plywood"),
        pytest.param(Substrate.TIMBER_STUDS, BACKED, {"wood_moisture"}, id="5.10-studs"),
        pytest.param(Substrate.PAINT, GLUED, {"survey", "paint_keyed", "both_faces_closed"}, id="5.13"),
        pytest.param(Substrate.TILE, GLUED, {"tile_keyed", "both_faces_closed"}, id="5.14"),
        pytest.param(Substrate.TIMBER_STUDS, BACKED, {"stud_spacing", "studs_straight", "plumb"}, id="5.15"),
        pytest.param(Substrate.STEEL_STUDS, BACKED, {"steel_thickness", "stud_spacing"}, id="5.18"),
    ],
)  # fmt: skip
def test_a_wall_needs_the_checks_of_its_substrate_and_fixing(substrate, fixing, needed):
    assert needed <= set(codes(substrate, fixing))


@pytest.mark.parametrize("substrate", sorted(set(Substrate) - STUDS))
def test_every_wall_under_glue_is_flat_clean_and_asked_about_vapour(substrate):
    # Trade facts 5.11, 5.19 and 5.20.
    assert {"flat", "clean", "vapour_asked", "compound_dry"} <= set(codes(substrate, Fixing.GLUED))


@pytest.mark.parametrize("substrate", sorted(STUDS))
def test_sheets_are_not_glued_to_studs(substrate):
    assert codes(substrate, Fixing.GLUED) == ["lined"]


def test_gypsum_plaster_need_not_cure_28_days():
    assert "plaster_cured" not in codes(Substrate.GYPSUM_PLASTER, Fixing.GLUED)


@pytest.mark.parametrize(("substrate", "fixing"), WALLS)
def test_no_check_is_asked_twice(substrate, fixing):
    assert len(set(codes(substrate, fixing))) == len(codes(substrate, fixing))


@pytest.mark.parametrize(
    ("substrate", "fixing"), [wall for wall in WALLS if wall[0] not in STUDS or wall[1] == "backed"]
)
def test_every_wall_has_a_check_that_a_wetting_undoes(substrate, fixing):
    assert any(check.voided_by_wetting for check in checks_for(substrate, fixing))


def test_a_wetting_undoes_dryness_and_nothing_else():
    # Trade facts, section 5, hold logic.
    assert {code for code, check in CHECKS.items() if check.voided_by_wetting} == {
        "gypsum_dry",
        "plaster_dry",
        "plastic_sheet",
        "concrete_humidity",
        "masonry_dry",
        "wood_moisture",
        "no_damp",
        "compound_dry",
    }


def test_every_check_says_what_to_do_when_it_passes_and_where_it_is_from():
    for check in CHECKS.values():
        assert all(said.text for said in (check.name, check.act, check.passes_when))
        assert check.source
        assert check_named(check.code) is check
        assert (check.limit is None) == (check.unit == "")


@pytest.mark.parametrize(
    ("code", "value", "good"),
    [
        # The limit itself and one step past it; the lines of trade facts, section 5, beside them.
        pytest.param("warm_for_screws", "4", True, id="5.1-at-least-4"),
        pytest.param("warm_for_screws", "3.9", False, id="5.1-below-4"),
        pytest.param("warm_for_glue", "10", True, id="5.1-at-least-10"),
        pytest.param("warm_for_glue", "9.9", False, id="5.1-below-10"),
        pytest.param("gypsum_dry", "1.0", True, id="5.2-at-1"),
        pytest.param("gypsum_dry", "1.1", False, id="5.2-above-1"),
        pytest.param("plaster_cured", "28", True, id="5.4-28-days"),
        pytest.param("plaster_cured", "27", False, id="5.4-27-days"),
        pytest.param("concrete_humidity", "75", True, id="5.5-at-75"),
        pytest.param("concrete_humidity", "75.1", False, id="5.5-above-75"),
        pytest.param("wood_moisture", "19", True, id="5.10-at-19"),
        pytest.param("wood_moisture", "19.1", False, id="5.10-above-19"),
        pytest.param("flat", "2.9", True, id="5.11-below-3"),
        pytest.param("flat", "3", False, id="5.11-3-is-not-below-3"),
        pytest.param("stud_spacing", "3", True, id="5.15-within-3"),
        pytest.param("stud_spacing", "3.1", False, id="5.15-past-3"),
        pytest.param("studs_straight", "3", True, id="5.16-3"),
        pytest.param("plumb", "3.1", False, id="5.17-past-3"),
        pytest.param("steel_thickness", "0.8", True, id="5.18-0.8"),
        pytest.param("steel_thickness", "0.79", False, id="5.18-thinner"),
    ],
)
def test_a_measured_value_is_held_against_the_limit(code, value, good):
    assert passes(check_named(code), Decimal(value)) is good


def test_a_look_has_no_number_to_pass_by():
    with pytest.raises(ValueError, match="no number"):
        passes(check_named("clean"), Decimal(1))


def test_an_unknown_check_is_an_error():
    with pytest.raises(ValueError, match="damp_course"):
        check_named("damp_course")


@pytest.mark.parametrize(
    ("water_borne", "wall", "sheet", "fits"),
    [
        pytest.param(True, False, False, False, id="water-does-not-leave-between-two-closed-faces"),
        pytest.param(True, True, False, True, id="the-wall-takes-the-water"),
        pytest.param(True, False, True, True, id="the-backing-takes-the-water"),
        pytest.param(False, False, False, True, id="no-water-to-lose"),
    ],
)
def test_a_water_borne_adhesive_needs_a_face_that_takes_up_water(water_borne, wall, sheet, fits):
    # Trade facts 5.14.
    assert adhesive_fits(water_borne=water_borne, wall_is_porous=wall, sheet_is_porous=sheet) is fits


@pytest.mark.parametrize(
    ("substrate", "porous"),
    [
        (Substrate.GYPSUM_BOARD, True),
        (Substrate.MASONRY, True),
        (Substrate.PLYWOOD, True),
        (Substrate.TILE, False),
        (Substrate.PAINT, False),
        (Substrate.STEEL_STUDS, False),
    ],
)
def test_tile_paint_and_steel_take_up_no_water(substrate, porous):
    # Tile: trade facts 5.14.  Paint and steel: common practice, no source.
    assert is_porous(substrate) is porous


def test_every_substrate_and_fixing_has_a_name():
    assert Substrate.TILE.label == "existing tile"
    assert all(word.label for word in (*Substrate, *Fixing))
