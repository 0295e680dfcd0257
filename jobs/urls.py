"""The paths of jobs: signing in and out."""

from __future__ import annotations

from django.urls import URLPattern, path

from jobs import views

app_name = "jobs"
urlpatterns: list[URLPattern] = [
    path("sign-in/", views.sign_in, name="sign_in"),
    path("sign-in/<str:secret>/", views.sign_in_by_link, name="sign_in_by_link"),
    path("sign-out/", views.sign_out, name="sign_out"),
]
