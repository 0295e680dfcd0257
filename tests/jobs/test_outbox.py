import uuid
from datetime import timedelta

import pytest
from django.db import transaction
from kombu.exceptions import OperationalError

from config.celery import app
from jobs import outbox
from jobs.models import Firm, Outbox

State = Outbox.State
pytestmark = pytest.mark.django_db


def seconds(number):
    return timedelta(seconds=number)


def only_row():
    return Outbox.objects.get()


def make_firm(owed, *, now):
    Firm.objects.create(name=owed.payload["name"], kind=Firm.Kind.SUPPLIER)


@pytest.fixture(autouse=True)
def _kinds(monkeypatch):
    """Register the kinds of these tests, and take them off again."""
    monkeypatch.setattr(outbox, "HANDLERS", dict(outbox.HANDLERS))
    outbox.handler("make_firm", queue="ingest")(make_firm)


@pytest.fixture
def sent(monkeypatch):
    """Stand in for the broker, and keep what is sent."""
    messages = []
    monkeypatch.setattr(
        app, "send_task", lambda name, args, queue, **more: messages.append((name, args[0], queue))
    )
    return messages


def test_what_is_owed_is_written_with_the_fact_and_sent_only_when_that_is_there(
    sent, now, django_capture_on_commit_callbacks
):
    with django_capture_on_commit_callbacks(execute=True):
        outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")
        assert sent == []

    row = only_row()
    assert sent == [("jobs.tasks.work_owed", str(row.pk), "ingest")]
    assert (row.state, row.attempts, row.payload) == (State.WAITING, 0, {"name": "Aldgate"})
    assert row.pk.version == 7


def test_what_is_owed_unsent_waits_for_the_sweep(sent, now, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True), outbox.unsent():
        outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")

    assert sent == []
    assert outbox.sweep(now=now) == 1
    assert sent == [("jobs.tasks.work_owed", str(only_row().pk), "ingest")]


def test_after_an_unsent_stretch_messages_are_sent_again(sent, now, django_capture_on_commit_callbacks):
    with pytest.raises(LookupError), outbox.unsent():
        outbox.owe("nobody's", key="firm/1", now=now)
    with django_capture_on_commit_callbacks(execute=True):
        outbox.owe("make_firm", key="firm/2", now=now, name="Aldgate")

    assert len(sent) == 1


def test_what_is_rolled_back_is_not_owed(sent, now, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True), transaction.atomic():
        outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")
        transaction.set_rollback(True)

    assert sent == []
    assert not Outbox.objects.exists()


def test_the_same_key_is_owed_once(now):
    outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")
    outbox.owe("make_firm", key="firm/1", now=now + seconds(5), name="Birch")

    assert only_row().payload == {"name": "Aldgate"}


def test_what_nobody_works_cannot_be_owed(now):
    with pytest.raises(LookupError, match="'ring_bell'"):
        outbox.owe("ring_bell", key="1", now=now)


def test_the_work_is_done_once_however_many_messages_arrive(now):
    outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")

    for _ in range(3):
        outbox.work(only_row().pk, now=now + seconds(1))
    outbox.work(uuid.uuid4(), now=now)  # a message whose row is not there

    assert Firm.objects.count() == 1
    row = only_row()
    assert (row.state, row.attempts, row.done_at) == (State.DONE, 1, now + seconds(1))
    assert row.payload == {}


def test_with_the_broker_away_the_fact_stands_and_the_row_waits_unsent(
    now, monkeypatch, caplog, django_capture_on_commit_callbacks
):
    def away(*arguments, **more):
        raise OperationalError("connection refused")

    monkeypatch.setattr(app, "send_task", away)

    with django_capture_on_commit_callbacks(execute=True):
        outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")

    assert (only_row().state, only_row().sent_at) == (State.WAITING, None)
    assert "the broker is away" in caplog.text


def test_any_other_fault_in_sending_is_not_swallowed(now, monkeypatch, django_capture_on_commit_callbacks):
    def broken(*arguments, **more):
        raise TypeError("a fault of ours")

    monkeypatch.setattr(app, "send_task", broken)

    with pytest.raises(TypeError, match="a fault of ours"), django_capture_on_commit_callbacks(execute=True):
        outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")


def test_the_sweep_sends_the_unsent_at_once_and_the_lost_after_a_while(sent, now):
    outbox.owe("make_firm", key="unsent", now=now, name="A")
    outbox.owe("make_firm", key="lost", now=now, name="B")
    Outbox.objects.filter(key="unsent").update(sent_at=None)

    assert outbox.sweep(now=now + seconds(29)) == 1
    assert outbox.sweep(now=now + seconds(30)) == 1
    assert outbox.sweep(now=now + seconds(31)) == 0

    keys = [Outbox.objects.get(pk=pk).key for _, pk, _ in sent]
    assert keys == ["unsent", "lost"]
    assert outbox.last_sweep() == now + seconds(31)


