"""Readings that come by themselves: a logger posts them under its own token, and each row is answered.

No session, no cookie and no form: it is answered ahead of what only browsers need, like the calendars.
"""

from __future__ import annotations

import json
import logging
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC
from typing import Any, Final

from django.db import DatabaseError
from django.http import HttpRequest, HttpResponse, UnreadablePostError
from django.views.decorators.csrf import csrf_exempt

from config.http import Request
from jobs.core.posted import BadBody, Batch, read_csv, read_json
from jobs.core.units import celsius
from jobs.core.words import Say, say, say_n
from jobs.services.ingest import Answer, take
from jobs.services.loggers import TokenRefused, note_use, sender_of
from jobs.services.readings import Air, Conflict
from scheduling.printing import plain

log = logging.getLogger(__name__)

PATH: Final = "/ingest/readings"
#: Ten thousand readings with long names of zones are less.
MOST_BYTES: Final = 4 * 1024 * 1024
#: What is refused is heard out and thrown away up to here, or the client would not read why.
HEARD_OUT: Final = 32 * 1024 * 1024
WAIT_S: Final = 60

READERS: Final[Mapping[str, Callable[[bytes], Batch]]] = {"application/json": read_json, "text/csv": read_csv}
_TAKEN: Final = ", ".join(READERS)
_STATUS: Final = {"malformed": 400, "too_many": 413}
_BEARER: Final = re.compile(r"bearer +([A-Za-z0-9\-._~+/]+=*) *", re.IGNORECASE)
_PIECE: Final = 256 * 1024


class Refused(Exception):
    """Nothing is read or stored: the answer's status, why, and headers that tell a program."""

    def __init__(self, status: int, why: Say, **headers: str) -> None:
        super().__init__(why.text)
        self.status = status
        self.why = why
        self.headers = {name.replace("_", "-"): value for name, value in headers.items()}


def first(get_response: Callable[[HttpRequest], HttpResponse]) -> Callable[[Request], HttpResponse]:
    """Answer loggers ahead of what only browsers need: sessions, forms, scripts, frames.

    It stands behind what leads http to https.
    """

    def middleware(request: Request) -> HttpResponse:
        return readings(request) if request.path_info == PATH else get_response(request)

    return middleware


@csrf_exempt
def readings(request: Request) -> HttpResponse:
    """Store what a logger posts and answer each row in its order; what is no batch at all is refused whole."""
    try:
        return _answer(request)
    except Refused as refused:
        _hear_out(request)
        return _json({"error": _words(refused.why)}, status=refused.status, **refused.headers)
    except DatabaseError as error:
        # What was committed before is known when it is sent again.
        log.exception("readings could not be stored", exc_info=error)
        why = say("Nothing more could be stored just now; send the same again in a minute.")
        return _json({"error": _words(why)}, status=503, **{"Retry-After": str(WAIT_S)})


def _answer(request: Request) -> HttpResponse:
    if request.method != "POST":
        raise Refused(405, say("Readings are posted."), Allow="POST")
    try:
        sender = sender_of(_token(request), now=request.now)
    except TokenRefused as refused:
        raise _unknown(refused.why, is_wrong=True) from refused
    batch = _batch(request)
    answers = take(batch, sender, now=request.now)
    note_use(sender, now=request.now)
    return _told(batch, answers)


# ---- what is asked of a request ----


def _token(request: HttpRequest) -> str:
    said = request.META.get("HTTP_AUTHORIZATION", "")
    found = _BEARER.fullmatch(said)
    if not said:
        raise _unknown(say("A logger posts with “Authorization: Bearer” and its token."), is_wrong=False)
    if found is None:
        raise _unknown(say("“Authorization” is not “Bearer” and a token."), is_wrong=True)
    return found[1]


def _unknown(why: Say, *, is_wrong: bool) -> Refused:
    """Return the refusal of who sent no token, or a wrong one (RFC 6750 section 3)."""
    challenge = 'Bearer realm="readings"'
    if is_wrong:
        described = _words(why).encode("ascii", "ignore").decode().replace('"', "").replace("\\", "")
        challenge += f', error="invalid_token", error_description="{described}"'
    return Refused(401, why, WWW_Authenticate=challenge)


