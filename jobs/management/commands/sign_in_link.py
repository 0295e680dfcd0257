"""Print a link by which a person signs in, for the operator at the keyboard."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db.models import Q

from config import clock
from jobs.models import Person
from jobs.services.people import sign_in_link_for


class Command(BaseCommand):
    """`manage.py sign_in_link PERSON` or `--list`."""

    help = "Print a sign-in link of a person, named by name or e-mail address; --list prints who there is."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("person", nargs="?", help="name or e-mail address")
        parser.add_argument(
            "--list", action="store_true", help="name, role and firm, one a line, tab-separated"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        if options["list"]:
            for person in Person.objects.filter(is_active=True).select_related("firm").order_by("name"):
                roles = ", ".join(str(role.label) for role in sorted(person.roles))
                self.stdout.write(f"{person.name}\t{roles}\t{person.firm}")
            return
        if not options["person"]:
            raise CommandError("Name a person, or ask for --list.")
        self.stdout.write(sign_in_link_for(_named(options["person"]), now=clock.read()))


def _named(word: str) -> Person:
    """Return the active person of this name or address.

    Raises:
        CommandError: there is none, or the name fits several.
    """
    found = list(Person.objects.filter(Q(name__iexact=word) | Q(email__iexact=word), is_active=True))
    if not found:
        raise CommandError(f"There is nobody called “{word}”; --list prints who there is.")
    if len(found) > 1:
        raise CommandError(f"“{word}” fits several; name one by e-mail: {', '.join(p.email for p in found)}.")
    return found[0]
