"""A claim as a thread of steps: where it stands, whose turn it is, what is claimed, settled and still open.

Contractor and supplier write into one thread and read the same of it.  A step is a fact, so the thread is read
in the order in which its steps happened, each once; one that does not fit what went before is kept aside and shown,
never refused afterwards.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType

from jobs.core.words import Say, say, say_n
from materials.core.faults import Item
from materials.core.notice import Notice, Urgency


class Side(StrEnum):
    """Who writes."""

    CONTRACTOR = "contractor"
    SUPPLIER = "supplier"


class StepKind(StrEnum):
    """What a step does."""

    DRAFTED = "drafted"
    SENT = "sent"
    ANSWERED = "answered"
    COUNTERED = "countered"
    SETTLED = "settled"
    WITHDRAWN = "withdrawn"


class Remedy(StrEnum):
    """What is offered or asked for sheets; a visit and a refusal put nothing right."""

    REPLACEMENT = "replacement"
    CREDIT = "credit"
    REPAIR = "repair"
    VISIT = "visit"
    REFUSAL = "refusal"


class ClaimState(StrEnum):
    """Where a claim stands."""

    NEW = "new"
    DRAFTED = "drafted"
    SENT = "sent"
    ANSWERED = "answered"
    COUNTERED = "countered"
    SETTLED = "settled"
    WITHDRAWN = "withdrawn"

    @property
    def is_closed(self) -> bool:
        """Whether nothing more is to come of it."""
        return self in (ClaimState.SETTLED, ClaimState.WITHDRAWN)


@dataclass(frozen=True, slots=True)
class Part:
    """A remedy for so many sheets of an item; `by_at` is when it is promised (None: no day said)."""

    item: str
    remedy: Remedy
    sheets: int
    by_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a claim.

    A draft has `items`, what was drafted last is what is sent.  An answer, a counter-answer and a settlement have
    `parts`.
    """

    id: str
    at: datetime
    by: Side
    kind: StepKind
    items: tuple[Item, ...] = ()
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True, slots=True)
class Ignored:
    """A step that does not fit what went before it, and why."""

    step: Step
    why: Say


@dataclass(frozen=True, slots=True)
class Thread:
    """A claim as its steps leave it.

    `items` are those of the latest draft, `settled` has the sheets agreed on by item and remedy.  `offer` is what
    is left to accept of the latest answer or counter-answer, and `offered_by` whose it is.
    """

    state: ClaimState = ClaimState.NEW
    items: tuple[Item, ...] = ()
    settled: Mapping[tuple[str, Remedy], int] = field(default_factory=lambda: MappingProxyType({}))
    offer: tuple[Part, ...] = ()
    #: None: nobody's, for there is none.
    offered_by: Side | None = None
    #: None: not yet, each of them.
    sent_at: datetime | None = None
    answered_at: datetime | None = None
    closed_at: datetime | None = None
    steps: tuple[Step, ...] = ()
    ignored: tuple[Ignored, ...] = ()
    #: When the next step happens that is known already; None: there is none.
    good_until: datetime | None = None

    @property
    def claimed(self) -> dict[str, int]:
        """The sheets claimed, by item."""
        return {item.id: item.sheets for item in self.items}

    @property
    def open(self) -> dict[str, int]:
        """The sheets that nothing was agreed on, by item; none once the claim is closed."""
        if self.state.is_closed:
            return dict.fromkeys(self.claimed, 0)
        left = self.claimed
        for (item, _remedy), sheets in self.settled.items():
            left[item] -= sheets
        return left

    @property
    def acceptable(self) -> tuple[Part, ...]:
        """What of the offer the other side can accept: a visit settles nothing."""
        return tuple(part for part in self.offer if part.remedy is not Remedy.VISIT)

    @property
    def turn(self) -> Side | None:
        """Whose step is waited for; None: the claim is closed.  Who offers to come and look answers next."""
        if self.state.is_closed:
            return None
        if self.state in (ClaimState.SENT, ClaimState.COUNTERED):
            return Side.SUPPLIER
        if self.state is ClaimState.ANSWERED and self.offer and not self.acceptable:
            return Side.SUPPLIER
        return Side.CONTRACTOR

    def next_steps(self, side: Side) -> tuple[StepKind, ...]:
        """Return the steps that a side may take now."""
        if side is Side.CONTRACTOR:
            allowed = _CONTRACTORS[self.state]
        else:
            allowed = _SUPPLIERS[self.state]
        can_settle = self.acceptable and self.offered_by is not side
        return tuple(kind for kind in allowed if kind is not StepKind.SETTLED or can_settle)


