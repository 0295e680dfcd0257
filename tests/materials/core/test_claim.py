"""A claim's thread: the steps each side may take, worked by hand, and a machine that takes any step it likes."""

from __future__ import annotations

import random
from datetime import timedelta
from types import MappingProxyType
from zoneinfo import ZoneInfo

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from materials.core.claim import (
    ClaimState,
    Part,
    Remedy,
    Side,
    Step,
    StepKind,
    Thread,
    refusal,
    state_words,
    taken,
    thread_of,
    timing_of,
)
from materials.core.faults import Fault, Item
from materials.core.notice import Period, notice_of
from tests.conftest import NOW

HOUR, DAY, SECOND = timedelta(hours=1), timedelta(days=1), timedelta(seconds=1)
US, THEM = Side.CONTRACTOR, Side.SUPPLIER
CHIPS = Item("chips", Fault.DEFECT, 1, "A", 6, "chip")
SHORT = Item("short", Fault.SHORT, 1, None, 2)


def step(n, by, kind, *parts, items=()):
    """Return the step of hour `n`; parts are (item, remedy, sheets)."""
    return Step(
        f"step-{n:02}", NOW + n * HOUR, by, StepKind(kind), tuple(items), tuple(Part(*p) for p in parts)
    )


DRAFT = step(1, US, "drafted", items=(CHIPS, SHORT))
SENT = step(2, US, "sent")
ANSWER = step(3, THEM, "answered", ("chips", Remedy.REPLACEMENT, 4), ("chips", Remedy.REFUSAL, 2))
VISIT = step(3, THEM, "answered", ("chips", Remedy.VISIT, 6), ("short", Remedy.VISIT, 2))
COUNTER = step(4, US, "countered", ("chips", Remedy.CREDIT, 6), ("short", Remedy.REPLACEMENT, 2))
ALL = ("chips", Remedy.CREDIT, 6), ("short", Remedy.CREDIT, 2)
IN_FULL = step(3, THEM, "answered", *ALL)
WITHDRAWN = step(9, US, "withdrawn")


def thread(*steps, hours=48):
    return thread_of(steps, now=NOW + hours * HOUR)


# ---- the way of a claim


@pytest.mark.parametrize(
    ("steps", "state", "turn"),
    [
        pytest.param([], ClaimState.NEW, US, id="nothing"),
        pytest.param([DRAFT], ClaimState.DRAFTED, US, id="drafted"),
        pytest.param([DRAFT, SENT], ClaimState.SENT, THEM, id="sent"),
        pytest.param([DRAFT, SENT, ANSWER], ClaimState.ANSWERED, US, id="answered"),
        pytest.param([DRAFT, SENT, VISIT], ClaimState.ANSWERED, THEM, id="who-comes-to-look-answers-next"),
        pytest.param([DRAFT, SENT, ANSWER, COUNTER], ClaimState.COUNTERED, THEM, id="countered"),
        pytest.param([DRAFT, SENT, WITHDRAWN], ClaimState.WITHDRAWN, None, id="withdrawn"),
        pytest.param([DRAFT, WITHDRAWN], ClaimState.WITHDRAWN, None, id="a-draft-thrown-away"),
    ],
)
def test_a_claim_goes_its_way(steps, state, turn):
    one = thread(*steps)

    assert (one.state, one.turn, one.ignored) == (state, turn, ())


# Who may do what where a claim stands; worked by hand from what each side has to say next.
@pytest.mark.parametrize(
    ("steps", "ours", "theirs"),
    [
        pytest.param([], ["drafted"], [], id="new"),
        pytest.param([DRAFT], ["drafted", "sent", "withdrawn"], [], id="drafted"),
        pytest.param([DRAFT, SENT], ["withdrawn"], ["answered"], id="sent"),
        pytest.param(
            [DRAFT, SENT, ANSWER], ["countered", "settled", "withdrawn"], ["answered"], id="answered"
        ),
        pytest.param([DRAFT, SENT, VISIT], ["countered", "withdrawn"], ["answered"], id="a-visit"),
        pytest.param([DRAFT, SENT, ANSWER, COUNTER], ["withdrawn"], ["answered", "settled"], id="countered"),
        pytest.param([DRAFT, WITHDRAWN], [], [], id="withdrawn"),
    ],
)
def test_each_side_may_take_its_steps(steps, ours, theirs):
    one = thread(*steps)

    assert [kind.value for kind in one.next_steps(US)] == ours
    assert [kind.value for kind in one.next_steps(THEM)] == theirs


