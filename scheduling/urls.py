"""The paths of scheduling."""

from __future__ import annotations

from django.urls import URLPattern

app_name = "scheduling"
urlpatterns: list[URLPattern] = []
