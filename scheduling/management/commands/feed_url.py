"""Print a further secret address of a crew's calendar, for the operator at the keyboard."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from config import clock
from scheduling.feeds import new_feed_secret
from scheduling.models import Crew


class Command(BaseCommand):
    """`manage.py feed_url CREW` or `--list`."""

    help = "Print a further calendar address of a crew; none is ended by it.  --list prints the crews."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("crew", nargs="?", help="the crew's name")
        parser.add_argument("--list", action="store_true", help="the names, one a line")

    def handle(self, *args: Any, **options: Any) -> None:
        crews = Crew.objects.filter(closed_at__isnull=True)
        if options["list"]:
            for name in crews.order_by("name").values_list("name", flat=True):
                self.stdout.write(name)
            return
        if not options["crew"]:
            raise CommandError("Name a crew, or ask for --list.")
        crew = crews.filter(name__iexact=options["crew"]).first()
        if crew is None:
            raise CommandError(f"There is no crew called “{options['crew']}”; --list prints them.")
        self.stdout.write(new_feed_secret(crew, person=None, now=clock.read()))
