"""The paths of materials."""

from __future__ import annotations

from django.urls import URLPattern

app_name = "materials"
urlpatterns: list[URLPattern] = []
