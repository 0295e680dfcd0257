"""Tables that only ever grow: the database itself refuses UPDATE and DELETE on them, whoever asks.

Django drops a SQLite table's triggers without a word when a migration rebuilds the table, so no migration
lays them: they are laid from this one registry after every `migrate`, and again by whoever lifted them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

from django.db import DEFAULT_DB_ALIAS, connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Model

AnyModel = TypeVar("AnyModel", bound=type[Model])

_models: list[type[Model]] = []
_guards: list[Guard] = []


@dataclass(frozen=True, slots=True)
class Guard:
    """A rule on one table: what is refused before an `event` ("INSERT", "UPDATE" or "DELETE").

    `refuse_when` is an SQL condition on NEW and OLD that both databases read.
    """

    model: type[Model]
    name: str
    event: str
    refuse_when: str
    message: str

    @property
    def table(self) -> str:
        """The table it stands on."""
        return self.model._meta.db_table


def append_only(model: AnyModel) -> AnyModel:
    """Enter a model, and the tables of its many-to-many fields, into the registry."""
    _models.append(model)
    return model


def guard(model: type[Model], name: str, *, before: str, refuse_when: str, message: str) -> None:
    """Enter a further rule for a table, such as that a start names the release it rests on.

    Args:
        model: whose table.
        name: unique among all guards; lower case and underscores.
        before: "INSERT", "UPDATE" or "DELETE".
        refuse_when: SQL condition on NEW and OLD; what makes it true is refused with an IntegrityError.
        message: what the error says; no quotes and no percent sign.
    """
    _guards.append(Guard(model, name, before, refuse_when, message))


def tables() -> list[str]:
    """Return the tables that only grow, without repeats."""
    found: dict[str, None] = {}
    for model in _models:
        found[model._meta.db_table] = None
        for field in model._meta.local_many_to_many:
            through = field.remote_field.through
            if through is not None and through._meta.auto_created:
                found[through._meta.db_table] = None
    return list(found)


def lay(using: str = DEFAULT_DB_ALIAS) -> None:
    """Lay every trigger anew on the tables that exist; twice is as once."""
    connection = _settled(using)
    present = set(connection.introspection.table_names())
    statements = [line for table in tables() if table in present for line in _growing(connection, table)]
    statements += [line for rule in _guards if rule.table in present for line in _guarding(connection, rule)]
    with connection.cursor() as cursor:
        if statements and connection.vendor == "postgresql":
            cursor.execute(_REFUSE_FUNCTION)
        for statement in statements:
            cursor.execute(statement)


def lift(using: str = DEFAULT_DB_ALIAS) -> None:
    """Take the triggers off again."""
    connection = _settled(using)
    present = set(connection.introspection.table_names())
    with connection.cursor() as cursor:
        for table in tables():
            if table in present:
                for name in _names(connection, table):
                    cursor.execute(_dropping(connection, name, table))
        for rule in _guards:
            if rule.table in present:
                cursor.execute(_dropping(connection, rule.name, rule.table))


@contextmanager
def lifted(using: str = DEFAULT_DB_ALIAS) -> Iterator[None]:
    """Work without the triggers: for a migration that moves data, and for the tests' flush."""
    lift(using)
    try:
        yield
    finally:
        # In a transaction that is lost already, its rollback brings them back.
        if not connections[using].needs_rollback:
            lay(using)


def lay_after_migrate(using: str, **rest: Any) -> None:
    """Receive Django's `post_migrate`."""
    lay(using)


def _settled(using: str) -> BaseDatabaseWrapper:
    connection = connections[using]
    if connection.vendor == "postgresql" and connection.in_atomic_block:
        # PostgreSQL alters no table while foreign keys of this transaction are still to be checked.
        connection.check_constraints()
    return connection


_REFUSE_FUNCTION = """
CREATE OR REPLACE FUNCTION setday_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only: a later fact corrects an earlier one', TG_TABLE_NAME
        USING ERRCODE = 'integrity_constraint_violation';
END $$
"""


def _names(connection: BaseDatabaseWrapper, table: str) -> list[str]:
    if connection.vendor == "postgresql":
        return ["append_only_rows", "append_only_truncate"]
    return [f"append_only_update_{table}", f"append_only_delete_{table}"]


def _growing(connection: BaseDatabaseWrapper, table: str) -> list[str]:
    first, second = _names(connection, table)
    drops = [_dropping(connection, name, table) for name in (first, second)]
    if connection.vendor == "postgresql":
        calls = "EXECUTE FUNCTION setday_append_only()"
        return [
            *drops,
            f'CREATE TRIGGER {first} BEFORE UPDATE OR DELETE ON "{table}" FOR EACH ROW {calls}',
            f'CREATE TRIGGER {second} BEFORE TRUNCATE ON "{table}" FOR EACH STATEMENT {calls}',
        ]
    refuses = (
        f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: a later fact corrects an earlier one'); END"
    )
    return [
        *drops,
        f'CREATE TRIGGER "{first}" BEFORE UPDATE ON "{table}" {refuses}',
        f'CREATE TRIGGER "{second}" BEFORE DELETE ON "{table}" {refuses}',
    ]


def _guarding(connection: BaseDatabaseWrapper, rule: Guard) -> list[str]:
    drop = _dropping(connection, rule.name, rule.table)
    if connection.vendor == "postgresql":
        row = "OLD" if rule.event == "DELETE" else "NEW"
        return [
            drop,
            f"CREATE OR REPLACE FUNCTION setday_{rule.name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
            f" IF {rule.refuse_when} THEN RAISE EXCEPTION '{rule.message}'"
            f" USING ERRCODE = 'integrity_constraint_violation'; END IF; RETURN {row}; END $$",
            f'CREATE TRIGGER "{rule.name}" BEFORE {rule.event} ON "{rule.table}"'
            f" FOR EACH ROW EXECUTE FUNCTION setday_{rule.name}()",
        ]
    return [
        drop,
        f'CREATE TRIGGER "{rule.name}" BEFORE {rule.event} ON "{rule.table}" WHEN {rule.refuse_when}'
        f" BEGIN SELECT RAISE(ABORT, '{rule.message}'); END",
    ]


def _dropping(connection: BaseDatabaseWrapper, name: str, table: str) -> str:
    on_table = f' ON "{table}"' if connection.vendor == "postgresql" else ""
    return f'DROP TRIGGER IF EXISTS "{name}"{on_table}'