def test_the_draft_last_written_is_what_is_sent():
    redrafted = step(1, US, "drafted", items=(SHORT,))

    one = thread(Step("step-00", NOW, US, StepKind.DRAFTED, (CHIPS,)), redrafted, SENT)

    assert (one.items, one.claimed) == ((SHORT,), {"short": 2})


def test_an_answer_in_parts_is_settled_in_parts():
    accepted = step(4, US, "settled", ("chips", Remedy.REPLACEMENT, 4))

    one = thread(DRAFT, SENT, ANSWER, accepted)

    assert one.state is ClaimState.ANSWERED
    assert one.open == {"chips": 6 - 4, "short": 2}
    assert one.offer == (Part("chips", Remedy.REFUSAL, 2),)


def test_a_claim_is_settled_when_nothing_is_open():
    settled = step(5, THEM, "settled", ("chips", Remedy.CREDIT, 6), ("short", Remedy.REPLACEMENT, 2))

    one = thread(DRAFT, SENT, ANSWER, COUNTER, settled)

    assert (one.state, one.closed_at) == (ClaimState.SETTLED, NOW + 5 * HOUR)
    assert one.settled == {("chips", Remedy.CREDIT): 6, ("short", Remedy.REPLACEMENT): 2}
    assert one.open == {"chips": 0, "short": 0}


def test_a_later_answer_takes_the_place_of_an_earlier_one_and_the_first_is_remembered():
    better = step(4, THEM, "answered", ("chips", Remedy.REPLACEMENT, 6))

    one = thread(DRAFT, SENT, ANSWER, better)

    assert one.offer == better.parts
    assert one.answered_at == ANSWER.at


def test_steps_that_have_not_happened_yet_are_not_counted():
    one = thread(DRAFT, SENT, ANSWER, hours=2)

    assert (one.state, one.good_until) == (ClaimState.SENT, ANSWER.at)
    assert thread(DRAFT, SENT, ANSWER, hours=3).state is ClaimState.ANSWERED


# ---- what is refused


