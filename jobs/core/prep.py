"""Which checks each substrate and fixing needs before a wall may be panelled, and whether a value passes.

The limits are where to start from: the maker's sheet, the firm and local rules override them.  `source` is
not printed as a quotation: a number "from memory" is first confirmed in the standard it names.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from types import MappingProxyType

from jobs.core.words import Say, say


class Substrate(StrEnum):
    """What the panels come onto."""

    GYPSUM_BOARD = "gypsum_board"
    GYPSUM_PLASTER = "gypsum_plaster"
    CEMENT_PLASTER = "cement_plaster"
    CONCRETE = "concrete"
    MASONRY = "masonry"
    PAINT = "existing_paint"
    TILE = "existing_tile"
    PLYWOOD = "plywood"
    TIMBER_STUDS = "timber_studs"
    STEEL_STUDS = "steel_studs"

    @property
    def name_said(self) -> Say:
        """The name as a sentence part, to be translated."""
        return _SUBSTRATES[self]

    @property
    def label(self) -> str:
        """The name, untranslated."""
        return self.name_said.text


class Fixing(StrEnum):
    """How the panels are fixed."""

    GLUED = "glued"
    BACKED = "backed"

    @property
    def name_said(self) -> Say:
        """The name as a sentence part, to be translated."""
        return _FIXINGS[self]

    @property
    def label(self) -> str:
        """The name, untranslated."""
        return self.name_said.text


_SUBSTRATES: Mapping[Substrate, Say] = MappingProxyType(
    {
        Substrate.GYPSUM_BOARD: say("gypsum board"),
        Substrate.GYPSUM_PLASTER: say("gypsum plaster"),
        Substrate.CEMENT_PLASTER: say("cement or lime plaster"),
        Substrate.CONCRETE: say("concrete"),
        Substrate.MASONRY: say("masonry"),
        Substrate.PAINT: say("existing paint"),
        Substrate.TILE: say("existing tile"),
        Substrate.PLYWOOD: say("plywood"),
        Substrate.TIMBER_STUDS: say("timber studs"),
        Substrate.STEEL_STUDS: say("steel studs"),
    }
)
_FIXINGS: Mapping[Fixing, Say] = MappingProxyType(
    {
        Fixing.GLUED: say("sheets, glued over the wall"),
        Fixing.BACKED: say("backed panels, fastened to studs"),
    }
)

#: A face that takes up no water.  A film of paint is counted among them, to be on the safe side.
_NON_POROUS = frozenset({Substrate.PAINT, Substrate.TILE, Substrate.STEEL_STUDS})


def is_porous(substrate: Substrate) -> bool:
    """Return whether the face takes up water, so that a water-borne adhesive can dry against it."""
    return substrate not in _NON_POROUS


def adhesive_fits(*, water_borne: bool, wall_is_porous: bool, sheet_is_porous: bool) -> bool:
    """Return whether the adhesive can dry: a water-borne one cannot between two non-porous faces."""
    return not water_borne or wall_is_porous or sheet_is_porous


class Bound(StrEnum):
    """Which way a limit binds."""

    AT_MOST = "at_most"
    BELOW = "below"
    AT_LEAST = "at_least"


@dataclass(frozen=True, slots=True)
class Limit:
    """A number that a measured value is held against, in the check's unit."""

    bound: Bound
    value: Decimal

    def admits(self, value: Decimal) -> bool:
        """Return whether a measured value is inside."""
        match self.bound:
            case Bound.AT_MOST:
                return value <= self.value
            case Bound.BELOW:
                return value < self.value
            case Bound.AT_LEAST:
                return value >= self.value


@dataclass(frozen=True, slots=True)
class Check:
    """One thing to be found right about a substrate, and how."""

    code: str
    name: Say
    #: What to do, in one or two sentences.
    act: Say
    #: What passes, in words.
    passes_when: Say
    #: Where the check and its limit come from.
    source: str
    #: The unit of a measured value; empty where the check is a look.
    unit: str = ""
    #: None: the check is a look, or the maker's sheet gives the limit.
    limit: Limit | None = None
    #: A check of dryness: a wetting after it undoes it, and undoes no other.
    voided_by_wetting: bool = False
    #: Shown each time, never acknowledged away; None where there is none.
    caution: Say | None = None


