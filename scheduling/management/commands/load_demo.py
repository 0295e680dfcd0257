"""Load the demo into an empty database; `make run` does so on its first start."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from config import clock
from scheduling import demo


class Command(BaseCommand):
    """`manage.py load_demo`."""

    help = "Load the invented contractor of fixtures/demo, with dates relative to the present."

    def handle(self, **options: Any) -> None:
        try:
            demo.load(now=clock.read())
        except demo.NotEmpty as error:
            raise CommandError(
                "There is a firm already; the demo is loaded into an empty database only."
            ) from error
