"""Acts: one view shows and records every kind, one corrects, one withdraws."""

from __future__ import annotations

from uuid import UUID

from django.apps import apps
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods
from django_htmx.http import HttpResponseClientRedirect

from config.http import PersonRequest
from jobs.access import require
from jobs.models import Entry, Fact
from scheduling import states
from scheduling.acts import ACTS, BY_FACT
from scheduling.acts.base import Act, ActForm, Subject, Where
from scheduling.acts.withdrawal import WithdrawForm
from scheduling.frame import frame_of
from scheduling.where import where_of, where_of_fact


@login_required
@require_http_methods(["GET", "POST"])
def act(request: PersonRequest, subject: str, key: str, name: str) -> HttpResponse:
    """Show an act's form, or record it."""
    where = where_of(Subject(subject), key, request.user, now=request.now)
    kind = ACTS.get((Subject(subject), name))
    if kind is None:
        raise Http404
    require(kind.is_open_to(request.user, where, now=request.now))
    form = kind.form(request.POST or None, where=where, person=request.user, now=request.now)
    return _answer(request, kind, form)


@login_required
@require_http_methods(["GET", "POST"])
def correct(request: PersonRequest, fact: UUID) -> HttpResponse:
    """Show the form of a fact with what it says, or record its correction."""
    old, kind, where = _standing(request, fact)
    if not kind.form.corrects_by_form:
        raise Http404
    require(kind.is_open_to(request.user, where, now=request.now))
    form = kind.form(request.POST or None, where=where, person=request.user, now=request.now, corrects=old)
    return _answer(request, kind, form)


@login_required
@require_http_methods(["GET", "POST"])
def withdraw(request: PersonRequest, fact: UUID) -> HttpResponse:
    """Ask why a fact is taken back, or take it back."""
    old, kind, where = _standing(request, fact)
    require(kind.is_open_to(request.user, where, now=request.now))
    form = WithdrawForm(request.POST or None, where=where, person=request.user, now=request.now, corrects=old)
    return _answer(request, kind, form)


def _standing(request: PersonRequest, fact: UUID) -> tuple[Fact, Act, Where]:
    """Return a fact that still stands, the act that records its kind, and what it is about.

    Raises:
        Http404: there is none, it no longer stands, or it is not this person's to see.
    """
    entry = Entry.objects.filter(pk=fact).first()
    if entry is None:
        raise Http404
    model = apps.get_model(entry.kind)
    kind = BY_FACT.get(model)
    found = model._default_manager.standing().filter(pk=fact).first()
    if kind is None or found is None:
        raise Http404
    return found, kind, where_of_fact(found, kind.subject, request.user, now=request.now)


def _answer(request: PersonRequest, kind: Act, form: ActForm) -> HttpResponse:
    """Return the form, with what is wrong where something is, or the way back once it is recorded."""
    status = 200
    if request.method == "POST":
        if form.is_valid() and _recorded(request, form):
            messages.success(request, _("Recorded: %(title)s.") % {"title": kind.title})
            return _back(request, form.where.url)
        status = 422
    context = {
        "kind": kind,
        "form": form,
        "where": form.where,
        "zone": form.where.time_zone,
        "now": request.now,
    }
    if request.htmx:
        return render(request, "scheduling/_act.html", context, status=status)
    return render(request, "scheduling/act.html", context | frame_of(request), status=status)


def _recorded(request: PersonRequest, form: ActForm) -> bool:
    """Record the fact of a valid form and bring what follows from it up to date; False if it was refused."""
    try:
        form.perform(form.envelope())
    except ValidationError as error:
        form.take(error)
        return False
    # Whoever looks next sees it, whether or not a worker runs.
    states.refresh_due(now=request.now)
    return True


def _back(request: HttpRequest, url: str) -> HttpResponse:
    return HttpResponseClientRedirect(url) if request.htmx else HttpResponseRedirect(url)  # type: ignore[attr-defined]
