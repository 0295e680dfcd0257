"""What makes an event another one: its sequence, its stamps, and how long a withdrawn one stays."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.core.calendar import EventFields, Status, StoredEvent, digest, keeps, revise, shows

GIVEN_OUT = datetime(2026, 3, 2, 9, tzinfo=UTC)
LATER = GIVEN_OUT + timedelta(hours=5)
SHIFT = EventFields(
    uid="4f2c9a1e-1@feeds.setday.example",
    start_at=datetime(2026, 3, 12, 6, tzinfo=UTC),
    end_at=datetime(2026, 3, 12, 14, 30, tzinfo=UTC),
    zone="Europe/Paris",
    status=Status.TENTATIVE,
    summary="Held: Scullery 2.14",
    location="Quay Street clinic, gate 2",
    description="Held by rest.",
    category="Install",
    url="https://setday.example/a/4f2c",
)
CANCELLED = replace(
    SHIFT, status=Status.CANCELLED, summary="Cancelled: Scullery 2.14", description="Withdrawn."
)


def stored(event: EventFields = SHIFT, *, served: bool = True) -> StoredEvent:
    return replace(revise(None, event, at=GIVEN_OUT), served=served)


def test_an_event_begins_at_sequence_0_stamped_when_it_was_given_out():
    event = revise(None, SHIFT, at=GIVEN_OUT)

    assert (event.sequence, event.revised_at, event.withdrawn_at, event.served) == (0, GIVEN_OUT, None, False)
    assert shows(event) == shows(SHIFT)


def test_the_same_publish_twice_writes_nothing():
    event = stored()

    assert revise(event, replace(SHIFT), at=LATER) is event


@pytest.mark.parametrize(
    "change",
    [
        pytest.param({"start_at": SHIFT.start_at + timedelta(minutes=30)}, id="start"),
        pytest.param({"end_at": SHIFT.end_at - timedelta(hours=4)}, id="shortened"),
        pytest.param({"end_at": SHIFT.end_at + timedelta(hours=1)}, id="lengthened"),
        pytest.param(
            {"start_at": SHIFT.start_at + timedelta(days=7), "end_at": SHIFT.end_at + timedelta(days=7)},
            id="moved",
        ),
        pytest.param({"zone": "Europe/Lisbon"}, id="on another clock"),
        pytest.param({"status": Status.CONFIRMED}, id="status"),
        pytest.param({"location": "Quay Street clinic, gate 3"}, id="place"),
        pytest.param({"summary": "Scullery 2.14"}, id="title"),
        pytest.param({"status": Status.CONFIRMED, "summary": "Scullery 2.14"}, id="both at once"),
    ],
)
def test_what_people_act_on_raises_the_sequence_by_one(change):
    event = revise(stored(), replace(SHIFT, **change), at=LATER)

    assert (event.sequence, event.revised_at) == (1, LATER)
    assert shows(event) == shows(replace(SHIFT, **change))


@pytest.mark.parametrize(
    "change", [{"description": "Held by rest, 3 h more."}, {"category": "Prep"}, {"url": ""}]
)
def test_another_text_changes_the_stamps_only(change):
    event = revise(stored(), replace(SHIFT, **change), at=LATER)

    assert (event.sequence, event.revised_at) == (0, LATER)


def test_a_change_undone_is_a_change_again():
    moved = replace(SHIFT, start_at=SHIFT.start_at + timedelta(hours=1))

    there = revise(stored(), moved, at=LATER)
    back = revise(there, SHIFT, at=LATER + timedelta(hours=1))

    assert (there.sequence, back.sequence) == (1, 2)


def test_work_withdrawn_and_planned_again_goes_on_under_its_uid():
    withdrawn = revise(stored(), CANCELLED, at=LATER)
    again = revise(withdrawn, SHIFT, at=LATER + timedelta(days=1))

    assert (withdrawn.sequence, withdrawn.withdrawn_at) == (1, LATER)
    assert (again.uid, again.sequence, again.withdrawn_at, again.served) == (SHIFT.uid, 2, None, True)


def test_another_reason_does_not_withdraw_it_again():
    withdrawn = revise(stored(), CANCELLED, at=LATER)
    explained = revise(
        withdrawn, replace(CANCELLED, description="Another crew."), at=LATER + timedelta(days=1)
    )

    assert (explained.withdrawn_at, explained.sequence) == (LATER, 1)


def test_another_crew_is_another_event():
    with pytest.raises(ValueError, match="is not"):
        revise(stored(), replace(SHIFT, uid="77b0d3c5-1@feeds.setday.example"), at=LATER)


def test_the_stamp_never_goes_back():
    event = revise(stored(), replace(SHIFT, location="Gate 3"), at=GIVEN_OUT - timedelta(seconds=1))

    assert (event.sequence, event.revised_at) == (1, GIVEN_OUT)


@settings(derandomize=True, deadline=None)
@given(
    st.lists(
        st.sampled_from(
            [SHIFT, CANCELLED, replace(SHIFT, location="B"), replace(SHIFT, status=Status.CONFIRMED)]
        ),
        max_size=12,
    )
)
def test_whatever_follows_sequence_and_stamp_only_rise_and_only_on_a_change(versions):
    event, at = stored(), GIVEN_OUT
    for version in versions:
        at += timedelta(minutes=1)
        before, event = event, revise(event, version, at=at)
        changed = shows(before) != shows(event)
        assert event.sequence == before.sequence + changed
        assert event.revised_at == (at if changed else before.revised_at)
        assert (event.withdrawn_at is None) == (event.status is not Status.CANCELLED)


@pytest.mark.parametrize("name", [field.name for field in fields(EventFields)])
def test_the_digest_covers_every_field_that_shows(name):
    other = {
        "start_at": SHIFT.start_at - timedelta(seconds=1),
        "end_at": SHIFT.end_at + timedelta(seconds=1),
        "status": Status.CONFIRMED,
    }.get(name, "Europe/Lisbon" if name == "zone" else "another")

    assert digest(replace(SHIFT, **{name: other})) != digest(SHIFT)


def test_the_digest_does_not_depend_on_sequence_or_stamps():
    assert digest(stored()) == digest(SHIFT) == digest(replace(stored(), sequence=9, revised_at=LATER))


def test_the_digest_tells_texts_apart_that_only_lie_in_other_fields():
    one, other = replace(SHIFT, location="a", description="b"), replace(SHIFT, location="ab", description="")

    assert digest(one) != digest(other)


@pytest.mark.parametrize(
    ("withdrawn_before_end", "kept_for"),
    [
        pytest.param(timedelta(days=20), timedelta(days=14), id="14-days-after-it-was-withdrawn"),
        pytest.param(timedelta(days=14), timedelta(days=14), id="both-at-once"),
        pytest.param(timedelta(days=3), timedelta(days=3), id="the-end-of-its-shift"),
    ],
)
def test_a_withdrawn_event_stays_until_the_first_of_its_two_ends(withdrawn_before_end, kept_for):
    withdrawn_at = SHIFT.end_at - withdrawn_before_end
    event = revise(replace(stored(), revised_at=withdrawn_at), CANCELLED, at=withdrawn_at)

    assert keeps(event, withdrawn_at)
    assert keeps(event, withdrawn_at + kept_for - timedelta(seconds=1))
    assert not keeps(event, withdrawn_at + kept_for)


def test_what_was_withdrawn_after_its_shift_goes_at_once():
    at = SHIFT.end_at + timedelta(hours=1)

    assert not keeps(revise(stored(), CANCELLED, at=at), at)


def test_what_was_never_served_leaves_no_trace():
    assert not keeps(revise(stored(served=False), CANCELLED, at=LATER), LATER)


def test_what_is_not_withdrawn_is_kept():
    assert keeps(stored(), SHIFT.end_at + timedelta(days=400))
    assert keeps(stored(served=False), GIVEN_OUT)
