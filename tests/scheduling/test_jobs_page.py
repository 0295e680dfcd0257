"""What the pages of jobs say in their one large sentence."""

from __future__ import annotations

import pytest

from jobs.models import Job, Room
from scheduling import states
from scheduling.pages.jobs import job_page, jobs_page
from scheduling.printing import plain
from scheduling.services import work
from tests import make
from tests.conftest import NOW

pytestmark = pytest.mark.django_db


def said(answer):
    return plain(answer, zone="Europe/Paris")


def test_a_sentence_begins_with_a_capital_whichever_count_comes_first():
    boss = make.manager()
    begun, held = make.room(), make.room()
    Room.objects.filter(pk=held.pk).update(job=begun.job)
    work.record_began_held(make.envelope(boss, reason="no time"), room=begun, crew=None)
    states.refresh_due(now=NOW)

    assert said(job_page(begun.job, now=NOW).answer) == "One room is started and one is held."
    assert said(job_page(held.job, now=NOW).answer) == "This job has no rooms yet."


def test_the_list_of_jobs_counts_the_rooms_of_all_of_them():
    make.milestone(make.room())
    make.room()
    states.refresh_due(now=NOW)

    # A room that nothing is asked of waits for its substrate alone.
    assert said(jobs_page(Job.objects.all()).answer) == "2 rooms are held."


def test_without_a_job_or_an_open_room_it_says_so():
    assert said(jobs_page(Job.objects.all()).answer) == "No job is yours to see."
    make.job()
    assert said(jobs_page(Job.objects.all()).answer) == "No room is open."
