"""The cases of kind `warmup` as outsiders write them: fields in, the core's answer out."""

from __future__ import annotations

from itertools import pairwise

from jobs.core.case_fields import Fields
from materials.core.air import SECOND
from materials.core.warmup import Arrangement, Knot, Material, WarmUp, core_temperatures, hours

_COLDEST_C, _HOTTEST_C = -40, 80
_MOST_ASKED = 20


def work_warmup(case: Fields) -> dict[str, object]:
    """Answer a case of kind `warmup`."""
    arrangement = Arrangement(case.choice("arrangement", *Arrangement))
    warm_up = WarmUp(
        sheets=case.integer("sheets", 1, 500),
        thickness_m=case.number("thickness_mm", above=0, most=100) / 1000,
        arrangement=arrangement,
        start_c=case.number("start_c", _COLDEST_C, _HOTTEST_C),
        room=_room(case),
        tolerance_k=case.number("tolerance_k", above=0, most=20),
        insulated_side=case.optional("insulated_side", False, case.boolean),
        wrapped=case.optional("wrapped", False, case.boolean),
        material=case.optional("material", Material(), case.part, _material),
        contact_r=case.optional("contact_r", 0.0, case.number, 0, 0.1),
        h=case.optional("h", 7.7, case.number, 0.5, 100),
        wrap_r=case.optional("wrap_r", 0.06, case.number, 0, 1),
    )
    limit_h = case.optional("limit_h", 1000.0, case.number, most=5000, above=0)
    ask_s = case.optional("ask_s", (), case.each, lambda items, item: items.seconds(item) // SECOND)
    case.end()
    if warm_up.insulated_side and arrangement is Arrangement.APART:
        raise case.refusal("insulated_side", "a sheet that stands apart has two free faces")
    if len(ask_s) > _MOST_ASKED:
        raise case.refusal("ask_s", f"asks for more than {_MOST_ASKED} moments")
    return {
        "hours": hours(warm_up, limit_h=limit_h),
        "core_c": [round(t_c, 6) for t_c in core_temperatures(warm_up, ask_s)],
    }


def _room(case: Fields) -> tuple[Knot, ...]:
    if not case.is_list("room"):
        return (Knot(0, case.number("room", _COLDEST_C, _HOTTEST_C)),)
    room = case.parts("room", _knot)
    if not room:
        raise case.refusal("room", "must have a temperature at 0 s")
    if room[0].at_s != 0:
        raise case.refusal("room[0].at_s", "must be 0")
    for i, (before, knot) in enumerate(pairwise(room)):
        if knot.at_s <= before.at_s:
            raise case.refusal(f"room[{i + 1}].at_s", "is not after the one before")
    return room


def _knot(knot: Fields) -> Knot:
    return Knot(knot.seconds("at_s") // SECOND, knot.number("t_c", _COLDEST_C, _HOTTEST_C))


def _material(material: Fields) -> Material:
    return Material(
        k=material.optional("k", Material().k, material.number, 0.01, 400),
        rho=material.optional("rho", Material().rho, material.number, 10, 20_000),
        c=material.optional("c", Material().c, material.number, 100, 5000),
    )
