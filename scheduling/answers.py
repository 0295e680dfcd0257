"""A room's answer to and from JSON: the stored state keeps words untranslated and what slides as a duration."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from jobs.core.forecast import Forecast
from jobs.core.words import Say
from jobs.says import from_json, to_json
from materials.core.rest import Ignored, Kind, Rest, RestartOn, RestState, Stretch
from materials.core.stock import Stay
from scheduling.core.backward import OpenAct
from scheduling.core.holds import Act, Hold, HoldState, NextAct, RoomAnswer, Who
from scheduling.core.room_facts import HoldKind
from scheduling.gather import Rested
from scheduling.warmth import StoredStack, stack_from_json, stack_to_json


@dataclass(frozen=True, slots=True)
class Loss:
    """That a promised room was fit to send and no longer is: since when, and by which holds."""

    at: datetime
    holds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class StoredRest:
    """A placement and its rest as the state of its room keeps them."""

    placement: str
    product: int
    product_name: str
    batch: str
    sheets: int
    #: Sheets that were set or moved on beyond what there was.
    missing: int
    inspected: int
    rejected: int
    mark_seen: bool
    in_at: datetime
    #: None: still wrapped.
    opened_at: datetime | None
    zones: tuple[int, ...]
    #: The same with their times: where its air is to be looked up, and when.
    stays: tuple[Stay, ...]
    rest: Rest
    #: Why each stretch of the stored strip counts or not.
    whys: tuple[Say, ...]
    #: None: no band is inside both the zone's and the product's, so no time can count.
    band: tuple[float, float, float, float] | None
    max_gap: timedelta
    restart_after: timedelta
    restart_on: RestartOn
    #: Whether its rest is held because the middle of its stack may be cold.
    cold: bool = False
    #: How long that would take laid out in flat lots; None: it lies so, nobody knows, or nothing waits for it.
    laid_out_in: timedelta | None = None
    #: How it lies, one of `LaidOut.Lies`, and of lots the sheets in each; None: in one stack on its skid.
    lying: tuple[str, int | None] | None = None
    #: When its wrap may come off and its middle is warm, as far as anything waits; None: nobody measured it.
    stack: StoredStack | None = None

    @property
    def wrapped(self) -> bool:
        """Whether it is still wrapped."""
        return self.opened_at is None


@dataclass(frozen=True, slots=True)
class FirstAct:
    """What can be done next in a room: the act of the first hold that stands and has one."""

    act: Act
    says: Say
    #: The last moment that keeps the day given out; None: no day, or none can be told.
    by: datetime | None


@dataclass(frozen=True, slots=True)
class ListedAct:
    """An open act of a list of rooms, its sentence left as it is stored until it is shown."""

    stored: dict[str, Any]
    who: Who
    hold: HoldKind
    latest_at: datetime
    keeps: datetime
    #: What its hold asks next, and so where it is recorded; None: nothing that a page of ours records.
    next_act: Act | None

    @property
    def says(self) -> Say:
        """The act in words."""
        said: Say = from_json(self.stored["says"])
        return said


def answer_to_json(answer: RoomAnswer, loss: Loss | None) -> dict[str, Any]:
    """Return what a room's state stores of its holds and of a day lost: what the page of that room shows."""
    return {
        "holds": [_hold_to_json(hold) for hold in answer.holds],
        "loss": {"at": loss.at.isoformat(), "holds": list(loss.holds)} if loss else None,
    }


def brief_to_json(
    answer: RoomAnswer, acts: tuple[OpenAct, ...], *, on_site_by: datetime | None, no_acts: Say | None
) -> dict[str, Any]:
    """Return what lists of rooms show of a room: how each hold stands, the acts that keep its day."""
    then = {hold.kind: hold.act.act for hold in answer.holds if hold.act}
    return {
        "states": {hold.kind.value: _state_in_lists(hold) for hold in answer.holds},
        "first": _first_to_json(answer, acts),
        "earliest_start": forecast_to_json(answer.earliest_start),
        "acts": [_act_to_json(act, then.get(act.hold)) for act in acts],
        "on_site_by": _instant(on_site_by),
        "no_acts": to_json(no_acts),
    }


