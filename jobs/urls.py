"""The paths of jobs."""

from __future__ import annotations

from django.urls import URLPattern

app_name = "jobs"
urlpatterns: list[URLPattern] = []