@pytest.mark.parametrize(
    ("steps", "tried", "text"),
    [
        ([], step(9, US, "sent"), "Nothing has been drafted yet."),
        ([], step(9, US, "withdrawn"), "Nothing has been drafted yet."),
        ([], step(9, US, "drafted"), "There is nothing to claim."),
        ([], step(9, US, "drafted", items=(SHORT, SHORT)), "One thing is claimed twice."),
        ([], step(9, THEM, "drafted", items=(SHORT,)), "Only the contractor drafts a claim."),
        ([DRAFT], step(9, THEM, "sent"), "Only the contractor sends a claim."),
        (
            [DRAFT],
            step(9, THEM, "answered", ("short", Remedy.CREDIT, 2)),
            "This claim has not been sent yet.",
        ),
        ([DRAFT], step(9, US, "settled", ("short", Remedy.CREDIT, 2)), "This claim has not been sent yet."),
        ([DRAFT, SENT], step(9, US, "sent"), "This claim was sent already, on {at}."),
        (
            [DRAFT, SENT],
            step(9, US, "drafted", items=(SHORT,)),
            "This claim was sent on {at}. Claim in a further one what was found since.",
        ),
        (
            [DRAFT, SENT],
            step(9, US, "answered", ("short", Remedy.CREDIT, 2)),
            "Only the supplier answers a claim.",
        ),
        (
            [DRAFT, SENT],
            step(9, US, "countered", ("short", Remedy.CREDIT, 2)),
            "There is no answer of the supplier to counter yet.",
        ),
        (
            [DRAFT, SENT],
            step(9, US, "settled", ("short", Remedy.CREDIT, 2)),
            "There is no offer to accept yet.",
        ),
        ([DRAFT, SENT], step(9, THEM, "withdrawn"), "Only the contractor withdraws a claim."),
        ([DRAFT, SENT], step(9, THEM, "answered"), "Say what for how many sheets."),
        (
            [DRAFT, SENT],
            step(9, THEM, "answered", ("short", Remedy.CREDIT, 0)),
            "A remedy is for at least one sheet.",
        ),
        (
            [DRAFT, SENT],
            step(9, THEM, "answered", ("short", Remedy.CREDIT, 1), ("short", Remedy.CREDIT, 1)),
            "The same is said twice.",
        ),
        ([DRAFT, SENT], step(9, THEM, "answered", ("other", Remedy.CREDIT, 1)), "This is not in the claim."),
        (
            [DRAFT, SENT],
            step(9, THEM, "answered", ("short", Remedy.CREDIT, 2), ("short", Remedy.REPAIR, 1)),
            "Only {n} sheet of this is still open, not {sheets}.",
        ),
        (
            [DRAFT, SENT, ANSWER],
            step(9, THEM, "settled", ("chips", Remedy.REPLACEMENT, 4)),
            "Your own offer is for the other side to accept.",
        ),
        (
            [DRAFT, SENT, ANSWER],
            step(9, THEM, "countered", ("chips", Remedy.CREDIT, 6)),
            "Only the contractor counters an answer.",
        ),
        (
            [DRAFT, SENT, ANSWER],
            step(9, US, "countered", ("chips", Remedy.REFUSAL, 6)),
            "Withdraw the claim, or accept the refusal; a refusal cannot be asked for.",
        ),
        (
            [DRAFT, SENT, ANSWER],
            step(9, US, "settled", ("chips", Remedy.REPLACEMENT, 5)),
            "{n} sheet was offered this way, not {sheets}.",
        ),
        (
            [DRAFT, SENT, ANSWER],
            step(9, US, "settled", ("short", Remedy.CREDIT, 1)),
            "{n} sheet was offered this way, not {sheets}.",
        ),
        ([DRAFT, SENT, ANSWER], step(9, US, "settled"), "Say what for how many sheets."),
        (
            [DRAFT, SENT, VISIT],
            step(9, US, "settled", ("chips", Remedy.VISIT, 6)),
            "A visit settles nothing; what is found there is answered afterwards.",
        ),
        (
            [DRAFT, SENT, ANSWER, COUNTER],
            step(9, US, "settled", ("chips", Remedy.REPLACEMENT, 4)),
            "Your own offer is for the other side to accept.",
        ),
        (
            [DRAFT, SENT, ANSWER, COUNTER],
            step(9, US, "countered", ("chips", Remedy.REPAIR, 6)),
            "There is no answer of the supplier to counter yet.",
        ),
        ([DRAFT, SENT, WITHDRAWN], step(10, US, "sent"), "This claim was withdrawn on {at}."),
    ],
)
def test_a_step_that_cannot_be_is_refused_with_words(steps, tried, text):
    before = thread(*steps)
    said = refusal(before, tried)

    assert said is not None
    assert said.text == text
    # And if it is a fact all the same, it changes nothing and is shown with the reason.
    after = taken(before, tried)
    assert (after.state, after.open, after.offer) == (before.state, before.open, before.offer)
    assert [(one.step, one.why) for one in after.ignored] == [(tried, said)]


def test_nothing_more_is_said_on_what_is_settled():
    one = thread(DRAFT, SENT, IN_FULL, step(4, US, "settled", *ALL))

    for side in Side:
        for kind in StepKind:
            said = refusal(one, step(9, side, kind, ("chips", Remedy.CREDIT, 1), items=(SHORT,)))
            assert said is not None
            assert said.text == "This claim was settled on {at}."


