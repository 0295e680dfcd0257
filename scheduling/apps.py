"""The app of crews, holds, plans and feeds."""

from __future__ import annotations

from importlib import import_module

from django.apps import AppConfig


class SchedulingConfig(AppConfig):
    """Registers what can be owed of this app's kinds."""

    name = "scheduling"

    def ready(self) -> None:
        """Load the handlers."""
        import_module("scheduling.tasks")
