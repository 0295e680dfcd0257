from datetime import timedelta

import pytest

from config import clock, health
from jobs import outbox
from jobs.models import Outbox
from jobs.models.outbox import Pulse

pytestmark = pytest.mark.django_db


def row(key, **fields):
    now = clock.read()
    return Outbox.objects.create(
        id=outbox.uuid7(now=now), kind="k", key=key, due_at=now, **{"owed_at": now, **fields}
    )


def test_with_no_broker_the_service_is_not_ready_and_says_which_part(client, settings, tmp_path):
    settings.REDIS_URL = f"unix://{tmp_path}/nobody.sock"

    answer = client.get("/readyz")

    assert answer.status_code == 503
    assert answer.json()["database"] == answer.json()["migrations"] == answer.json()["outbox"] == "ok"
    assert answer.json()["broker"].startswith("does not answer")


def test_what_was_given_up_makes_the_service_not_ready(now):
    assert health.owed(now=now) == "ok"

    row("one", state=Outbox.State.PARKED)

    assert health.owed(now=now) == "1 given up"


@pytest.mark.parametrize(("waits_s", "says"), [(300, "ok"), (301, "oldest waits for 301 s")])
def test_what_is_owed_may_wait_five_minutes(now, waits_s, says):
    row("one", owed_at=now - timedelta(seconds=waits_s))
    row("two", owed_at=now - timedelta(hours=1), state=Outbox.State.DONE, done_at=now)

    assert health.owed(now=now) == says


def test_the_timetable_may_be_silent_for_three_minutes(now):
    assert health.beat(now=now) == "not yet"

    Pulse.objects.create(name=outbox.SWEEP, beat_at=now)

    assert health.beat(now=now + timedelta(seconds=180)) == "ok"
    assert health.beat(now=now + timedelta(seconds=181)) == "silent for 181 s"
