"""Several people at once: the same moment in several threads, each with a connection of its own."""

from __future__ import annotations

from collections.abc import Callable
from threading import Barrier, Thread
from typing import Any

from django.db import connection


def together(*acts: Callable[[], Any]) -> list[Any]:
    """Do the acts at the same moment and return what each returned, or the error it raised."""
    start, came = Barrier(len(acts)), [None] * len(acts)

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
