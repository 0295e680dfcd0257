"""Two workers at one row, with real transactions on both databases."""

from datetime import UTC, datetime
from threading import Barrier, Thread

import pytest
from django.db import connection

from jobs import outbox
from jobs.models import Firm, Outbox

NOW = datetime(2026, 6, 10, 9, 0, tzinfo=UTC)
WORKERS = 6


@pytest.mark.django_db(transaction=True)
def test_many_workers_with_the_same_message_do_the_work_once(monkeypatch):
    def make_firm(owed, *, now):
        Firm.objects.create(name=owed.payload["name"], kind=Firm.Kind.SUPPLIER)

    monkeypatch.setattr(outbox, "HANDLERS", dict(outbox.HANDLERS))
    outbox.handler("make_firm")(make_firm)
    together = Barrier(WORKERS)
    faults = []

    for number in range(5):
        outbox.owe("make_firm", key=f"firm/{number}", now=NOW, name=f"Firm {number}")
    keys = list(Outbox.objects.values_list("pk", flat=True))

    def worker():
        together.wait()
        try:
            for key in keys:
                outbox.work(key, now=NOW)
        except Exception as fault:
            faults.append(fault)
            raise
        finally:
            connection.close()

    threads = [Thread(target=worker) for _ in range(WORKERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert faults == []
    assert Firm.objects.count() == len(keys) == 5
    assert list(Outbox.objects.values_list("state", "attempts").distinct()) == [(Outbox.State.DONE, 1)]
