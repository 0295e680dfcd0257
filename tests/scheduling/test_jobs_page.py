"""What the pages of jobs say in their one large sentence."""

from __future__ import annotations

import re

import pytest
from django.urls import reverse

from jobs.models import Job, Room
from scheduling import states
from scheduling.core.holds import Act
from scheduling.pages.jobs import job_page, jobs_page
from scheduling.pages.room import act_url, rights_of
from scheduling.printing import plain
from scheduling.services import crews, work
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

    assert said(job_page(begun.job, boss, now=NOW).answer) == "One room is started and one is held."
    assert said(job_page(held.job, boss, now=NOW).answer) == "This job has no rooms yet."


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


def test_a_next_act_is_a_link_only_for_whom_it_is_open_to():
    boss, lead = make.manager(), make.crew_lead()
    room = make.room()
    make.requirement(room, make.sheet(), 4)
    crew = make.crew(lead)
    crews.attach_crew(crew, room.job, now=NOW)
    states.refresh_due(now=NOW)

    def links(person):
        rights = rights_of(person, may_record=person.is_manager, may_record_site=True)
        return {act: act_url(act, room, rights=rights) is not None for act in Act}

    # Worked by hand from what each act asks: an order is the manager's, prep that of the room's own crew.
    assert links(boss)[Act.ORDER_SHEETS]
    assert not links(lead)[Act.ORDER_SHEETS]
    assert links(boss)[Act.PASS_PREP]
    assert not links(lead)[Act.PASS_PREP]
    assert links(lead)[Act.LOG_READING]
    assert [line.next_url for line in job_page(room.job, lead, now=NOW).rooms] == [None]
    assert job_page(room.job, boss, now=NOW).rooms[0].next_url == reverse(
        "scheduling:act", args=["rooms", room.pk, "prep"]
    )


@pytest.mark.parametrize(("who", "inspects"), [("boss", True), ("lead", True), ("helper", False)])
def test_the_stock_of_a_site_links_only_to_acts_that_are_open_to_the_reader(world, who, inspects):
    client = world.client(who)

    page = client.get(reverse("scheduling:stock", args=[world.job.pk])).content.decode()

    links = re.findall(r'href="(/placements/[^"]+)"', page)
    assert links
    assert {link: client.get(link).status_code for link in links} == dict.fromkeys(links, 200)
    # Worked by hand: the helper's crew is attached to the job, and sees it, but none of these rooms is theirs.
    assert any(link.endswith("/inspect/") for link in links) is inspects
