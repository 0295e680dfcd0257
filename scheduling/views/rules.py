"""Rules: shown to managers, and changed by them once they have seen what the change does."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from config.http import PersonRequest
from jobs.access import hide_unless, job_for, zone_for
from jobs.core.words import Say, say
from jobs.facts import AlreadyDone
from materials.models import Product
from materials.services.rules import FactsMoved, RuleEdit, change_rule, edited_meanwhile, version_of
from scheduling import states
from scheduling.effects import Effects, effects_of
from scheduling.frame import frame_of
from scheduling.pages.rules import job_rules_page, preview_page, product_page, products_page
from scheduling.parts import Note
from scheduling.printing import plain
from scheduling.rules import subjects
from scheduling.rules.forms import ReasonForm, RuleForm
from scheduling.rules.subjects import Subject

#: How often a change is judged anew while facts come in, before its editor is asked to try again.
MOST_TRIES = 3


@login_required
@require_safe
def products(request: PersonRequest) -> HttpResponse:
    """Show every product with its rule in short."""
    hide_unless(request.user.is_manager)
    context = frame_of(request, current="jobs") | {"page": products_page()}
    return render(request, "scheduling/products.html", context)


@login_required
@require_safe
def product(request: PersonRequest, pk: int) -> HttpResponse:
    """Show a product's rules and how they came to be."""
    hide_unless(request.user.is_manager)
    page = product_page(get_object_or_404(Product, pk=pk))
    return render(request, "scheduling/product.html", frame_of(request, current="jobs") | {"page": page})


@login_required
@require_safe
def job_rules(request: PersonRequest, pk: int) -> HttpResponse:
    """Show what a job asks instead of its products, whether signed words count there, and the bands of its zones."""
    hide_unless(request.user.is_manager)
    page = job_rules_page(job_for(request.user, pk, now=request.now))
    context = frame_of(request, current="jobs") | {"page": page, "zone": page.zone}
    return render(request, "scheduling/job_rules.html", context)


@login_required
@never_cache
@require_http_methods(["GET", "POST"])
def product_rule(request: PersonRequest, pk: int) -> HttpResponse:
    """Change the rules of a product."""
    hide_unless(request.user.is_manager)
    return _edit(request, subjects.of_product(get_object_or_404(Product, pk=pk), request.user))


@login_required
@never_cache
@require_http_methods(["GET", "POST"])
def job_rule(request: PersonRequest, pk: int) -> HttpResponse:
    """Change what a job asks of every panel."""
    hide_unless(request.user.is_manager)
    return _edit(request, subjects.of_override(job_for(request.user, pk, now=request.now), None))


@login_required
@never_cache
@require_http_methods(["GET", "POST"])
def job_product_rule(request: PersonRequest, pk: int, product: int) -> HttpResponse:
    """Change what a job asks of one product."""
    hide_unless(request.user.is_manager)
    job = job_for(request.user, pk, now=request.now)
    found = get_object_or_404(Product, pk=product, kind__in=Product.PANELS)
    return _edit(request, subjects.of_override(job, found))


@login_required
@never_cache
@require_http_methods(["GET", "POST"])
def job_statements(request: PersonRequest, pk: int) -> HttpResponse:
    """Change whether a signed word counts on a job."""
    hide_unless(request.user.is_manager)
    return _edit(request, subjects.of_statements(job_for(request.user, pk, now=request.now)))


@login_required
@never_cache
@require_http_methods(["GET", "POST"])
def zone_band(request: PersonRequest, pk: int) -> HttpResponse:
    """Change the working band of a zone."""
    hide_unless(request.user.is_manager)
    return _edit(request, subjects.of_band(zone_for(request.user, pk, now=request.now)))


# ---- form, preview, save ----


