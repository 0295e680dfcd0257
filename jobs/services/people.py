"""People: the first manager, and the links by which everybody signs in."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from datetime import datetime, timedelta

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.urls import reverse
from django.utils.translation import gettext as _

from jobs import outbox
from jobs.models import Firm, Person, SignInLink
from jobs.services.records import add_record

#: A printed link is for the person at the keyboard, and serves until it ends.
PRINTED_LASTS = timedelta(hours=24)
#: A mailed link travels, so it is short-lived and serves once.
MAILED_LASTS = timedelta(minutes=30)
#: More mailed links than this in their lifetime are not sent, whoever keeps asking.
MOST_MAILED = 5


def digest_of(secret: str) -> str:
    """Return the SHA-256 of a secret, which is all that is kept of it."""
    return hashlib.sha256(secret.encode()).hexdigest()


def new_secret() -> str:
    """Return 256 random bits as 43 URL-safe characters."""
    return secrets.token_urlsafe(32)


@transaction.atomic
def add_first_manager(*, name: str, email: str, firm: str, time_zone: str, now: datetime) -> Person:
    """Make the firm and its first manager.

    Raises:
        ValidationError: there is a manager already, or the name or the address is not usable.
    """
    if Person.objects.filter(is_manager=True).exists():
        raise ValidationError(_("There is a manager already; a manager adds further people."))
    if not name.strip():
        raise ValidationError(_("A person has a name."))
    validate_email(email)
    contractor = Firm.objects.filter(kind=Firm.Kind.CONTRACTOR).first()
    if contractor is None:
        contractor = Firm(name=firm, kind=Firm.Kind.CONTRACTOR)
        add_record(contractor, by=None, now=now)
    person = Person(name=name.strip(), email=email, firm=contractor, time_zone=time_zone, is_manager=True)
    add_record(person, by=None, now=now)
    return person


def sign_in_link_for(person: Person, *, now: datetime) -> str:
    """Make a printed link for `person` and return its whole address."""
    return _address(_make_link(person, is_mailed=False, ends_at=now + PRINTED_LASTS, now=now))


@transaction.atomic
def mail_sign_in_link(email: str, *, now: datetime) -> None:
    """Owe a link to whoever has this address; an address nobody has is answered alike, by silence."""
    person = Person.objects.filter(email__iexact=email.strip(), is_active=True).first()
    if person is None or person.links.filter(is_mailed=True, ends_at__gt=now).count() >= MOST_MAILED:
        return
    # The secret travels in the owed row, and the row is emptied when the mail has gone.
    secret = _make_link(person, is_mailed=True, ends_at=now + MAILED_LASTS, now=now)
    outbox.owe("mail_link", key=f"mail_link/{digest_of(secret)}", now=now, person=person.pk, secret=secret)


def link_of(secret: str, *, now: datetime) -> SignInLink | None:
    """Return the live link with this secret: not ended, its person active, a mailed one not used before."""
    digest = digest_of(secret)
    link = SignInLink.objects.select_related("person").filter(digest=digest, ends_at__gt=now).first()
    if link is None or not hmac.compare_digest(link.digest, digest) or not link.person.is_active:
        return None
    return None if link.is_mailed and link.used_at else link


def use_link(link: SignInLink, *, now: datetime) -> bool:
    """Mark a link used; return False if it was a mailed one that somebody used first."""
    links = SignInLink.objects.filter(pk=link.pk)
    if link.is_mailed:
        links = links.filter(used_at__isnull=True)
    return bool(links.update(used_at=now))


def address_of_link(secret: str) -> str:
    """Return the whole address of a sign-in link."""
    return _address(secret)


def _make_link(person: Person, *, is_mailed: bool, ends_at: datetime, now: datetime) -> str:
    secret = new_secret()
    SignInLink.objects.create(
        person=person, digest=digest_of(secret), is_mailed=is_mailed, made_at=now, ends_at=ends_at
    )
    return secret


def _address(secret: str) -> str:
    return settings.BASE_URL + reverse("jobs:sign_in_by_link", args=[secret])
