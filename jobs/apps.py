"""The app of sites, rooms and what was seen there."""

from __future__ import annotations

from importlib import import_module

from django.apps import AppConfig
from django.db.models.signals import post_migrate


class JobsConfig(AppConfig):
    """Lays the append-only triggers after each migrate and knows what can be owed."""

    name = "jobs"

    def ready(self) -> None:
        """Connect the one signal there is, Django's own, and register this app's handlers."""
        from jobs.append_only import lay_after_migrate

        post_migrate.connect(lay_after_migrate, sender=self, dispatch_uid="append_only")
        import_module("jobs.tasks")