def _state_in_lists(hold: Hold) -> str:
    return "counting" if hold.state is HoldState.HELD and hold.counting else hold.state.value


def _first_to_json(answer: RoomAnswer, acts: tuple[OpenAct, ...]) -> dict[str, Any] | None:
    for hold in answer.holds:
        if hold.state is HoldState.HELD and hold.act:
            by = next((act.latest_at for act in acts if act.hold is hold.kind), None)
            return {"act": hold.act.act.value, "says": to_json(hold.act.says), "by": _instant(by)}
    return None


def holds_of(stored: dict[str, Any]) -> tuple[Hold, ...]:
    """Return the holds of a stored answer."""
    return tuple(_hold_from_json(one) for one in stored["holds"])


def states_of(brief: dict[str, Any]) -> dict[str, str]:
    """Return how each hold stands, by its name; a rest that is held and runs is `counting`."""
    found: dict[str, str] = brief["states"]
    return found


def first_of(brief: dict[str, Any]) -> FirstAct | None:
    """Return what can be done next; None: nothing stands, or nobody can do anything about it."""
    first = brief["first"]
    return FirstAct(Act(first["act"]), from_json(first["says"]), _at(first["by"])) if first else None


def acts_of(brief: dict[str, Any]) -> tuple[OpenAct, ...]:
    """Return the acts that keep the room's day, by their latest start."""
    return tuple(_act_from_json(one) for one in brief["acts"])


def listed_acts_of(brief: dict[str, Any]) -> tuple[ListedAct, ...]:
    """Return the same, for lists that show few of many."""
    return tuple(
        ListedAct(
            one,
            Who(one["who"]),
            HoldKind(one["hold"]),
            datetime.fromisoformat(one["latest_at"]),
            datetime.fromisoformat(one["keeps"]),
            Act(one["next_act"]) if one["next_act"] else None,
        )
        for one in brief["acts"]
    )


def no_acts_of(brief: dict[str, Any]) -> Say | None:
    """Return why the last moments of the acts that keep the day cannot be told; None: they can."""
    said: Say | None = from_json(brief["no_acts"])
    return said


def on_site_by_of(brief: dict[str, Any]) -> datetime | None:
    """Return when panels must stand on site to keep the room's day; None: no day is given out."""
    return _at(brief["on_site_by"])


def loss_of(stored: dict[str, Any]) -> Loss | None:
    """Return the loss of a firm day, while it lasts."""
    lost = stored["loss"]
    return Loss(datetime.fromisoformat(lost["at"]), tuple(lost["holds"])) if lost else None


def earliest_start_of(brief: dict[str, Any]) -> Forecast | None:
    """Return the earliest start of a room; None: not known."""
    return forecast_from_json(brief["earliest_start"])


def forecast_to_json(forecast: Forecast | None) -> Any:
    """Return a forecast as JSON: an instant, a duration from the present, or null for unknown."""
    if forecast is None:
        return None
    return to_json(forecast.at if forecast.at is not None else forecast.after)


def forecast_from_json(stored: Any) -> Forecast | None:
    """Return what `forecast_to_json` was given."""
    value = from_json(stored)
    if value is None:
        return None
    return Forecast.fixed(value) if isinstance(value, datetime) else Forecast.sliding(value)