def test_one_sweep_does_not_make_a_long_queue_longer_without_end(sent, now, monkeypatch):
    monkeypatch.setattr(outbox, "SWEEP_AT_MOST", 3)
    for number in range(5):
        outbox.owe("make_firm", key=str(number), now=now, name=str(number))

    swept = [outbox.sweep(now=now + seconds(after)) for after in (40, 45, 50)]

    assert swept == [3, 2, 0]


def killed(owed, *, now):
    # What SIGKILL leaves: the attempt was counted, the rest never ran.
    raise KeyboardInterrupt


def test_a_worker_killed_in_mid_task_is_followed_by_the_next_after_the_lease(sent, now):
    outbox.handler("make_firm")(killed)
    outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")
    with pytest.raises(KeyboardInterrupt):
        outbox.work(only_row().pk, now=now)
    assert (only_row().state, only_row().attempts) == (State.RUNNING, 1)
    outbox.handler("make_firm")(make_firm)

    outbox.work(
        only_row().pk, now=now + seconds(24)
    )  # the same message again, while the first may still live
    assert not Firm.objects.exists()
    assert outbox.sweep(now=now + seconds(30)) == 1
    outbox.work(only_row().pk, now=now + seconds(30))

    assert Firm.objects.count() == 1
    assert (only_row().state, only_row().attempts) == (State.DONE, 2)


def test_work_that_kills_its_worker_every_time_is_parked(sent, now, caplog):
    outbox.handler("make_firm")(killed)
    outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")

    for attempt in range(5):
        with pytest.raises(KeyboardInterrupt):
            outbox.work(only_row().pk, now=now + attempt * seconds(30))
    assert outbox.sweep(now=now + seconds(150)) == 1
    outbox.work(only_row().pk, now=now + seconds(150))

    assert (only_row().state, only_row().attempts) == (State.PARKED, 5)
    assert outbox.sweep(now=now + timedelta(days=1)) == 0
    assert "is parked" in caplog.text


def test_a_failed_attempt_leaves_nothing_behind_and_waits_longer_each_time(now):
    def half(owed, *, now):
        make_firm(owed, now=now)
        raise ValueError("the second half failed")

    outbox.handler("make_firm")(half)
    outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")

    at, pauses = now, []
    for _ in range(4):
        with pytest.raises(ValueError, match="second half"):
            outbox.work(only_row().pk, now=at)
        pauses.append(only_row().due_at - at)
        assert only_row().state == State.WAITING
        at = only_row().due_at
    with pytest.raises(ValueError, match="second half"):
        outbox.work(only_row().pk, now=at)

    assert pauses == [seconds(30), timedelta(minutes=2), timedelta(minutes=10), timedelta(minutes=30)]
    assert only_row().state == State.PARKED
    assert only_row().last_error == "ValueError: the second half failed"
    assert not Firm.objects.exists()


def test_a_failed_row_is_left_alone_until_its_pause_is_over(sent, now):
    outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")
    Outbox.objects.update(due_at=now + seconds(30), sent_at=None, attempts=1)

    outbox.work(only_row().pk, now=now + seconds(24))  # beyond what two clocks may differ by

    assert not Firm.objects.exists()
    assert outbox.sweep(now=now + seconds(29)) == 0
    assert outbox.sweep(now=now + seconds(30)) == 1


def test_a_late_attempt_that_was_taken_over_has_no_effect(now, caplog):
    def slow(owed, *, now):
        # While this one computes, its lease runs out and another worker does the work.
        outbox.errand("make_firm")(lambda owed, *, now: lambda: make_firm(owed, now=now))
        outbox.work(owed.id, now=now + seconds(30))
        return lambda: make_firm(owed, now=now)

    outbox.errand("make_firm")(slow)
    outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")

    outbox.work(only_row().pk, now=now)

    assert Firm.objects.count() == 1
    assert (only_row().state, only_row().attempts) == (State.DONE, 2)
    assert "taken over" in caplog.text


def test_an_errand_runs_outside_the_transaction_that_writes_what_came_of_it(now):
    depths = []

    def fetch(owed, *, now):
        depths.append(len(transaction.get_connection().savepoint_ids))
        return lambda: depths.append(len(transaction.get_connection().savepoint_ids))

    outbox.errand("make_firm")(fetch)
    outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")

    outbox.work(only_row().pk, now=now)

    assert depths[1] == depths[0] + 1


def test_what_was_given_up_can_be_tried_again(sent, now):
    outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")
    Outbox.objects.update(state=State.PARKED, attempts=5)

    assert list(outbox.parked()) == [only_row()]
    assert outbox.try_again(only_row().pk, now=now + seconds(60))
    assert not outbox.try_again(only_row().pk, now=now + seconds(60))
    assert outbox.sweep(now=now + seconds(60)) == 1
    outbox.work(only_row().pk, now=now + seconds(60))

    assert Firm.objects.count() == 1


def test_what_was_done_is_kept_for_thirty_days(now):
    outbox.owe("make_firm", key="firm/1", now=now, name="Aldgate")
    outbox.work(only_row().pk, now=now)

    assert outbox.prune(now=now + timedelta(days=30)) == 0
    assert outbox.prune(now=now + timedelta(days=30, seconds=1)) == 1
