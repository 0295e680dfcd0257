"""What every process of the service sets when it starts."""

from __future__ import annotations

import gc

from django.apps import AppConfig

#: New objects before the collector of cycles looks again; Python's own 700 are one row of a page.
COLLECT_EVERY = 20_000


class Config(AppConfig):
    """The wiring, as Django knows it."""

    name = "config"

    def ready(self) -> None:
        """Have cycles looked for less often: rows and sentences have none, and walking them was a fifth of the work."""
        gc.set_threshold(COLLECT_EVERY, 10, 10)
