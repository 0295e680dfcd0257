#!/usr/bin/env python
"""Setday's commands: `python manage.py help` lists them."""

from __future__ import annotations

import os
import sys

#: Commands that compute from one file: they need no database and no secret, and make no data folder.
ALONE = {"work_case", "read_logger"}


def main() -> None:
    """Run the command named on the command line."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    if sys.argv[1:2] and sys.argv[1] in ALONE:
        for name in ("DATABASE_URL", "REDIS_URL", "EMAIL_URL", "SETDAY_HOSTS"):
            os.environ.pop(name, None)
        os.environ["SETDAY_SECRET"] = "signs nothing"

    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