#: What each side may do where a claim stands; settling asks for an offer of the other side as well.
_CONTRACTORS: Mapping[ClaimState, tuple[StepKind, ...]] = MappingProxyType(
    {
        ClaimState.NEW: (StepKind.DRAFTED,),
        ClaimState.DRAFTED: (StepKind.DRAFTED, StepKind.SENT, StepKind.WITHDRAWN),
        ClaimState.SENT: (StepKind.WITHDRAWN,),
        ClaimState.ANSWERED: (StepKind.COUNTERED, StepKind.SETTLED, StepKind.WITHDRAWN),
        ClaimState.COUNTERED: (StepKind.WITHDRAWN,),
        ClaimState.SETTLED: (),
        ClaimState.WITHDRAWN: (),
    }
)
_SUPPLIERS: Mapping[ClaimState, tuple[StepKind, ...]] = MappingProxyType(
    {
        ClaimState.NEW: (),
        ClaimState.DRAFTED: (),
        ClaimState.SENT: (StepKind.ANSWERED,),
        ClaimState.ANSWERED: (StepKind.ANSWERED,),
        ClaimState.COUNTERED: (StepKind.ANSWERED, StepKind.SETTLED),
        ClaimState.SETTLED: (),
        ClaimState.WITHDRAWN: (),
    }
)


def thread_of(steps: Iterable[Step], *, now: datetime) -> Thread:
    """Return a claim as its steps up to `now` leave it, given in any order and as often as you like.

    Raises:
        ValueError: two different steps have one id.
    """
    known: dict[str, Step] = {}
    for step in steps:
        if known.setdefault(step.id, step) != step:
            raise ValueError(f"two steps have the id {step.id}")
    in_order = sorted(known.values(), key=lambda step: (step.at, step.id))
    thread = Thread()
    for step in in_order:
        if step.at <= now:
            thread = taken(thread, step)
    to_come = (step.at for step in in_order if step.at > now)
    return replace(thread, good_until=next(to_come, None))


def taken(thread: Thread, step: Step) -> Thread:
    """Return the thread after a step; one that does not fit changes nothing and is kept aside with the reason."""
    why = refusal(thread, step)
    if why is not None:
        return replace(thread, ignored=(*thread.ignored, Ignored(step, why)))
    thread = replace(thread, steps=(*thread.steps, step))
    match step.kind:
        case StepKind.DRAFTED:
            return replace(thread, state=ClaimState.DRAFTED, items=step.items)
        case StepKind.SENT:
            return replace(thread, state=ClaimState.SENT, sent_at=step.at)
        case StepKind.ANSWERED | StepKind.COUNTERED:
            return _offered(thread, step)
        case StepKind.SETTLED:
            return _settled(thread, step)
        case StepKind.WITHDRAWN:
            return replace(thread, state=ClaimState.WITHDRAWN, closed_at=step.at, offer=(), offered_by=None)


def _offered(thread: Thread, step: Step) -> Thread:
    is_answer = step.kind is StepKind.ANSWERED
    first = thread.answered_at or (step.at if is_answer else None)
    state = ClaimState.ANSWERED if is_answer else ClaimState.COUNTERED
    return replace(thread, state=state, offer=step.parts, offered_by=step.by, answered_at=first)


