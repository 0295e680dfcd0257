"""Loggers that report by themselves: added, given their zones, their tokens made, renewed and ended."""

from __future__ import annotations

import hmac
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from jobs.core.words import Say, say
from jobs.facts import Envelope, check_time, raise_versions, record
from jobs.models import Logger, LoggerClock, Person, SpentToken, Zone
from jobs.models.loggers import FARTHEST_CLOCK_S
from jobs.services.people import digest_of, new_secret
from jobs.services.readings import rooms_of
from jobs.services.records import add_record, edit_members, edit_record

#: "Last used" is kept to the minute, so that a logger which posts every second does not write every second.
USE_NOTED_EVERY = timedelta(minutes=1)
LEAST_SILENCE, MOST_SILENCE = timedelta(minutes=1), timedelta(days=7)


class TokenRefused(Exception):
    """A token that opens nothing; `why` says what it was, if it was ever one."""

    def __init__(self, why: Say) -> None:
        super().__init__(why.text)
        self.why = why


@dataclass(frozen=True, slots=True)
class Sender:
    """A logger that may report, as its token found it."""

    logger: int
    name: str
    #: In whose name its readings are recorded.
    by: int
    #: Whether its last use that was noted is so long ago that this one is noted too.
    is_unnoted: bool


def sender_of(token: str, *, now: datetime) -> Sender:
    """Return the logger that a token belongs to, in one statement; why one opens nothing is asked apart.

    Raises:
        TokenRefused: it never was one, was renewed, or the logger is ended.
    """
    digest = digest_of(token)
    present = Logger.objects.filter(digest=digest, ended_at__isnull=True)
    row = next(iter(present.values_list("pk", "name", "made_by", "digest", "last_used_at")), None)
    if row is None or not hmac.compare_digest(row[3], digest):
        raise TokenRefused(_why_refused(digest))
    pk, name, by, _digest, used_at = row
    return Sender(pk, name, by, used_at is None or used_at <= now - USE_NOTED_EVERY)


def _why_refused(digest: str) -> Say:
    """Return what a token was that opens nothing."""
    spent = SpentToken.objects.filter(digest=digest).select_related("logger").first()
    logger = spent.logger if spent else Logger.objects.filter(digest=digest).first()
    if logger is None:
        return say("This token is not known here.")
    if logger.ended_at is not None:
        return say("This logger was ended on {at}.", at=written(logger.ended_at))
    assert spent is not None
    return say("This token was renewed on {at}; use the new one.", at=written(spent.ended_at))


def written(at: datetime) -> str:
    """Return an instant as a logger's answer writes it: in UTC, whatever anybody's zone."""
    return f"{at:%Y-%m-%d %H:%M:%S} UTC"


def note_use(sender: Sender, *, now: datetime) -> None:
    """Remember that a logger reported, to the minute."""
    if sender.is_unnoted:
        Logger.objects.filter(pk=sender.logger).update(last_used_at=now)


@transaction.atomic
def add_logger(
    *, name: str, zones: Sequence[Zone], silent_after: timedelta, by: Person, now: datetime
) -> tuple[Logger, str]:
    """Add a logger and return it with its token, which is shown this once.

    Raises:
        ValidationError: keyed by column; the name is taken or empty, the silence is no sensible one.
    """
    _check_silence(silent_after)
    if Logger.objects.filter(name__iexact=name.strip()).exists():
        message = _("There is a logger of this name. Its readings would be taken for the other's.")
        raise ValidationError({"name": message})
    token = new_secret()
    logger = Logger(
        name=name.strip(),
        digest=digest_of(token),
        made_by=by,
        made_at=now,
        renewed_at=now,
        silent_after_s=int(silent_after.total_seconds()),
    )
    add_record(logger, by=by, now=now)
    edit_members(logger, "zones", zones, by=by, now=now)
    return logger, token


@transaction.atomic
def edit_logger(
    logger: Logger, *, zones: Sequence[Zone], silent_after: timedelta, by: Person, now: datetime
) -> None:
    """Say anew for which zones a logger may report, and after how long it is silent.

    Raises:
        ValidationError: keyed by column; the silence is no sensible one.
    """
    _check_silence(silent_after)
    before, after = set(logger.zones.values_list("pk", flat=True)), {zone.pk for zone in zones}
    edit_record(logger, {"silent_after_s": int(silent_after.total_seconds())}, by=by, now=now)
    if before != after:
        edit_members(logger, "zones", zones, by=by, now=now)
    # Whether it is silent is part of what is known of the rooms.
    raise_versions(rooms_of(before | after), now=now)


@transaction.atomic
def renew_token(logger: Logger, *, by: Person, now: datetime) -> str:
    """Give a logger a new token and return it; who still reports under the old one is told so.

    Raises:
        ValidationError: the logger is ended.
    """
    present = Logger.objects.select_for_update(no_key=True).get(pk=logger.pk)
    if present.ended_at is not None:
        raise ValidationError(_("This logger is ended."))
    SpentToken.objects.create(logger=present, digest=present.digest, ended_at=now)
    token = new_secret()
    edit_record(present, {"digest": digest_of(token), "renewed_at": now}, by=by, now=now)
    return token


@transaction.atomic
def end_logger(logger: Logger, *, by: Person, now: datetime) -> None:
    """End a logger: its token opens nothing any more, and its silence bothers nobody."""
    present = Logger.objects.select_for_update(no_key=True).get(pk=logger.pk)
    if present.ended_at is None:
        edit_record(present, {"ended_at": now}, by=by, now=now)
        raise_versions(rooms_of(logger.zones.values_list("pk", flat=True)), now=now)


def state_clock(
    envelope: Envelope, *, zone: Zone, logger: str, from_at: datetime, offset: timedelta
) -> LoggerClock:
    """Record a person's word that a logger's clock is off: `offset` is added to what it says, from `from_at` on.

    Zero says that it is right, or right again.

    Args:
        from_at: on the logger's own clock.

    Raises:
        ValidationError: keyed by column; the logger has no name, or is further off than a year.
    """
    if not logger.strip():
        raise ValidationError({"logger": _("Say which logger.")})
    check_time(from_at, now=envelope.now + timedelta(days=1), column="from_at")
    if abs(offset) > timedelta(seconds=FARTHEST_CLOCK_S):
        raise ValidationError({"offset_s": _("That is more than a year; look at the date.")})
    fact = LoggerClock(
        zone=zone, logger=logger.strip(), from_at=from_at, offset_s=int(offset.total_seconds())
    )
    return record(fact, envelope)


def loggers_of(zone: Zone) -> list[str]:
    """Return the names of the loggers that reported for a zone or may, by name."""
    may = Logger.objects.filter(zones=zone, ended_at__isnull=True).values_list("name", flat=True)
    did = zone.reading_facts.filter(~Q(logger="")).values_list("logger", flat=True).distinct()
    return sorted({*may, *did}, key=str.casefold)


def _check_silence(silent_after: timedelta) -> None:
    if not LEAST_SILENCE <= silent_after <= MOST_SILENCE:
        raise ValidationError({"silent_after_s": _("Between one minute and seven days.")})