def rest_to_json(one: Rested) -> dict[str, Any]:
    """Return a placement and its rest as JSON."""
    standing, rest, rule = one.standing, one.rest, one.rule
    band = rule.band if rule else None
    return {
        "placement": standing.id,
        "product": standing.product,
        "product_name": one.product.name,
        "batch": standing.batch,
        "sheets": standing.sheets,
        "missing": standing.missing,
        "inspected": standing.inspected,
        "rejected": standing.rejected,
        "mark_seen": standing.mark_seen,
        "in_at": standing.in_at.isoformat(),
        "opened_at": _instant(standing.opened_at),
        "zones": [stay.zone for stay in standing.stays],
        "stays": [[stay.zone, stay.in_at.isoformat(), _instant(stay.out_at)] for stay in standing.stays],
        "band": [band.t_min, band.t_max, band.rh_min, band.rh_max] if band else None,
        "max_gap": one.asked.max_gap.total_seconds(),
        "cold": one.cold is not None,
        "laid_out_in": _length(one.cold.laid_out_in) if one.cold is not None else None,
        "lying": [one.lying.lies, one.lying.lot_of] if one.lying is not None else None,
        "stack": stack_to_json(one.warmed) if one.measured else None,
        "restart_after": one.asked.restart_after.total_seconds(),
        "restart_on": one.asked.restart_on.value,
        "whys": [to_json(why) for why in one.whys],
        "rest": {
            "state": rest.state.value,
            "required": rest.required.total_seconds(),
            "proven": rest.proven.total_seconds(),
            "bridged": rest.bridged.total_seconds(),
            "stated": rest.stated.total_seconds(),
            "provisional": rest.provisional.total_seconds(),
            "proven_at": _instant(rest.proven_at),
            "forecast": forecast_to_json(rest.forecast),
            "goes_on": rest.goes_on.value if rest.goes_on else None,
            "zone": rest.zone,
            "zero_at": _instant(rest.zero_at),
            "last_reading_at": _instant(rest.last_reading_at),
            "read_again_by": _instant(rest.read_again_by),
            "good_until": _instant(rest.good_until),
            "as_of": rest.as_of.isoformat(),
            "strip": [_stretch_to_json(stretch) for stretch in rest.strip],
        },
    }


@dataclass(frozen=True, slots=True)
class PlacementCount:
    """A placement of a room with what is seen of it, for pages that do not show its rest."""

    placement: str
    sheets: int
    inspected: int
    wrapped: bool
    #: Whether its rest is held because the middle of its stack may be cold.
    cold: bool


def placement_of(stored: dict[str, Any]) -> PlacementCount:
    """Return the counts of a stored placement alone."""
    return PlacementCount(
        placement=stored["placement"],
        sheets=stored["sheets"],
        inspected=stored["inspected"],
        wrapped=stored["opened_at"] is None,
        cold=stored.get("cold", False),
    )


def rest_from_json(stored: dict[str, Any], *, now: datetime) -> StoredRest:
    """Return a placement and its rest with what slides slid to `now`, which must be before it goes bad."""
    kept = stored["rest"]
    rest = Rest(
        as_of=datetime.fromisoformat(kept["as_of"]),
        state=RestState(kept["state"]),
        required=timedelta(seconds=kept["required"]),
        proven=timedelta(seconds=kept["proven"]),
        bridged=timedelta(seconds=kept["bridged"]),
        stated=timedelta(seconds=kept["stated"]),
        provisional=timedelta(seconds=kept["provisional"]),
        proven_at=_at(kept["proven_at"]),
        forecast=forecast_from_json(kept["forecast"]),
        goes_on=Kind(kept["goes_on"]) if kept["goes_on"] else None,
        zone=kept["zone"],
        zero_at=_at(kept["zero_at"]),
        last_reading_at=_at(kept["last_reading_at"]),
        read_again_by=_at(kept["read_again_by"]),
        good_until=_at(kept["good_until"]),
        strip=tuple(_stretch_from_json(stretch) for stretch in kept["strip"]),
        ignored=Ignored(),
    )
    return StoredRest(
        placement=stored["placement"],
        product=stored["product"],
        product_name=stored["product_name"],
        batch=stored["batch"],
        sheets=stored["sheets"],
        missing=stored["missing"],
        inspected=stored["inspected"],
        rejected=stored["rejected"],
        mark_seen=stored["mark_seen"],
        in_at=datetime.fromisoformat(stored["in_at"]),
        opened_at=_at(stored["opened_at"]),
        zones=tuple(stored["zones"]),
        stays=_stays(stored),
        # A request that came a little sooner than the one which judged sees what that one saw.
        rest=rest.at(now=max(now, rest.as_of)),
        whys=tuple(from_json(why) for why in stored["whys"]),
        band=tuple(stored["band"]) if stored["band"] else None,
        max_gap=timedelta(seconds=stored["max_gap"]),
        restart_after=timedelta(seconds=stored["restart_after"]),
        # What was stored before there was a word for it is told the stricter way.
        restart_on=RestartOn(stored.get("restart_on", RestartOn.ANY)),
        # What was stored before stacks were worked out says nothing of them.
        cold=stored.get("cold", False),
        laid_out_in=_length_of(stored.get("laid_out_in")),
        lying=_lying(stored.get("lying")),
        stack=stack_from_json(stored.get("stack")),
    )


