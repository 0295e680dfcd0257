"""Queries whose SQL is written once: for a few rows of one room, writing it is four fifths of what a query costs.

A query is prepared for so many keys, and serves any keys of that number, in this process, in every thread.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from copy import copy
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from django.db import connection
from django.db.models import QuerySet
from django.db.models.sql import Query
from django.db.models.sql.compiler import SQLCompiler

Keys = Collection[int] | Collection[UUID]

#: More keys than this are so many rows that the SQL does not matter.
MOST_KEYS = 64
#: Keys that no row has: they mark where in the SQL the real ones belong.
_FIRST_MARK = -(10**15)
#: Marks where the instant belongs: before any that a fact can have.
_AT = datetime(1900, 1, 1, 0, 0, 1, tzinfo=UTC)


class Prepared:
    """A query of the rows that belong to some keys, of which only the keys ever differ, and perhaps one instant."""

    def __init__(self, build: Callable[..., QuerySet[Any, Any]]) -> None:
        """Take what builds the query from a list of keys, whole numbers or UUIDs, and the instant if there is one.

        It must use both as they are, the keys in `__in` lookups alone, and nothing else that differs from call
        to call.
        """
        self._build = build
        self._written: dict[tuple[str, type, int], _Written] = {}

    def __call__(self, keys: Keys, *at: datetime) -> list[Any]:
        """Return the rows of these keys, as the query would."""
        listed: list[Any] = list(keys)
        if not listed:
            return []
        if len(listed) > MOST_KEYS:
            return list(self._build(listed, *at))
        # A key more than once finds nothing more, so few lengths serve all.
        length = 1 << (len(listed) - 1).bit_length()
        listed += listed[-1:] * (length - len(listed))
        shape = (connection.vendor, type(listed[0]), length)
        written = self._written.get(shape)
        if written is None:
            marks = [_mark(type(listed[0]), number) for number in range(length)]
            written = self._written[shape] = _Written(self._build(marks, *(_AT for _one in at)), marks)
        return written.rows(listed, *at)


class _Written:
    """The SQL of a query for so many keys, and where in its parameters they belong."""

    def __init__(self, queryset: QuerySet[Any, Any], marks: Sequence[Any]) -> None:
        self._queryset = queryset
        self._compiler: SQLCompiler = queryset.query.get_compiler(connection=connection)
        self._sql, params = self._compiler.as_sql()
        self._params: list[Any] = list(params)
        places = {mark: number for number, mark in enumerate(marks)}
        # One database has UUIDs, the other their digits.
        places |= {mark.hex: number for mark, number in places.items() if isinstance(mark, UUID)}
        self._keys = [(at, places[param]) for at, param in enumerate(self._params) if _is_mark(param, places)]
        self._instants = [at for at, param in enumerate(self._params) if param == _instant(_AT)]
        if len({number for _at, number in self._keys}) != len(marks):
            raise ValueError("the query does not use its keys as they are")

    def rows(self, keys: Sequence[Any], *at: datetime) -> list[Any]:
        params = list(self._params)
        for place, number in self._keys:
            params[place] = _as(keys[number], like=self._params[place])
        for place in self._instants:
            params[place] = _instant(*at)
        query = copy(self._queryset.query)
        compiler = copy(self._compiler)
        # Of this thread, whichever wrote the SQL.
        compiler.connection = connection
        compiler.as_sql = lambda *_args, **_kwargs: (self._sql, tuple(params))  # type: ignore[method-assign]
        return list(self._with(query, compiler))

    def _with(self, query: Query, compiler: SQLCompiler) -> QuerySet[Any, Any]:
        """Return the queryset made anew, which runs what is written instead of writing it."""
        query.get_compiler = lambda *_args, **_kwargs: compiler  # type: ignore[method-assign]
        made = type(self._queryset)(model=self._queryset.model, query=query)
        made._iterable_class = self._queryset._iterable_class
        made._fields = self._queryset._fields  # type: ignore[attr-defined]
        return made


def _mark(kind: type, number: int) -> Any:
    return UUID(int=2**127 + number) if kind is UUID else _FIRST_MARK - number


def _instant(at: datetime) -> Any:
    """Return an instant as the database takes it."""
    return connection.ops.adapt_datetimefield_value(at)


def _as(key: Any, *, like: Any) -> Any:
    """Return a key as its mark was written for the database."""
    if isinstance(key, UUID):
        return key.hex if isinstance(like, str) else key
    return type(like)(key)


def _is_mark(param: Any, places: dict[Any, int]) -> bool:
    return isinstance(param, int | str | UUID) and param in places
