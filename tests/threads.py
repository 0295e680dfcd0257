"""Several people at once: in several threads, each with a connection of its own, or at one chosen statement."""

from __future__ import annotations

from collections.abc import Callable
from threading import Barrier, BrokenBarrierError, Thread
from typing import Any

from django.db import connection

#: How long one waits for the other at a statement; where the database lets only one come so far, it goes on alone.
PATIENCE_S = 0.4


def together(*acts: Callable[[], Any]) -> list[Any]:
    """Do the acts at the same moment and return what each returned, or the error it raised."""
    start = Barrier(len(acts))
    came: list[Any] = [None] * len(acts)

    def do(number: int, act: Callable[[], Any]) -> None:
        start.wait()
        try:
            came[number] = act()
        except BaseException as error:
            # Handed to the test's own thread, which judges it.
            came[number] = error
            if not isinstance(error, Exception):
                raise
        finally:
            connection.close()

    threads = [Thread(target=do, args=pair) for pair in enumerate(acts)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return came


def errors(came: list[Any]) -> list[Exception]:
    """Return those that are errors."""
    return [one for one in came if isinstance(one, Exception)]


class At:
    """Does something once, before or after the first statement of this connection that has all these words.

    Use it as `connection.execute_wrapper(At("INSERT", "some_table", do=…))`.
    """

    def __init__(self, *words: str, do: Callable[[], Any], after: bool = False) -> None:
        self.words, self.do, self.after, self.came = words, do, after, False

    def __call__(self, execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        fits = not self.came and all(word in sql for word in self.words)
        self.came |= fits
        if fits and not self.after:
            self.do()
        result = execute(sql, params, many, context)
        if fits and self.after:
            self.do()
        return result


def meet(barrier: Barrier) -> Callable[[], None]:
    """Return what waits at the barrier for the other thread, a little."""

    def wait() -> None:
        try:
            barrier.wait(PATIENCE_S)
        except BrokenBarrierError:
            return  # the other cannot come: it waits for a lock that this one holds

    return wait


def with_a_stop(act: Callable[[], Any], stop: At) -> Callable[[], Any]:
    """Return the act with a stop at a statement, for `together`."""

    def do() -> Any:
        with connection.execute_wrapper(stop):
            return act()

    return do