def _settled(thread: Thread, step: Step) -> Thread:
    agreed = dict(thread.settled)
    accepted = {(part.item, part.remedy): part.sheets for part in step.parts}
    for key, sheets in accepted.items():
        agreed[key] = agreed.get(key, 0) + sheets
    left = (
        replace(part, sheets=part.sheets - accepted.get((part.item, part.remedy), 0)) for part in thread.offer
    )
    offer = tuple(part for part in left if part.sheets)
    thread = replace(
        thread,
        settled=MappingProxyType(agreed),
        offer=offer,
        offered_by=thread.offered_by if offer else None,
    )
    if any(thread.open.values()):
        return thread
    return replace(thread, state=ClaimState.SETTLED, closed_at=step.at, offer=(), offered_by=None)


# ---- what is refused


def refusal(thread: Thread, step: Step) -> Say | None:
    """Return why a step cannot be taken now; None: it can."""
    if step.kind not in thread.next_steps(step.by):
        return _out_of_turn(thread, step)
    match step.kind:
        case StepKind.DRAFTED:
            return _wrong_draft(step)
        case StepKind.ANSWERED | StepKind.COUNTERED:
            return _wrong_parts(thread, step)
        case StepKind.SETTLED:
            return _wrong_settlement(thread, step)
        case StepKind.SENT | StepKind.WITHDRAWN:
            return None


def _out_of_turn(thread: Thread, step: Step) -> Say:
    """Return why it is not for this side, or not the time, to take such a step."""
    if thread.closed_at is not None:
        if thread.state is ClaimState.SETTLED:
            return say("This claim was settled on {at}.", at=thread.closed_at)
        return say("This claim was withdrawn on {at}.", at=thread.closed_at)
    if step.by not in _WRITES[step.kind]:
        return _NOT_YOURS[step.kind]
    if thread.sent_at is None:
        if step.kind is StepKind.SENT or step.kind is StepKind.WITHDRAWN:
            return say("Nothing has been drafted yet.")
        return say("This claim has not been sent yet.")
    if step.kind is StepKind.DRAFTED:
        return say(
            "This claim was sent on {at}. Claim in a further one what was found since.", at=thread.sent_at
        )
    if step.kind is StepKind.SENT:
        return say("This claim was sent already, on {at}.", at=thread.sent_at)
    if step.kind is StepKind.COUNTERED:
        return say("There is no answer of the supplier to counter yet.")
    if thread.offered_by is step.by:
        return say("Your own offer is for the other side to accept.")
    if thread.offer:
        return say("A visit settles nothing; what is found there is answered afterwards.")
    return say("There is no offer to accept yet.")


def _wrong_draft(step: Step) -> Say | None:
    if not step.items:
        return say("There is nothing to claim.")
    if len({item.id for item in step.items}) < len(step.items):
        return say("One thing is claimed twice.")
    return None


def _wrong_parts(thread: Thread, step: Step) -> Say | None:
    """Return what is wrong with an answer or a counter-answer."""
    wrong = _wrong_counts(step.parts)
    if wrong is not None:
        return wrong
    if step.kind is StepKind.COUNTERED and any(part.remedy is Remedy.REFUSAL for part in step.parts):
        return say("Withdraw the claim, or accept the refusal; a refusal cannot be asked for.")
    asked: dict[str, int] = defaultdict(int)
    for part in step.parts:
        asked[part.item] += part.sheets
    left = thread.open
    for item, sheets in asked.items():
        if item not in left:
            return say("This is not in the claim.")
        if sheets > left[item]:
            return say_n(
                "Only {n} sheet of this is still open, not {sheets}.",
                "Only {n} sheets of this are still open, not {sheets}.",
                n=left[item],
                sheets=sheets,
            )
    return None