def test_a_visit_beside_another_offer_cannot_be_accepted():
    mixed = step(3, THEM, "answered", ("chips", Remedy.VISIT, 4), ("chips", Remedy.CREDIT, 2))

    said = refusal(thread(DRAFT, SENT, mixed), step(4, US, "settled", ("chips", Remedy.VISIT, 4)))

    assert said.text == "A visit settles nothing; what is found there is answered afterwards."


def test_two_different_steps_of_one_id_are_refused():
    with pytest.raises(ValueError, match="two steps have the id step-01"):
        thread(DRAFT, Step("step-01", NOW, US, StepKind.SENT))


# ---- its notice


def notice(now):
    """Return seven calendar days from an arrival at NOW, Wednesday 10 June: to the end of the 17th in Paris."""
    return notice_of(Period(7), NOW, zone=ZoneInfo("Europe/Paris"), now=now)


def test_a_draft_near_the_end_of_its_notice_presses_until_it_is_sent():
    now = NOW + 6 * DAY
    one = thread_of([DRAFT], now=now)

    assert timing_of(one, notice(now)).is_pressing is True
    assert timing_of(one, notice(now)).good_until == notice(now).good_until
    sent = thread_of([DRAFT, step(6 * 24, US, "sent")], now=now)
    assert timing_of(sent, notice(now)).is_pressing is False
    assert timing_of(sent, notice(now)).good_until is None


def test_a_draft_that_was_not_sent_in_time_is_over_and_one_thrown_away_is_not():
    now = NOW + 8 * DAY

    assert timing_of(thread_of([DRAFT], now=now), notice(now)).is_over is True
    assert timing_of(thread_of([DRAFT, WITHDRAWN], now=now), notice(now)).is_over is False


# The 17th ends in Paris at 22:00 UTC, seven days and 13 hours after NOW.
@pytest.mark.parametrize(("late", "in_time"), [(-SECOND, True), (0 * SECOND, False)])
def test_a_claim_sent_on_the_last_day_is_in_time(late, in_time):
    sent = Step("sent", NOW + 7 * DAY + 13 * HOUR + late, US, StepKind.SENT)
    now = NOW + 20 * DAY

    assert timing_of(thread_of([DRAFT, sent], now=now), notice(now)).in_time is in_time


# ---- words


@pytest.mark.parametrize(
    ("steps", "text"),
    [
        ([], "Nothing has been claimed yet."),
        ([DRAFT], "Drafted, not sent yet."),
        ([DRAFT, SENT], "Sent on {at}; the supplier has not answered yet."),
        ([DRAFT, SENT, ANSWER], "{what}; {n} sheets are still open."),
        ([DRAFT, SENT, VISIT], "The supplier comes to look."),
        ([DRAFT, SENT, ANSWER, COUNTER], "{what}; {n} sheets are still open."),
        ([DRAFT, WITHDRAWN], "Withdrawn on {at}."),
        ([DRAFT, SENT, IN_FULL, step(4, US, "settled", *ALL)], "Settled on {at}."),
    ],
)
def test_a_claim_says_where_it_stands(steps, text):
    said = state_words(thread(*steps))

    assert text in (said.text, said.many)


# ---- any steps, in any order, with repeats


ITEMS = {"chips": CHIPS, "short": SHORT, "stain": Item("stain", Fault.DEFECT, 1, "B", 3, "stain")}
PARTS = st.lists(
    st.builds(Part, st.sampled_from([*ITEMS, "none"]), st.sampled_from(Remedy), st.integers(0, 6)), max_size=3
)


