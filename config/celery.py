"""The Celery app and the timetable of periodic tasks: work is handed out at least once, none is lost."""

from __future__ import annotations

import os
from datetime import UTC, datetime

from celery import Celery
from django.conf import settings
from kombu import Queue

from config.environment import QUEUES, celery_broker

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

#: Makes an entry due as soon as beat starts: what was left undone does not wait for its period as well.
AT_ONCE = datetime(2000, 1, 1, tzinfo=UTC)

#: Each entry ends before the next is due, so that nothing piles up behind a pause.
TIMETABLE = {
    "send again what is owed and lost": {
        "task": "jobs.tasks.sweep",
        "schedule": 30.0,
        "last_run_at": AT_ONCE,
        "options": {"queue": "notify", "expires": 25},
    },
    "refresh what time alone has changed": {
        "task": "scheduling.tasks.refresh_due",
        "schedule": 60.0,
        "last_run_at": AT_ONCE,
        "options": {"queue": "ingest", "expires": 50},
    },
    "throw away what is over": {
        "task": "jobs.tasks.prune",
        "schedule": 3600.0,
        "last_run_at": AT_ONCE,
        "options": {"queue": "ingest", "expires": 3000},
    },
}

CONF = {
    "broker_url": celery_broker(settings.REDIS_URL),
    "broker_connection_retry_on_startup": True,
    "broker_transport_options": {
        # Beyond the longest task's limit: a shorter one would hand out work that is still running.
        "visibility_timeout": 1800,
        # Look for lost messages every 10 s; by default it is every 100.
        "unacked_restore_interval": 10,
        "unacked_restore_throttle": 1,
        # Without a timeout a send on a dead link waits for ever.
        "socket_timeout": 30,
        "health_check_interval": 25,
    },
    "task_acks_late": True,
    "task_reject_on_worker_lost": True,
    "task_ignore_result": True,
    "task_time_limit": 600,
    "task_soft_time_limit": 570,
    "task_queues": [Queue(name) for name in QUEUES],
    "task_default_queue": "notify",
    "task_serializer": "json",
    "accept_content": ["json"],
    "worker_prefetch_multiplier": 1,
    "worker_hijack_root_logger": False,
    "worker_send_task_events": False,
    "timezone": "UTC",
    "enable_utc": True,
    # In memory: every entry is a short period, so there is nothing to remember and no file to break.
    "beat_scheduler": "celery.beat:Scheduler",
    "beat_schedule": TIMETABLE,
}

app = Celery("setday")
app.conf.update(CONF)
app.autodiscover_tasks()
