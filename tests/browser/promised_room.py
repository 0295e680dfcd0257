"""A program for tests: rows of a promised room, written beside a running service: `python -m … owing|ending`.

`owing`: three managers are owed word of two rooms begun while held.  `ending`: a room is fit to send and released
by a waiver that ends within seconds; prints as JSON when, and where it can be looked at.
"""

from __future__ import annotations

import json
import sys
from datetime import timedelta

import django

django.setup()

from config import clock  # noqa: E402
from jobs.models import Person, Room  # noqa: E402
from jobs.services import seen  # noqa: E402
from jobs.services.people import sign_in_link_for  # noqa: E402
from materials.models import Placement  # noqa: E402
from materials.services import deliveries  # noqa: E402
from scheduling.feeds import new_feed_secret  # noqa: E402
from scheduling.models import Crew, HoldName  # noqa: E402
from scheduling.services import crews, handling, work  # noqa: E402
from tests import make  # noqa: E402

HOUR = timedelta(hours=1)
EVERY_DAY = {day: [["06:00", "18:00"]] for day in ("mon", "tue", "wed", "thu", "fri", "sat", "sun")}
#: Time to look at the room before its waiver ends.
LASTS = timedelta(seconds=6)


def main(what: str) -> None:
    # Names and ids are counted within a process; this one must not repeat those of another.
    make._Count.value = 1000 * int(clock.read().timestamp())
    {"owing": owing, "ending": ending}[what]()


def owing() -> None:
    for _ in range(3):
        make.manager()
    lead = make.crew_lead()
    for room in (make.room(), make.room()):
        now = clock.read()
        reason = "The agent asked for it."
        work.record_began_held(make.envelope(lead, now=now, reason=reason), room=room, crew=None)


def ending() -> None:
    boss = Person.objects.filter(is_manager=True).order_by("pk").first() or make.manager()
    room, crew = promised(boss)
    stand(boss, room)
    now = clock.read()
    until = now + LASTS
    signed = make.envelope(boss, now=now, reason="Checked by the maker's fitter.")
    work.waive_hold(signed, room=room, hold=HoldName.SUBSTRATE, until_at=until)
    print(
        json.dumps(
            {
                "until": until.timestamp(),
                "room": room.pk,
                "job": room.job_id,
                "feed": new_feed_secret(crew, person=boss, now=now),
                "link": sign_in_link_for(boss, now=now),
            }
        )
    )


def promised(boss: Person) -> tuple[Room, Crew]:
    """Make a room that a crew is to set tomorrow."""
    now = clock.read()
    room = make.room(zone=make.zone(job=make.job(site=make.site(week=EVERY_DAY))))
    crew = make.crew(now=now, week=EVERY_DAY)
    tomorrow = now.date() + timedelta(days=2)
    crews.give_day(make.envelope(boss, now=now), room=room, crew=crew, first_on=tomorrow)
    return room, crew


def stand(boss: Person, room: Room) -> None:
    """Bring four inspected sheets that ask for no rest, and air that is right."""
    now = clock.read()
    sheet = make.sheet(rest_required_s=0)
    make.requirement(room, sheet, 4)
    came = [deliveries.PlacedLine(sheet, "A1", 4, room)]
    deliveries.record_arrival(make.envelope(boss, now=now, ago=HOUR), zone=room.zone, lines=came)
    placement = Placement.objects.get(room=room)
    looked = make.envelope(boss, now=now)
    handling.inspect(looked, placement=placement, inspected=4, rejects={}, mark_seen=True)
    read = make.envelope(boss, now=now)
    seen.record_reading(read, zone=room.zone, temperature=21, unit="c", humidity_pct=45)


if __name__ == "__main__":
    main(sys.argv[1])
