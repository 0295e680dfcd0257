"""The kinds of case that this app's cores answer, as `work_case` reads and prints them."""

from __future__ import annotations

from jobs.core.case_fields import Fields
from jobs.core.conditions import dew_point, sweats


def work_dew(case: Fields) -> dict[str, object]:
    """Return the dew point, how far the surface is above it, and whether that is too little."""
    t_c = case.number("t_c", -20, 60)
    rh_pct = case.number("rh_pct", above=0, most=100)
    surface_c = case.number("surface_c", -40, 80)
    clearance_k = case.optional("clearance_k", 0.0, case.number, 0, 10)
    case.end()

    dew_c = dew_point(t_c, rh_pct)
    return {
        "dew_c": round(dew_c, 6),
        "margin_k": round(surface_c - dew_c, 6),
        "sweats": sweats(surface_c, dew_c, clearance_k=clearance_k),
    }