def checks_for(substrate: Substrate, fixing: Fixing) -> tuple[Check, ...]:
    """Return the checks that a wall of this substrate needs, in the order of the work."""
    codes = _GLUED if fixing is Fixing.GLUED else _BACKED
    return tuple(_CHECKS[code] for code in codes[substrate].split())


def check_named(code: str) -> Check:
    """Return the check of this code.

    Raises:
        ValueError: no check has it.
    """
    if code not in _CHECKS:
        raise ValueError(f"no prep check is called {code!r}")
    return _CHECKS[code]


def passes(check: Check, value: Decimal) -> bool:
    """Return whether a measured value passes, in the check's own unit.

    Raises:
        ValueError: the check has no number to hold it against; a person decides.
    """
    if check.limit is None:
        raise ValueError(f"{check.code} has no number to pass by")
    return check.limit.admits(value)


def _at_most(value: str) -> Limit:
    return Limit(Bound.AT_MOST, Decimal(value))


def _below(value: str) -> Limit:
    return Limit(Bound.BELOW, Decimal(value))


def _at_least(value: str) -> Limit:
    return Limit(Bound.AT_LEAST, Decimal(value))


_PRACTICE = "common practice, no source"
_OLD_WALL = say("Do not sand, drill or cut an old wall before a licensed person has surveyed it.")
_SILICA = say("Drill masonry with a shroud and vacuum, or wet, and wear the mask that the rule asks for.")
_LIVE = say("Wires may run here. A licensed person makes them dead and proves it before anything is cut.")
_TRAPPED = say("A glued sheet is a vapour barrier: a damp wall behind it stays damp.")

