"""The database refuses to change a fact, whoever asks and whatever a migration did to the table before."""

from datetime import UTC, datetime

import pytest
from django.core.management import call_command
from django.db import IntegrityError, connection, models, transaction

from jobs import append_only
from jobs.models import Change
from jobs.models.envelope import Fact

NOW = datetime(2026, 6, 10, 9, 0, tzinfo=UTC)
TABLE = Change._meta.db_table

REFUSED = [
    f"UPDATE {TABLE} SET reason = 'tidied up'",
    f"UPDATE {TABLE} SET id = id",
    f"DELETE FROM {TABLE}",
]
ONLY_SQLITE = [
    f"INSERT OR REPLACE INTO {TABLE} SELECT * FROM {TABLE}",
    f"UPDATE OR IGNORE {TABLE} SET reason = ''",
]
ONLY_POSTGRESQL = [f"TRUNCATE {TABLE}", f"TRUNCATE {TABLE} CASCADE"]


def store_one():
    kept = Change.objects.create(record="jobs.room", record_pk="1", at=NOW, before={}, after={"name": "2.14"})
    connection.check_constraints()  # else PostgreSQL refuses to truncate for another reason
    return kept


def run(statement):
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement)


def everything_is_refused():
    for statement in [*REFUSED, *(ONLY_SQLITE if connection.vendor == "sqlite" else ONLY_POSTGRESQL)]:
        with pytest.raises(IntegrityError, match="append-only"):
            run(statement)
    return True


def triggers():
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT tbl_name, name FROM sqlite_master WHERE type = 'trigger'")
        else:
            cursor.execute("SELECT tgrelid::regclass::text, tgname FROM pg_trigger WHERE NOT tgisinternal")
        return set(cursor.fetchall())


@pytest.mark.django_db
def test_raw_sql_cannot_change_or_remove_what_is_recorded():
    kept = store_one()

    assert everything_is_refused()

    assert Change.objects.get() == kept


@pytest.mark.django_db
def test_the_orm_cannot_either():
    kept = store_one()

    for act in (
        kept.save,
        kept.delete,
        Change.objects.all().delete,
        lambda: Change.objects.update(reason="x"),
    ):
        with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
            act()


@pytest.mark.django_db
def test_every_kind_of_fact_and_what_belongs_to_it_is_in_the_registry():
    from django.apps import apps

    facts = {model._meta.db_table for model in apps.get_models() if issubclass(model, Fact)}

    assert facts
    assert facts - set(append_only.tables()) == set()
    guarded = {table for table, _ in triggers()}
    assert set(append_only.tables()) - guarded == set()


@pytest.mark.django_db
def test_a_history_that_others_point_at_grows_all_the_same():
    store_one()
    store_one()

    assert Change.objects.count() == 2


@pytest.mark.django_db(transaction=True)
def test_a_migration_that_alters_the_table_does_not_open_it():
    store_one()
    narrow, wide = Change._meta.get_field("reason"), models.CharField(max_length=900, blank=True)
    wide.set_attributes_from_name("reason")
    wide.model = Change

    gone = []

    def alter(old, new):
        with connection.schema_editor() as editor:
            editor.alter_field(Change, old, new, strict=True)
        gone.append(TABLE not in {table for table, _ in triggers()})
        call_command("migrate", verbosity=0)  # what ends every migration: Django's post_migrate

    alter(narrow, wide)
    try:
        assert everything_is_refused()
        # Else this test would show nothing: SQLite lost them when the table was rebuilt.
        assert gone == [connection.vendor == "sqlite"]
    finally:
        alter(wide, narrow)
    assert everything_is_refused()


@pytest.mark.django_db
def test_laying_twice_is_as_once():
    before = triggers()

    append_only.lay()

    assert triggers() == before
    assert before


@pytest.mark.django_db
def test_they_are_off_only_while_a_migration_asks_for_it():
    store_one()

    with append_only.lifted():
        run(REFUSED[0])

    assert Change.objects.get().reason == "tidied up"
    assert everything_is_refused()


@pytest.mark.django_db
def test_they_are_laid_again_even_if_that_migration_fails():
    with pytest.raises(ZeroDivisionError), append_only.lifted():
        1 / 0  # noqa: B018
    store_one()

    assert everything_is_refused()


@pytest.mark.django_db
def test_a_table_can_have_a_further_rule_of_its_own(monkeypatch):
    monkeypatch.setattr(append_only, "_guards", list(append_only._guards))
    append_only.guard(
        Change,
        "change_says_what_it_was",
        before="INSERT",
        refuse_when="NEW.record = '' OR NOT EXISTS (SELECT 1 WHERE NEW.record_pk <> '')",
        message="a change names its record",
    )
    append_only.lay()

    for record, pk in (("", "1"), ("jobs.room", "")):
        with pytest.raises(IntegrityError, match="a change names its record"), transaction.atomic():
            Change.objects.create(record=record, record_pk=pk, at=NOW, before={}, after={})
    store_one()

    assert Change.objects.count() == 1
    append_only.lift()
    assert not any(name == "change_says_what_it_was" for _, name in triggers())
    append_only.lay()