def _wrong_settlement(thread: Thread, step: Step) -> Say | None:
    wrong = _wrong_counts(step.parts)
    if wrong is not None:
        return wrong
    offered = {(part.item, part.remedy): part.sheets for part in thread.acceptable}
    for part in step.parts:
        if part.remedy is Remedy.VISIT:
            return say("A visit settles nothing; what is found there is answered afterwards.")
        here = offered.get((part.item, part.remedy), 0)
        if part.sheets > here:
            return say_n(
                "{n} sheet was offered this way, not {sheets}.",
                "{n} sheets were offered this way, not {sheets}.",
                n=here,
                sheets=part.sheets,
            )
    return None


def _wrong_counts(parts: Sequence[Part]) -> Say | None:
    if not parts:
        return say("Say what for how many sheets.")
    if any(part.sheets < 1 for part in parts):
        return say("A remedy is for at least one sheet.")
    if len({(part.item, part.remedy) for part in parts}) < len(parts):
        return say("The same is said twice.")
    return None


_WRITES: Mapping[StepKind, frozenset[Side]] = MappingProxyType(
    {
        StepKind.DRAFTED: frozenset({Side.CONTRACTOR}),
        StepKind.SENT: frozenset({Side.CONTRACTOR}),
        StepKind.ANSWERED: frozenset({Side.SUPPLIER}),
        StepKind.COUNTERED: frozenset({Side.CONTRACTOR}),
        StepKind.SETTLED: frozenset(Side),
        StepKind.WITHDRAWN: frozenset({Side.CONTRACTOR}),
    }
)
_NOT_YOURS: Mapping[StepKind, Say] = MappingProxyType(
    {
        StepKind.DRAFTED: say("Only the contractor drafts a claim."),
        StepKind.SENT: say("Only the contractor sends a claim."),
        StepKind.ANSWERED: say("Only the supplier answers a claim."),
        StepKind.COUNTERED: say("Only the contractor counters an answer."),
        StepKind.WITHDRAWN: say("Only the contractor withdraws a claim."),
    }
)


# ---- the claim and its notice


@dataclass(frozen=True, slots=True)
class Timing:
    """A claim and its period of notice; `in_time` None: not sent yet, or no day is set."""

    is_pressing: bool
    is_over: bool
    in_time: bool | None
    #: When the thread or the notice changes by itself; None: never.
    good_until: datetime | None


def timing_of(thread: Thread, notice: Notice) -> Timing:
    """Return whether a claim must still be sent and how it stands with its notice, both as of the same `now`.

    Once it is sent or thrown away, its notice presses nobody any more.
    """
    waits = thread.sent_at is None and not thread.state.is_closed
    turns = [thread.good_until, notice.good_until if waits else None]
    return Timing(
        is_pressing=waits and notice.is_pressing,
        is_over=waits and notice.urgency is Urgency.OVER,
        in_time=None if thread.sent_at is None else notice.is_in_time(thread.sent_at),
        good_until=min((at for at in turns if at is not None), default=None),
    )


# ---- in words


def state_words(thread: Thread) -> Say:
    """Return where a claim stands as a sentence."""
    match thread.state:
        case ClaimState.NEW:
            return say("Nothing has been claimed yet.")
        case ClaimState.DRAFTED:
            return say("Drafted, not sent yet.")
        case ClaimState.SENT:
            assert thread.sent_at is not None
            return say("Sent on {at}; the supplier has not answered yet.", at=thread.sent_at)
        case ClaimState.ANSWERED if thread.turn is Side.SUPPLIER:
            return say("The supplier comes to look.")
        case ClaimState.ANSWERED:
            return _open_words(thread, say("The supplier has answered"))
        case ClaimState.COUNTERED:
            return _open_words(thread, say("The answer was countered"))
        case ClaimState.SETTLED:
            assert thread.closed_at is not None
            return say("Settled on {at}.", at=thread.closed_at)
        case ClaimState.WITHDRAWN:
            assert thread.closed_at is not None
            return say("Withdrawn on {at}.", at=thread.closed_at)


def _open_words(thread: Thread, what: Say) -> Say:
    return say_n(
        "{what}; {n} sheet is still open.",
        "{what}; {n} sheets are still open.",
        n=sum(thread.open.values()),
        what=what,
    )