class AnySteps(RuleBasedStateMachine):
    """Take whatever step comes; beside it, the plain books of what was claimed, offered and agreed on."""

    def __init__(self):
        super().__init__()
        self.steps = []
        self.thread = Thread()
        self.claimed, self.agreed = {}, {}

    def now(self):
        return NOW + len(self.steps) * SECOND

    def take(self, by, kind, items=(), parts=()):
        before = self.thread
        new = Step(f"{len(self.steps):04}", self.now(), by, kind, tuple(items), tuple(parts))
        is_refused = refusal(before, new) is not None
        self.steps.append(new)
        self.thread = taken(before, new)
        assert is_refused == (len(self.thread.ignored) > len(before.ignored))
        assert is_refused or kind in before.next_steps(by)
        assert is_refused or not before.state.is_closed
        return not is_refused

    @rule(by=st.sampled_from(Side), names=st.sets(st.sampled_from([*ITEMS])))
    def draft(self, by, names):
        if self.take(by, StepKind.DRAFTED, items=[ITEMS[name] for name in sorted(names)]):
            assert by is US
            self.claimed = {name: ITEMS[name].sheets for name in names}

    @rule(by=st.sampled_from(Side))
    def send(self, by):
        if self.take(by, StepKind.SENT):
            assert by is US

    @rule(by=st.sampled_from(Side), parts=PARTS)
    def answer(self, by, parts):
        if self.take(by, StepKind.ANSWERED, parts=parts):
            assert by is THEM

    @rule()
    def answer_all_that_is_open(self):
        parts = [Part(item, Remedy.CREDIT, sheets) for item, sheets in self.thread.open.items() if sheets]
        self.take(THEM, StepKind.ANSWERED, parts=parts)

    @rule(by=st.sampled_from(Side), parts=PARTS)
    def counter(self, by, parts):
        if self.take(by, StepKind.COUNTERED, parts=parts):
            assert by is US

    @rule(by=st.sampled_from(Side), parts=PARTS)
    def settle(self, by, parts):
        self.settled(by, parts)

    @rule(by=st.sampled_from(Side), some=st.integers(1, 3))
    def accept(self, by, some):
        self.settled(by, self.thread.acceptable[:some])

    def settled(self, by, parts):
        offered_by = self.thread.offered_by
        if self.take(by, StepKind.SETTLED, parts=parts):
            assert offered_by not in (None, by)
            for part in parts:
                self.agreed[part.item] = self.agreed.get(part.item, 0) + part.sheets

    @rule(by=st.sampled_from(Side))
    def withdraw(self, by):
        if self.take(by, StepKind.WITHDRAWN):
            assert by is US

    @invariant()
    def the_books_agree(self):
        settled = {}
        for (item, _remedy), sheets in self.thread.settled.items():
            settled[item] = settled.get(item, 0) + sheets
        assert settled == self.agreed
        assert self.thread.claimed == self.claimed
        for item, sheets in self.claimed.items():
            left = 0 if self.thread.state.is_closed else sheets - self.agreed.get(item, 0)
            assert self.thread.open[item] == left >= 0
            assert self.agreed.get(item, 0) <= sheets

    @invariant()
    def nothing_is_agreed_on_before_it_is_sent(self):
        assert not self.agreed or self.thread.sent_at is not None

    @invariant()
    def every_step_is_taken_or_shown_aside(self):
        seen = [*self.thread.steps, *(one.step for one in self.thread.ignored)]
        assert sorted(one.id for one in seen) == [one.id for one in self.steps]

    @invariant()
    def somebody_can_go_on_unless_it_is_closed(self):
        can = [side for side in Side if self.thread.next_steps(side)]
        assert bool(can) is not self.thread.state.is_closed
        assert self.thread.turn is None or self.thread.turn in can

    @invariant()
    def a_settled_claim_is_agreed_on_to_the_last_sheet(self):
        if self.thread.state is ClaimState.SETTLED:
            assert self.agreed == self.claimed

    @invariant()
    def the_order_in_which_they_are_given_and_repeats_change_nothing(self):
        chance = random.Random(len(self.steps))
        mixed = [*self.steps, *self.steps[::2]]
        chance.shuffle(mixed)
        again = thread_of(mixed, now=self.now())
        assert again == self.thread
        assert isinstance(again.settled, MappingProxyType)


AnySteps.TestCase.settings = settings(max_examples=60, stateful_step_count=25)
TestAnySteps = AnySteps.TestCase
