"""The cases of materials as outsiders write them: fields in, the core's answer out."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from jobs.core.case_fields import Fields, written
from jobs.core.conditions import Band
from materials.core.rest import (
    Kind,
    Memory,
    Presence,
    Proof,
    Reading,
    Rest,
    RestartOn,
    RestRule,
    Statement,
    Stretch,
    WrongFact,
    rest_of,
)

_YEAR_S = 31_536_000
_WEEK_S = 604_800
# The contract limits ids and zones; who signed a statement it leaves open.
_LONGEST_NAME = 10_000


def work_rest(case: Fields) -> dict[str, object]:
    """Answer a case of kind `rest`."""
    now = case.instant("now")
    rule = case.part("rule", _rule)
    presence = case.parts("presence", _presence)
    opened_at = case.nullable("opened_at", case.instant)
    sheets_set_at = case.nullable("sheets_set_at", case.instant)
    readings = case.parts("readings", _reading)
    memories = case.optional("memories", (), case.parts, _memory)
    statements = case.optional("statements", (), case.parts, _statement)
    case.end()
    try:
        rest = rest_of(
            presence=presence,
            opened_at=opened_at,
            sheets_set_at=sheets_set_at,
            readings=readings,
            memories=memories,
            statements=statements,
            rule=rule,
            now=now,
        )
    except WrongFact as wrong:
        raise case.refusal(wrong.at, wrong.why) from wrong
    return _rest_out(rest, now=now)


def _rule(rule: Fields) -> RestRule:
    return RestRule(
        required=rule.seconds("required_s", 1, _YEAR_S),
        max_gap=rule.seconds("max_gap_s", 1, _WEEK_S),
        restart_after=rule.seconds("restart_after_s", 0, _YEAR_S),
        band=rule.part("band", _band),
        fine_gap=rule.optional("fine_gap_s", timedelta(hours=1), rule.seconds, 1, _WEEK_S),
        restart_on=RestartOn(rule.optional("restart_on", RestartOn.ANY, rule.choice, *RestartOn)),
        proof=Proof(rule.optional("proof", Proof.READINGS, rule.choice, *Proof)),
        needs_opening=rule.optional("needs_opening", False, rule.boolean),
    )


def _band(band: Fields) -> Band:
    t_min, t_max = band.number("t_min"), band.number("t_max")
    rh_min, rh_max = band.number("rh_min"), band.number("rh_max")
    if t_min > t_max:
        raise band.refusal("t_max", "is below t_min")
    if rh_min > rh_max:
        raise band.refusal("rh_max", "is below rh_min")
    return Band(t_min, t_max, rh_min, rh_max)


def _presence(presence: Fields) -> Presence:
    return Presence(
        zone=presence.text("zone"),
        in_at=presence.instant("in_at"),
        out_at=presence.nullable("out_at", presence.instant),
    )


def _reading(reading: Fields) -> Reading:
    return Reading(
        id=reading.text("id"),
        zone=reading.text("zone"),
        at=reading.instant("at"),
        t_c=reading.number("t_c", -60, 80),
        rh_pct=reading.number("rh_pct", 0, 100),
        corrects=reading.nullable("corrects", reading.text),
    )


def _memory(memory: Fields) -> Memory:
    return Memory(
        id=memory.text("id"),
        zone=memory.text("zone"),
        from_at=memory.instant("from"),
        to_at=memory.instant("to"),
        t_min=memory.number("t_min", -60, 80),
        t_max=memory.number("t_max", -60, 80),
        rh_min=memory.number("rh_min", 0, 100),
        rh_max=memory.number("rh_max", 0, 100),
    )


def _statement(statement: Fields) -> Statement:
    return Statement(
        id=statement.text("id"),
        zone=statement.text("zone"),
        from_at=statement.instant("from"),
        to_at=statement.instant("to"),
        by=statement.text("by", _LONGEST_NAME),
    )


def _rest_out(rest: Rest, *, now: datetime) -> dict[str, object]:
    return {
        "proven_s": _seconds(rest.proven),
        "bridged_s": _seconds(rest.bridged),
        "stated_s": _seconds(rest.stated),
        "proven_at": written(rest.proven_at),
        "provisional_s": _seconds(rest.provisional),
        "state": str(rest.state),
        "forecast_at": written(rest.forecast.instant(now=now) if rest.forecast else None),
        "strip": _strip_out(rest.strip),
        "ignored": {
            "after_now": list(rest.ignored.after_now),
            "superseded": list(rest.ignored.superseded),
            "contradicted": list(rest.ignored.contradicted),
        },
        "good_until": written(rest.good_until),
        "read_again_by": written(rest.read_again_by),
    }


def _strip_out(strip: Iterable[Stretch]) -> list[dict[str, object]]:
    """Return the strip in the kinds of the contract: bridged time is counted time."""
    out: list[dict[str, object]] = []
    for stretch in strip:
        kind = Kind.COUNTED if stretch.kind is Kind.BRIDGED else stretch.kind
        if out and out[-1]["kind"] == str(kind) and not stretch.restart:
            out[-1]["to"] = written(stretch.to_at)
            continue
        out.append(
            {
                "from": written(stretch.from_at),
                "to": written(stretch.to_at),
                "kind": str(kind),
                "restart": stretch.restart,
            }
        )
    return out


def _seconds(duration: timedelta) -> int:
    return duration // timedelta(seconds=1)