_ALL = (
    # ---- before anything is touched ----
    Check(
        "survey",
        say("Old wall surveyed"),
        say("Have lead and asbestos ruled out by a licensed person, in writing, before the wall is worked."),
        say("the survey says the wall may be worked"),
        "40 CFR 745; 29 CFR 1926.1101; UK Control of Asbestos Regulations 2012, reg. 5: from memory",
        caution=_OLD_WALL,
    ),
    Check(
        "lined",
        say("Studs lined"),
        say("Sheets are glued over a closed wall. Have the studs lined and enter the lining as substrate."),
        say("the lining is on and entered as this room's substrate"),
        _PRACTICE,
    ),
    # ---- sound and shaped ----
    Check(
        "joints_filled",
        say("Joints and fasteners filled"),
        say("Look along every joint: taped and filled flush, fasteners set and filled, no loose paper."),
        say("flush and tight all over, about finish level 2 to 3"),
        "GA-214 levels 0 to 5, from memory; which level: common practice, no source",
    ),
    Check(
        "joints_struck",
        say("Joints struck flush"),
        say("Pass a hand over the wall: joints struck flush, or the wall rendered."),
        say("no open or raked joint"),
        _PRACTICE,
        caution=_SILICA,
    ),
    Check(
        "no_salts",
        say("No salts"),
        say("Look for white bloom. Brush it off dry, wait for the wall to dry, and look again."),
        say("no bloom, and none comes back"),
        _PRACTICE,
    ),
    Check(
        "paint_keyed",
        say("Paint keyed"),
        say("Take loose paint off, sand gloss dull and wash the wall."),
        say("no loose paint, no gloss, no chalk on the hand"),
        _PRACTICE,
        caution=_OLD_WALL,
    ),
    Check(
        "tile_keyed",
        say("Tile keyed"),
        say("Degrease and abrade the tiles, fill their joints flush, and take loose tiles off."),
        say("every tile firm, dull and flush with its joints"),
        _PRACTICE,
        caution=_OLD_WALL,
    ),
    Check(
        "both_faces_closed",
        say("Adhesive allowed between two closed faces"),
        say("Neither wall nor sheet takes up water. Read the adhesive's sheet: it must allow that."),
        say("the adhesive's sheet allows two non-porous faces; a water-borne one does not dry there"),
        _PRACTICE,
    ),
    Check(
        "sound",
        say("Sound"),
        say("Knock over the wall, rub it, and pull tape off it. In doubt, do a pull test of the adhesive."),
        say("nothing hollow, dusting or flaking; the tape brings nothing off"),
        "ASTM D3359 as method, from memory; rest common practice, no source",
    ),
    # ---- cured and dry ----
    Check(
        "plaster_cured",
        say("Plaster cured"),
        say("Count the days since the last coat of cement or lime plaster."),
        say("at least 28 days"),
        _PRACTICE,
        unit="d",
        limit=_at_least("28"),
    ),
    Check(
        "gypsum_dry",
        say("Gypsum board dry"),
        say("Look for damp, then measure with a pin meter on its gypsum scale, low down and at openings."),
        say("no visible damp; 1 % by mass or less"),
        _PRACTICE,
        unit="%",
        limit=_at_most("1"),
        voided_by_wetting=True,
    ),
    Check(
        "plaster_dry",
        say("Plaster dry"),
        say(
            "Measure with a meter at several heights. Fresh plaster dries about 1 mm of its thickness a day."
        ),
        say("the meter reads dry everywhere"),
        _PRACTICE,
        voided_by_wetting=True,
    ),
    Check(
        "plastic_sheet",
        say("No moisture under plastic"),
        say(
            "Tape a plastic sheet of 460 mm (18 in) square tight on the concrete for 16 hours, then lift it."
        ),
        say("no drop under it and no darker concrete"),
        "ASTM D4263, from memory; written for slabs, used here as a method",
        voided_by_wetting=True,
    ),
    Check(
        "concrete_humidity",
        say("Concrete dry inside"),
        say(
            "Drill to 40 % of the depth if it dries from one side, 20 % if from two; read the probe after the"
            " wait its sheet asks for. 3 holes for the first 100 m² (1000 sq ft), 1 for each further 100 m²."
        ),
        say("75 % or less, unless the adhesive's sheet says otherwise"),
        "ASTM F2170 (2009), opened in an instrument manual, written for slabs; 75 %: BS 8203 practice, opened"
        " in a supplier's note",
        unit="% RH",
        limit=_at_most("75"),
        voided_by_wetting=True,
        caution=_SILICA,
    ),
    Check(
        "masonry_dry",
        say("Masonry dry"),
        say("Look and feel, low on the wall and under openings. A wall wet by rain needs one to four weeks."),
        say("dry to eye and hand"),
        _PRACTICE,
        voided_by_wetting=True,
    ),
    Check(
        "wood_moisture",
        say("Wood dry"),
        say("Measure with a pin meter, several pieces. Best within 3 points of what the room will give."),
        say("19 % or less"),
        "19 %: dry lumber in PS 20, from memory; rest common practice, no source",
        unit="%",
        limit=_at_most("19"),
        voided_by_wetting=True,
    ),
    Check(
        "no_damp",
        say("No damp"),
        say("Look and feel, low on the wall and round pipes: nothing that wets the panels from behind."),
        say("dry to eye and hand"),
        _PRACTICE,
        voided_by_wetting=True,
        caution=say("Damp or mould is a fault of the building: do not cover it, report it."),
    ),
    Check(
        "compound_dry",
        say("Compound and primer dry"),
        say(
            "Levelling compound, filler and primer: note when they went on and dry them by the maker's sheet."
        ),
        say("the time on the maker's sheet is over and nothing is soft or dark; none used passes too"),
        "maker's sheet decides",
        voided_by_wetting=True,
    ),
    # ---- straight and true ----
    Check(
        "stud_spacing",
        say("Studs on spacing"),
        say("Measure each bay, middle to middle: 16 in (406.4 mm) or 400 mm, never mixed; joints on studs."),
        say("within 3 mm (1/8 in)"),
        "common practice; alignment of 1/8 in in ASTM C754 and C840, from memory",
        unit="mm",
        limit=_at_most("3"),
    ),
    Check(
        "steel_thickness",
        say("Steel thick enough"),
        say("Measure the stud's sheet. Where heavy things will hang, see that a backing plate is in."),
        say("0.8 mm or more"),
        _PRACTICE,
        unit="mm",
        limit=_at_least("0.8"),
        caution=_LIVE,
    ),
    Check(
        "fixing_ground",
        say("Something to fasten to"),
        say("Find the studs or battens behind the wall and mark their middles at floor and ceiling."),
        say("every joint of the panels falls on a mark"),
        _PRACTICE,
        caution=_LIVE,
    ),
    Check(
        "studs_straight",
        say("Straight"),
        say("Hold a straightedge of 2.4 m (8 ft) upright on each stud and across them; note the worst gap."),
        say("3 mm (1/8 in) or less"),
        _PRACTICE,
        unit="mm",
        limit=_at_most("3"),
    ),
    Check(
        "plumb",
        say("Plumb"),
        say("Hold a level of 2.4 m (8 ft) upright; note the worst lean."),
        say("3 mm (1/8 in) or less in 2.4 m (8 ft)"),
        _PRACTICE,
        unit="mm",
        limit=_at_most("3"),
    ),
    Check(
        "flat",
        say("Flat"),
        say("Hold a straightedge of 2.4 m (8 ft) on the wall every way; note the widest gap under it."),
        say("below 3 mm (1/8 in), and no step over 1.5 mm (1/16 in)"),
        _PRACTICE,
        unit="mm",
        limit=_below("3"),
    ),
    # ---- last ----
    Check(
        "clean",
        say("Clean"),
        say("Wipe with a white cloth: dust, grease and release agent off, and rinsed."),
        say("the cloth stays clean"),
        _PRACTICE,
    ),
    Check(
        "vapour_asked",
        say("No wall that needs a designer"),
        say("Outside, below ground, cold store or shower? Ask a designer where the vapour goes."),
        say("it is none of these, or a designer has answered"),
        "perm classes I to III: model residential code, from memory",
        caution=_TRAPPED,
    ),
    Check(
        "warm_for_glue",
        say("Board warm for adhesive"),
        say("Keep the room warm for 48 hours before gluing and until the adhesive is dry; note the lowest."),
        say("10 °C (50 °F) or more"),
        "ASTM C840 §4.1 (2008), the exception for adhesive opened; 10 °C, 48 h: also GA-216, from memory",
        unit="°C",
        limit=_at_least("10"),
    ),
    Check(
        "warm_for_screws",
        say("Board warm for fastening"),
        say("Measure the room before the first panel."),
        say("4 °C (40 °F) or more"),
        "ASTM C840 §4.1 (2008): 40 °F, opened",
        unit="°C",
        limit=_at_least("4"),
    ),
)
_CHECKS: Mapping[str, Check] = MappingProxyType({check.code: check for check in _ALL})

