"""The app of what a room needs and what has come."""

from __future__ import annotations

from importlib import import_module

from django.apps import AppConfig


class MaterialsConfig(AppConfig):
    """Registers what can be owed of this app's kinds."""

    name = "materials"

    def ready(self) -> None:
        """Load the handlers."""
        import_module("materials.tasks")
