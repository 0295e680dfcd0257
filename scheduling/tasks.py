"""Tasks of the worker for crews, holds and feeds: it pushes, nothing that is seen waits for it."""

from __future__ import annotations

from datetime import datetime

from celery import shared_task
from django.conf import settings
from django.core.mail import EmailMessage
from django.db.models import Q
from django.utils.translation import gettext as _

from config import clock
from jobs import outbox
from jobs.models import Person
from jobs.outbox import Effect, Owed
from jobs.says import from_json
from jobs.services.people import address_of_link
from scheduling import feeds, messages, states
from scheduling.models import Crew, CrewFeed, Message
from scheduling.printing import plain


@shared_task
def refresh_due() -> None:
    """Compute the states that ran out, and render the feeds that show otherwise."""
    renew_what_is_due(now=clock.read())


def renew_what_is_due(*, now: datetime) -> None:
    """Compute the states that ran out, and render the feeds that show otherwise.

    Raises:
        ExceptionGroup: of `feeds.FeedFailed`, after all the other feeds were rendered.
    """
    states.refresh_due(now=now)
    ran_out = CrewFeed.objects.filter(Q(rendered_at__isnull=True) | Q(good_until__lte=now))
    failed = []
    for crew in Crew.objects.filter(feed__in=ran_out, closed_at__isnull=True).order_by("pk"):
        try:
            feeds.renew(crew, now=now)
        except feeds.FeedFailed as error:
            failed.append(error)
    if failed:
        raise ExceptionGroup("some calendars could not be written", failed)


@outbox.errand("facts_changed", queue="notify")
def push_changed(owed: Owed, *, now: datetime) -> None:
    """Bring states and feeds up to date after a fact, in case whoever recorded it did not come that far.

    An errand, because many rooms may be due: each batch of them has its own short transaction.
    """
    renew_what_is_due(now=now)


@outbox.errand("send_message", queue="notify")
def send_message(owed: Owed, *, now: datetime) -> Effect | None:
    """Mail one message; a mail server that saw its Message-ID before knows a repeat."""
    message = Message.objects.select_related("person", "room__job__site").get(pk=owed.payload["message"])
    zone = message.person.time_zone
    body = [plain(from_json(message.body), zone=zone)]
    if message.room is not None:
        body += ["", messages.address_of(message.room)]
    _mail(owed, message.person, plain(from_json(message.subject), zone=zone), "\n".join(body))
    return lambda: _mark_sent(message.pk, now=now)


@outbox.errand("mail_link", queue="notify")
def mail_link(owed: Owed, *, now: datetime) -> Effect | None:
    """Mail a sign-in link."""
    person = Person.objects.get(pk=owed.payload["person"])
    address = address_of_link(owed.payload["secret"])
    body = _("Open this and press the button to sign in. It serves once, for half an hour.")
    _mail(owed, person, _("Your way into Setday"), f"{body}\n\n{address}")
    return None


def _mark_sent(message: int, *, now: datetime) -> None:
    Message.objects.filter(pk=message).update(sent_at=now)


def _mail(owed: Owed, person: Person, subject: str, body: str) -> None:
    EmailMessage(
        subject=subject,
        body=body,
        from_email=settings.DEFAULT_FROM_EMAIL,
        to=[person.email],
        headers={"Message-ID": f"<{owed.id}@setday.example>"},
    ).send()
