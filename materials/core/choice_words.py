"""The outlook of a rest and what can be done about it, as one says it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from jobs.core.words import Say, Value, say
from materials.core.choices import Choice, Limit, Off, Outlook, Way, WhyNot

#: What brings the air back over each limit.
_DEVICES = {
    Limit.COLD: say("a heater"),
    Limit.WARM: say("cooling"),
    Limit.DRY: say("a humidifier"),
    Limit.DAMP: say("a dryer"),
}


def as_it_is(outlook: Outlook) -> Say:
    """Return when the rest is proven by waiting, or why it will not be."""
    if outlook.finish is not None:
        return say("If the air stays as it is: {finish}.", finish=outlook.finish)
    match outlook.why_not:
        case WhyNot.WRAPPED if outlook.off:
            return say(
                "While it is wrapped it does not rest, and the air is {off}.", off=off_words(outlook.off)
            )
        case WhyNot.WRAPPED:
            return say("While it is wrapped it does not rest.")
        case WhyNot.OFF:
            return say("If the air stays as it is, never: it is {off}.", off=off_words(outlook.off))
        case WhyNot.UNREAD if outlook.last_at is None:
            return say("Not known: nobody has read the air yet.")
        case WhyNot.UNREAD:
            return say("Not known: nobody has read the air since {at}.", at=outlook.last_at or "")
        case WhyNot.NO_BAND:
            return say("Never: the zone's band and the product's limits do not meet.")
        case WhyNot.COLD:
            return say("Not known: nobody has said how cold the middle of the stack is.")
        case WhyNot.NOT_HERE:
            return say("It stands in no zone, so it does not rest.")
        case WhyNot.TOO_FEW | None:
            return say("Not known: too few sheets are here, and no delivery with a day makes up for them.")


def choice_words(choice: Choice, *, now: datetime) -> Say:
    """Return one choice with what it needs and its earliest finish."""
    finish: Value = choice.finish if choice.finish > now else say("proven at once")
    match choice.way:
        case Way.READ if choice.by is not None and choice.otherwise is not None:
            return say(
                "Read again by {by}: {finish}. Else the time since the last reading is lost: {otherwise}.",
                by=choice.by,
                finish=finish,
                otherwise=choice.otherwise,
            )
        case Way.READ:
            return say("Read the air now; if it is in band: {finish}.", finish=finish)
        case Way.CLEAR:
            return _clear(choice, finish)
        case Way.MOVE if choice.opens is not None:
            return say(
                "Unwrapped in {zone}, which is in band: {finish}. They stay there until they are set.",
                zone=choice.zone_name,
                finish=finish,
            )
        case Way.MOVE:
            return say(
                "In {zone}, which is in band, from zero: {finish}. They stay there until they are set.",
                zone=choice.zone_name,
                finish=finish,
            )
        case Way.STATE:
            return say(
                "If somebody who knows signs that it was in band since {since}: {finish}. Only what is true.",
                since=choice.since or "",
                finish=finish,
            )
        case Way.LAY_OUT:
            return say("Laid out in flat lots now: {finish}.", finish=finish)
        case Way.OPEN if choice.opens is not None and choice.opens <= now:
            return say("Unwrapped now, in air that is read in band: {finish}.", finish=finish)
        case Way.OPEN:
            return say(
                "Unwrapped at {at} in air that is read in band: {finish}.",
                at=choice.opens or "",
                finish=finish,
            )


def off_words(off: Sequence[Off]) -> Say:
    """Return how far the air is out of its band; where no reading says, that it is."""
    if not off:
        return say("out of band")
    return say("{causes}", causes=tuple(_off(one) for one in off))


def _off(one: Off) -> Say:
    by = round(one.by, 1)
    match one.limit:
        case Limit.COLD:
            return say("{by} K too cold", by=by)
        case Limit.WARM:
            return say("{by} K too warm", by=by)
        case Limit.DRY:
            return say("{by} % too dry", by=by)
        case Limit.DAMP:
            return say("{by} % too damp", by=by)


def _clear(choice: Choice, finish: Value) -> Say:
    way = say("In band and read by {by}: {finish}.", by=choice.by or "", finish=finish)
    if choice.off:
        devices = tuple(_DEVICES[one.limit] for one in choice.off)
        way = say(
            "With {devices}, in band and read by {by}: {finish}.",
            devices=devices,
            by=choice.by or "",
            finish=finish,
        )
    if not choice.keeps:
        return way
    return say(
        "{way} The {kept} proven are kept; later than {last} they are lost.",
        way=way,
        kept=choice.keeps,
        last=choice.keeps_until or choice.by or "",
    )
