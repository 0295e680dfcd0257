"""Which app answers which path; the apps name their own."""

from __future__ import annotations

from django.urls import include, path

from config import health

urlpatterns = [
    path("livez", health.livez, name="livez"),
    path("readyz", health.readyz, name="readyz"),
    path("", include("jobs.urls")),
    path("", include("materials.urls")),
    path("", include("scheduling.urls")),
]