def _lying(stored: list[Any] | None) -> tuple[str, int | None] | None:
    return None if stored is None else (stored[0], stored[1])


def _length(length: timedelta | None) -> float | None:
    return length.total_seconds() if length is not None else None


def _length_of(stored: float | None) -> timedelta | None:
    return timedelta(seconds=stored) if stored is not None else None


def _stays(stored: dict[str, Any]) -> tuple[Stay, ...]:
    if "stays" not in stored:
        # What was stored before they had times: it is as if it had been everywhere all the while.
        return tuple(Stay(zone, datetime.fromisoformat(stored["in_at"]), None) for zone in stored["zones"])
    return tuple(
        Stay(zone, datetime.fromisoformat(in_at), _at(out_at)) for zone, in_at, out_at in stored["stays"]
    )


def _hold_to_json(hold: Hold) -> dict[str, Any]:
    return {
        "kind": hold.kind.value,
        "state": hold.state.value,
        "says": to_json(hold.says),
        "proof": to_json(hold.proof),
        "evidence": list(hold.evidence),
        "forecast": forecast_to_json(hold.forecast),
        "act": {"act": hold.act.act.value, "says": to_json(hold.act.says), "by": _instant(hold.act.by)}
        if hold.act
        else None,
        "who": hold.who.value if hold.who else None,
        "counting": hold.counting,
        "good_until": _instant(hold.good_until),
    }


def _hold_from_json(stored: dict[str, Any]) -> Hold:
    act = stored["act"]
    return Hold(
        kind=HoldKind(stored["kind"]),
        state=HoldState(stored["state"]),
        says=from_json(stored["says"]),
        proof=from_json(stored["proof"]),
        evidence=tuple(stored["evidence"]),
        forecast=forecast_from_json(stored["forecast"]),
        act=NextAct(Act(act["act"]), from_json(act["says"]), _at(act["by"])) if act else None,
        who=Who(stored["who"]) if stored["who"] else None,
        counting=stored["counting"],
        good_until=_at(stored["good_until"]),
    )


def _act_to_json(act: OpenAct, next_act: Act | None) -> dict[str, Any]:
    return {
        "act": act.act.value,
        "says": to_json(act.says),
        "who": act.who.value,
        "hold": act.hold.value,
        "latest_at": act.latest_at.isoformat(),
        "keeps": act.keeps.isoformat(),
        "next_act": next_act.value if next_act else None,
    }


def _act_from_json(stored: dict[str, Any]) -> OpenAct:
    says: Say = from_json(stored["says"])
    return OpenAct(
        act=Act(stored["act"]),
        says=says,
        who=Who(stored["who"]),
        hold=HoldKind(stored["hold"]),
        latest_at=datetime.fromisoformat(stored["latest_at"]),
        keeps=datetime.fromisoformat(stored["keeps"]),
    )


def _stretch_to_json(one: Stretch) -> list[Any]:
    return [
        one.from_at.isoformat(),
        one.to_at.isoformat(),
        one.kind.value,
        one.restart,
        one.zone,
        _instant(one.lost_at),
    ]


def _stretch_from_json(stored: list[Any]) -> Stretch:
    from_at, to_at, kind, restart, zone, lost_at = stored
    return Stretch(
        datetime.fromisoformat(from_at),
        datetime.fromisoformat(to_at),
        Kind(kind),
        restart,
        zone,
        _at(lost_at),
    )


def _instant(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()


def _at(stored: str | None) -> datetime | None:
    return None if stored is None else datetime.fromisoformat(stored)