def _batch(request: HttpRequest) -> Batch:
    """Return what is posted.

    Raises:
        Refused: it is of another kind or zipped, too large, without a length, broken off, or no batch.
    """
    read = _reader(request)
    try:
        return read(_body(request))
    except BadBody as bad:
        raise Refused(_STATUS[bad.fault], bad.why) from bad


def _reader(request: HttpRequest) -> Callable[[bytes], Batch]:
    kind, _semicolon, rest = request.META.get("CONTENT_TYPE", "").partition(";")
    charset = re.search(r"charset\s*=\s*\"?([^\s;\"]*)", rest, re.IGNORECASE)
    read = READERS.get(kind.strip().lower())
    if read is None:
        raise Refused(415, say("Readings are taken as {kinds}.", kinds=_TAKEN), Accept=_TAKEN)
    if charset and charset[1].lower() not in ("utf-8", "utf8", "us-ascii"):
        raise Refused(415, say("Readings are taken in UTF-8."), Accept=_TAKEN)
    if request.META.get("HTTP_CONTENT_ENCODING", "identity").strip().lower() not in ("", "identity"):
        why = say("Readings are taken as they are, not compressed.")
        # RFC 9110 section 15.5.16: what would be taken instead.
        raise Refused(415, why, Accept_Encoding="identity")
    return read


def _body(request: HttpRequest) -> bytes:
    """Return the body, whose length is judged before any of it is read."""
    said = request.META.get("CONTENT_LENGTH", "")
    if not (said.isascii() and said.isdigit()):
        raise Refused(411, say("Say with “Content-Length” how long the body is."))
    length = int(said)
    if length > MOST_BYTES:
        most = MOST_BYTES // 1024 // 1024
        raise Refused(413, say("A body has at most {most} MB; send the readings in parts.", most=most))
    try:
        body = request.read(length)
    except UnreadablePostError as error:
        raise Refused(400, say("The body broke off.")) from error
    if len(body) < length:
        raise Refused(400, say("The body broke off after {n} of {all_of} bytes.", n=len(body), all_of=length))
    return body


def _hear_out(request: HttpRequest) -> None:
    heard = 0
    try:
        while heard < HEARD_OUT and (piece := request.read(_PIECE)):
            heard += len(piece)
    except UnreadablePostError as error:
        log.info("a logger that is refused broke off: %s", error)


# ---- answers ----


def _told(batch: Batch, answers: Sequence[Answer]) -> HttpResponse:
    """Return each row's answer; where not one row is any good, with a status that no logger takes for success."""
    counted = Counter(map(_name, answers))
    told = ",\n".join(_row(answer) for answer in answers)
    counts = ", ".join(f'"{name}": {counted[name]}' for name in ("stored", "known", "conflict", "refused"))
    notes = [_words(_cut(batch.cut))] if batch.cut else []
    body = f'{{{counts}, "notes": {_dump(notes)}, "readings": [\n{told}\n]}}\n'
    status = 422 if counted["refused"] == len(answers) else 200
    return _json_text(body, status=status)


def _name(answer: Answer) -> str:
    if isinstance(answer, str):
        return answer
    return "conflict" if isinstance(answer, Conflict) else "refused"


def _row(answer: Answer) -> str:
    if isinstance(answer, str):
        return f'{{"answer": "{answer}"}}'
    if isinstance(answer, Conflict):
        return _dump({"answer": "conflict", "stands": _air(answer.stands), "said": _air(answer.said)})
    return _dump({"answer": "refused", "reason": _words(answer)})


def _air(air: Air) -> dict[str, float]:
    return {"t_c": celsius(air.temperature, air.unit), "rh_pct": air.humidity_pct}


def _cut(count: int) -> Say:
    return say_n(
        "A fraction of a second was left out of {n} instant.",
        "A fraction of a second was left out of {n} instants.",
        n=count,
    )


def _words(why: Say) -> str:
    return plain(why, zone=UTC)


def _dump(value: Any) -> str:
    # Half a character, as JSON can spell it, is told as a question mark: nobody can send it back.
    return json.dumps(value, ensure_ascii=False).encode(errors="replace").decode()


def _json(value: Any, *, status: int, **headers: str) -> HttpResponse:
    return _json_text(_dump(value) + "\n", status=status, **headers)


def _json_text(text: str, *, status: int, **headers: str) -> HttpResponse:
    response = HttpResponse(text, status=status, content_type="application/json")
    response["Cache-Control"] = "no-store"
    for name, value in headers.items():
        response[name] = value
    return response