#: For glued sheets: dry, clean, sound, flat.
_GLUED: Mapping[Substrate, str] = MappingProxyType(
    {
        Substrate.GYPSUM_BOARD: "joints_filled gypsum_dry compound_dry flat clean vapour_asked warm_for_glue",
        Substrate.GYPSUM_PLASTER: "sound plaster_dry compound_dry flat clean vapour_asked",
        Substrate.CEMENT_PLASTER: "sound plaster_cured plaster_dry compound_dry flat clean vapour_asked",
        Substrate.CONCRETE: "sound plastic_sheet concrete_humidity compound_dry flat clean vapour_asked",
        Substrate.MASONRY: "joints_struck no_salts sound masonry_dry compound_dry flat clean vapour_asked",
        Substrate.PAINT: "survey paint_keyed both_faces_closed sound no_damp compound_dry flat clean"
        " vapour_asked",
        Substrate.TILE: "survey tile_keyed both_faces_closed sound no_damp compound_dry flat clean"
        " vapour_asked",
        Substrate.PLYWOOD: "sound wood_moisture compound_dry flat clean vapour_asked",
        Substrate.TIMBER_STUDS: "lined",
        Substrate.STEEL_STUDS: "lined",
    }
)
#: For backed panels: dry behind, and straight, plumb and on spacing.
_BACKED: Mapping[Substrate, str] = MappingProxyType(
    {
        Substrate.GYPSUM_BOARD: "gypsum_dry fixing_ground studs_straight plumb vapour_asked warm_for_screws",
        Substrate.GYPSUM_PLASTER: "plaster_dry fixing_ground studs_straight plumb vapour_asked",
        Substrate.CEMENT_PLASTER: "plaster_cured plaster_dry fixing_ground studs_straight plumb vapour_asked",
        Substrate.CONCRETE: "plastic_sheet fixing_ground studs_straight plumb vapour_asked",
        Substrate.MASONRY: "no_salts masonry_dry fixing_ground studs_straight plumb vapour_asked",
        Substrate.PAINT: "survey no_damp fixing_ground studs_straight plumb vapour_asked",
        Substrate.TILE: "survey no_damp fixing_ground studs_straight plumb vapour_asked",
        Substrate.PLYWOOD: "wood_moisture fixing_ground studs_straight plumb vapour_asked",
        Substrate.TIMBER_STUDS: "wood_moisture stud_spacing studs_straight plumb vapour_asked",
        Substrate.STEEL_STUDS: "no_damp stud_spacing steel_thickness studs_straight plumb vapour_asked",
    }
)
