"""Acts: one view shows and records every kind, one corrects, one takes back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from uuid import UUID

from django.apps import apps
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.db.models import Model
from django.http import Http404, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.utils.cache import patch_vary_headers
from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods
from django_htmx.http import HttpResponseClientRedirect

from config.http import PersonRequest
from jobs.access import require
from jobs.core.words import Say
from jobs.facts import AlreadyDone
from jobs.models import Entry, Fact, Reading, Room
from scheduling import states
from scheduling.acts import ACTS, BY_FACT, INSTEAD, ONLY_TAKEN_BACK
from scheduling.acts.base import ActForm, Subject, Where
from scheduling.acts.rows import drafted
from scheduling.acts.withdrawal import WithdrawForm
from scheduling.frame import frame_of
from scheduling.models import DayGiven
from scheduling.printing import plain
from scheduling.where import where_of, where_of_fact


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the page of an act says around its form."""

    title: str | Promise
    verb: str | Promise
    says: str | Promise | Say
    cautions: tuple[str, ...] = field(default=())
    #: Whether the act takes something away.
    is_heavy: bool = False


@login_required
@never_cache
@require_http_methods(["GET", "POST"])
def act(request: PersonRequest, subject: str, key: str, name: str) -> HttpResponse:
    """Show an act's form, or record it."""
    where = where_of(Subject(subject), key, request.user, now=request.now)
    kind = ACTS.get((Subject(subject), name))
    if kind is None:
        raise Http404
    require(kind.is_open_to(request.user, where, now=request.now))
    sheet = Sheet(kind.title, kind.verb, kind.says or kind.title, kind.cautions)
    return _answer(request, sheet, _form(request, kind.form, where))


@login_required
@never_cache
@require_http_methods(["GET", "POST"])
def correct(request: PersonRequest, fact: UUID) -> HttpResponse:
    """Show the form of a fact with what it says, or record its correction."""
    old = _fact(fact)
    if type(old) in INSTEAD:
        return _instead(request, old, INSTEAD[type(old)][0])
    kind = BY_FACT[type(old)]
    where = where_of_fact(old, kind.subject, request.user, now=request.now)
    if type(old) in ONLY_TAKEN_BACK:
        messages.warning(request, _("This is only taken back; sheets are counted again where they stand."))
        return redirect("scheduling:withdraw", old.pk)
    require(kind.is_open_to(request.user, where, now=request.now))
    sheet = Sheet(
        _("Correct: {what}").format(what=old._meta.verbose_name),
        _("Record the correction"),
        old.says(),
        kind.cautions,
    )
    return _change(request, sheet, kind.form, where, old)


@login_required
@never_cache
@require_http_methods(["GET", "POST"])
def withdraw(request: PersonRequest, fact: UUID) -> HttpResponse:
    """Ask why a fact is taken back, or take it back."""
    old = _fact(fact)
    if type(old) in INSTEAD:
        return _instead(request, old, INSTEAD[type(old)][1])
    kind = BY_FACT[type(old)]
    where = where_of_fact(old, kind.subject, request.user, now=request.now)
    require(kind.is_open_to(request.user, where, now=request.now))
    title = _("Take back: {what}").format(what=old._meta.verbose_name)
    return _change(
        request, Sheet(title, _("Take it back"), old.says(), is_heavy=True), WithdrawForm, where, old
    )


def _fact(ident: UUID) -> Fact:
    """Return a fact, whether or not it still stands.

    Raises:
        Http404: there is none, it only took another back, or it is of a kind that nobody changes.
    """
    entry = Entry.objects.filter(pk=ident).first()
    # The readings of a logger's file share one line of history.
    model: type[Model] = Reading if entry is None else apps.get_model(entry.kind)
    if not issubclass(model, Fact) or not (model in BY_FACT or model in INSTEAD):
        raise Http404
    found: Fact | None = model.objects.filter(pk=ident, withdraws=False).first()
    if found is None:
        raise Http404
    return found


def _instead(request: PersonRequest, fact: Fact, name: str) -> HttpResponse:
    """Send on to the act of the room that changes a fact of this kind."""
    room = fact.assignment.room_id if isinstance(fact, DayGiven) else getattr(fact, "room_id", 0)
    where = where_of(Subject.ROOM, str(room), request.user, now=request.now)
    require(ACTS[where.subject, name].is_open_to(request.user, where, now=request.now))
    return redirect("scheduling:act", where.subject.value, room, name)


def _change(
    request: PersonRequest, sheet: Sheet, form_class: type[ActForm], where: Where, old: Fact
) -> HttpResponse:
    """Show or record a change of a fact; of one that no longer stands, say so."""
    stands = type(old).objects.standing().filter(pk=old.pk).exists()
    if not stands and request.method == "GET":
        messages.warning(request, _("This was corrected or taken back since. Look at what stands now."))
        return redirect(where.url)
    form = _form(request, form_class, where, corrects=old)
    repeated = form.is_bound and Entry.objects.filter(pk=form.data["act"]).exists()
    if not stands and not repeated:
        form.full_clean()
        form.take(AlreadyDone(_("Somebody corrected this in the meantime; look at what stands now.")))
        return _page(request, sheet, form, status=409)
    return _answer(request, sheet, form)


def _form(
    request: PersonRequest, form_class: type[ActForm], where: Where, *, corrects: Fact | None = None
) -> ActForm:
    data = request.POST if request.method == "POST" else None
    draft = drafted(data) if data is not None else None
    return form_class(
        data if draft is None else draft,
        where=where,
        person=request.user,
        now=request.now,
        corrects=corrects,
        query=request.GET,
        is_draft=draft is not None,
    )


def _answer(request: PersonRequest, sheet: Sheet, form: ActForm) -> HttpResponse:
    """Return the form, with what is wrong where something is, or the way back once it is recorded."""
    if not form.is_bound or form.is_draft:
        return _page(request, sheet, form)
    facts = _recorded(request, form) if form.is_valid() else None
    if facts is None:
        return _page(request, sheet, form, status=409 if form.already else 422)
    what = plain(form.done(facts), zone=form.where.time_zone, now=request.now)
    messages.success(request, _("Recorded: {what}").format(what=what))
    odd = form.warning(facts)
    if odd is not None:
        messages.warning(request, odd)
    return _back(request, form.url_after(facts))


def _recorded(request: PersonRequest, form: ActForm) -> list[Fact] | None:
    """Record a valid form and bring what follows from it up to date; None if it was refused."""
    try:
        made = form.perform(form.envelope())
    except ValidationError as error:
        form.take(error)
        return None
    # Whoever looks next sees it, whether or not a worker runs.
    states.refresh_due(Room.objects.filter(job=form.where.job), now=request.now)
    return list(made) if isinstance(made, Iterable) else [made]


def _page(request: PersonRequest, sheet: Sheet, form: ActForm, *, status: int = 200) -> HttpResponse:
    context = {
        "sheet": sheet,
        "form": form,
        "where": form.where,
        "zone": form.where.time_zone,
        "now": request.now,
        "path": request.get_full_path(),
    }
    if request.htmx:
        response = render(request, "scheduling/_act.html", context, status=status)
    else:
        response = render(request, "scheduling/act.html", frame_of(request) | context, status=status)
    patch_vary_headers(response, ["HX-Request"])
    return response


def _back(request: PersonRequest, url: str) -> HttpResponse:
    return HttpResponseClientRedirect(url) if request.htmx else HttpResponseRedirect(url)
