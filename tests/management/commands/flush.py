"""Empty the test database after a test with real transactions, lifting the append-only triggers to do so."""

from __future__ import annotations

from typing import Any

from django.core.management.commands.flush import Command as Flush

from jobs.append_only import lifted


class Command(Flush):
    """Django's flush, with the triggers off while it runs."""

    def handle(self, **options: Any) -> None:
        """Empty every table."""
        with lifted(options["database"]):
            super().handle(**options)