def _edit(request: PersonRequest, subject: Subject) -> HttpResponse:
    if request.method == "GET":
        return _form_page(request, subject, _form(subject, None))
    step = request.POST.get("step", "preview")
    form = _form(subject, request.POST, is_draft=step == "edit")
    if form.is_draft:
        return _form_page(request, subject, form)
    if not form.is_valid():
        return _form_page(request, subject, form, status=422)
    if form.cleaned_data["version"] != version_of(subject.record):
        return _edited_meanwhile(request, subject, edited_meanwhile(subject.record))
    edit = RuleEdit(subject.record, form.changes)
    effects = effects_of(edit, now=request.now)
    if step == "save":
        return _save(request, subject, form, edit, effects)
    return _preview(request, subject, form, effects, ReasonForm())


def _save(
    request: PersonRequest, subject: Subject, form: RuleForm, edit: RuleEdit, effects: Effects
) -> HttpResponse:
    """Store a change that does what was shown, else show what it does now."""
    reason = ReasonForm(request.POST)
    if not reason.is_valid():
        return _preview(request, subject, form, effects, reason, status=422)
    for _try in range(MOST_TRIES):
        if effects.mark != request.POST.get("shown"):
            note = say("Facts came in, and it would do something else now. Nothing is saved. Look again.")
            return _preview(request, subject, form, effects, reason, note=note, status=409)
        try:
            rooms = change_rule(
                edit,
                seen=form.cleaned_data["version"],
                facts=effects.facts,
                among=effects.among,
                by=request.user,
                now=request.now,
                reason=reason.cleaned_data["reason"],
            )
        except FactsMoved:
            effects = effects_of(edit, now=request.now)
            continue
        except AlreadyDone as error:
            return _edited_meanwhile(request, subject, " ".join(error.messages))
        except ValidationError as error:
            form.add_error(None, error.messages)
            return _form_page(request, subject, form, status=422)
        states.refresh_due(rooms, now=request.now)
        _tell_saved(request, subject, effects)
        return redirect(subject.url)
    note = say("Facts come in faster than this can be judged. Nothing is saved. Try again.")
    return _preview(request, subject, form, effects, reason, note=note, status=409)


def _tell_saved(request: PersonRequest, subject: Subject, effects: Effects) -> None:
    messages.success(
        request, _("The rule is saved: {name}.").format(name=plain(subject.name, zone=subject.zone))
    )
    if effects.facts != request.POST.get("facts"):
        messages.info(request, _("Facts came in after it was shown; what the change does stayed the same."))


def _form(subject: Subject, data: QueryDict | None, *, is_draft: bool = False) -> RuleForm:
    return RuleForm(
        data,
        record=subject.record,
        groups=subject.groups,
        version=version_of(subject.record),
        empty=subject.empty,
        is_draft=is_draft,
    )


def _edited_meanwhile(request: PersonRequest, subject: Subject, why: str) -> HttpResponse:
    """Show the form with what was typed, told what somebody else did; sent again, it goes over that."""
    stands = type(subject.record)._default_manager.filter(pk=subject.record.pk).first()
    record = stands if stands is not None else subject.record
    data = request.POST.copy()
    data["version"] = str(version_of(record))
    form = _form(subject, data, is_draft=True)
    return _form_page(request, subject, form, already=why, status=409)


def _form_page(
    request: PersonRequest, subject: Subject, form: RuleForm, *, already: str = "", status: int = 200
) -> HttpResponse:
    context = {"subject": subject, "form": form, "zone": subject.zone, "already": already}
    page = frame_of(request, current="jobs") | context
    return render(request, "scheduling/rule.html", page, status=status)


def _preview(
    request: PersonRequest,
    subject: Subject,
    form: RuleForm,
    effects: Effects,
    reason: ReasonForm,
    *,
    note: Say | None = None,
    status: int = 200,
) -> HttpResponse:
    context = {
        "subject": subject,
        "form": form,
        "typed": [(name, value) for name in form.fields for value in request.POST.getlist(name)],
        "reason": reason,
        "effects": effects,
        "page": preview_page(subject.record, form.changes, effects),
        "note": Note(note, kind="clash", mark="clash") if note is not None else None,
        "zone": subject.zone,
    }
    return render(
        request,
        "scheduling/rule_preview.html",
        frame_of(request, current="jobs") | context,
        status=status,
    )
