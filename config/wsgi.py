"""What the web server calls."""

from __future__ import annotations

import os

from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

application = get_wsgi_application()

# Load every page's code before the first visitor comes: what cannot be loaded must not begin to serve.
_ = get_resolver().url_patterns
