from celery.app.defaults import NAMESPACES, flatten

from config.celery import CONF, TIMETABLE, app

KNOWN = {option[0] for option in flatten(NAMESPACES)}


def test_every_setting_is_one_that_celery_knows():
    # A misspelt name would be ignored without a word.
    assert set(CONF) - KNOWN == set()


def test_every_setting_arrived():
    assert {name: app.conf[name] for name in CONF} == CONF


def test_nothing_is_lost_and_no_long_task_hoards_others():
    assert app.conf.task_acks_late is True
    assert app.conf.task_reject_on_worker_lost is True
    assert app.conf.worker_prefetch_multiplier == 1
    options = app.conf.broker_transport_options
    assert options["visibility_timeout"] == 1800
    assert options["visibility_timeout"] > app.conf.task_time_limit > app.conf.task_soft_time_limit
    assert options["unacked_restore_interval"] * options["unacked_restore_throttle"] == 10
    assert {queue.name for queue in app.conf.task_queues} == {"plan", "notify", "ingest"}


def test_a_periodic_message_ends_before_the_next_one_is_due():
    for entry in TIMETABLE.values():
        assert entry["options"]["expires"] < entry["schedule"]
        assert entry["options"]["queue"] in {"plan", "notify", "ingest"}


def test_every_periodic_task_exists():
    app.loader.import_default_modules()

    assert {entry["task"] for entry in TIMETABLE.values()} - set(app.tasks) == set()
