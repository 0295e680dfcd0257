"""Visitors of a server on this machine: some who ask now and then, and some who never pause."""

from __future__ import annotations

import http.client
import socket
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from urllib.parse import urlsplit

HOST = "127.0.0.1"
WITHIN_S = 30.0


@dataclass(frozen=True, slots=True)
class Visitor:
    """Somebody with a browser: their session, and the pages they ask for in turn."""

    paths: Sequence[str]
    cookie: str = ""


def cookie_from(address: str, path: str) -> str:
    """Open a sign-in link and return the session it gives, as a browser sends it.

    Raises:
        RuntimeError: the link signs nobody in.
    """
    connection = http.client.HTTPConnection(HOST, _port(address), timeout=WITHIN_S)
    connection.request("GET", path)
    given = connection.getresponse().headers.get_all("Set-Cookie") or []
    connection.close()
    sessions = [line.split(";")[0] for line in given if line.startswith("sessionid=")]
    if not sessions:
        raise RuntimeError("the sign-in link gave no session")
    return sessions[0]


def latencies(
    address: str, visitors: Sequence[Visitor], *, every_s: float, for_s: float, seed: int
) -> list[float]:
    """Let each visitor ask every `every_s` for `for_s`, and return how long each answer took, in seconds.

    They begin at places of the interval that `seed` chooses.  An answer is measured from the moment at which
    it was to be asked for, so that a visitor kept waiting by the answer before makes no figure better.

    Raises:
        RuntimeError: an answer was not 200, or nothing was answered.
    """
    chance, took, wrong = Random(seed), [], []
    port, began = _port(address), time.perf_counter() + 0.05

    def visit(visitor: Visitor, first_at: float) -> None:
        for number in range(int(for_s / every_s)):
            due = first_at + number * every_s
            time.sleep(max(0.0, due - time.perf_counter()))
            try:
                status = _status(port, visitor.paths[number % len(visitor.paths)], visitor.cookie)
            except OSError as error:
                wrong.append(str(error))
                return
            took.append(time.perf_counter() - due)
            if status != 200:
                wrong.append(f"{visitor.paths[number % len(visitor.paths)]} answers {status}")

    threads = [
        threading.Thread(target=visit, args=(visitor, began + chance.random() * every_s))
        for visitor in visitors
    ]
    _run(threads)
    if wrong or not took:
        raise RuntimeError(wrong[0] if wrong else "nothing was asked")
    return took


def _status(port: int, path: str, cookie: str) -> int:
    connection = http.client.HTTPConnection(HOST, port, timeout=WITHIN_S)
    headers = {"Cookie": cookie, "Accept": "text/html", "Connection": "close"}
    connection.request("GET", path, headers=headers)
    answer = connection.getresponse()
    answer.read()
    connection.close()
    return answer.status


def rate(
    address: str,
    path: str,
    *,
    status: int,
    headers: Sequence[str] = (),
    for_s: float,
    connections: int = 8,
) -> float:
    """Ask without a pause over connections that stay open, and return how many answers came in a second.

    Raises:
        RuntimeError: an answer had another status than `status`.
    """
    port = _port(address)
    lines = [f"GET {path} HTTP/1.1", f"Host: {HOST}:{port}", *headers, "", ""]
    asked, expected = "\r\n".join(lines).encode(), f"HTTP/1.1 {status} ".encode()
    counts, wrong = [], []
    ends = time.perf_counter() + for_s

    def ask() -> None:
        count = 0
        with socket.create_connection((HOST, port), timeout=WITHIN_S) as connection:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            while time.perf_counter() < ends:
                connection.sendall(asked)
                answer = _answer(connection)
                if not answer.startswith(expected):
                    wrong.append(answer.split(b"\r\n")[0].decode() or "the connection was closed")
                    return
                count += 1
        counts.append(count)

    _run([threading.Thread(target=ask) for _ in range(connections)])
    if wrong:
        raise RuntimeError(f"{path} answers {wrong[0]}")
    return sum(counts) / for_s


def _answer(connection: socket.socket) -> bytes:
    """Return one answer, its body read by its length."""
    received = b""
    while b"\r\n\r\n" not in received:
        chunk = connection.recv(65536)
        if not chunk:
            return b""
        received += chunk
    head, _, body = received.partition(b"\r\n\r\n")
    lengths = [line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:")]
    left = (int(lengths[0].split(b":")[1]) if lengths and b" 304 " not in head[:16] else 0) - len(body)
    while left > 0:
        chunk = connection.recv(65536)
        if not chunk:
            return b""
        left -= len(chunk)
    return head


def _run(threads: Sequence[threading.Thread]) -> None:
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def _port(address: str) -> int:
    url = urlsplit(address)
    if url.hostname != HOST or url.port is None:
        raise ValueError(f"{address} is not on this machine")
    return url.port
