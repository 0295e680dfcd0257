"""Make the first manager of an empty firm, and print the link by which that person signs in."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError

from config import clock
from jobs.services.people import add_first_manager, sign_in_link_for


class Command(BaseCommand):
    """`manage.py first_manager NAME EMAIL`."""

    help = "Make the first manager of an empty firm and print a sign-in link."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", help="the person's name")
        parser.add_argument("email", help="the address that links are mailed to")
        parser.add_argument("--firm", default="Our firm", help="the contractor's name (default: %(default)s)")
        parser.add_argument(
            "--time-zone", default="Europe/London", help="the person's time zone (default: %(default)s)"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        now = clock.read()
        try:
            person = add_first_manager(
                name=options["name"],
                email=options["email"],
                firm=options["firm"],
                time_zone=options["time_zone"],
                now=now,
            )
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from error
        self.stdout.write(sign_in_link_for(person, now=now))
