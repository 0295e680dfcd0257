"""Loggers that report by themselves: added with a token that is shown once, renewed, given zones, ended."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from config.http import PersonRequest
from jobs.access import hide_unless
from jobs.models import Job, Logger, Zone
from jobs.services import loggers as services
from scheduling import states
from scheduling.frame import frame_of
from scheduling.inputs import CountField, InWords
from scheduling.pages.loggers import logger_view, loggers_page
from scheduling.parts import Labelled
from scheduling.views.ingest import PATH

LEAST_MIN, MOST_MIN = (
    int(most / timedelta(minutes=1)) for most in (services.LEAST_SILENCE, services.MOST_SILENCE)
)
USUAL_MIN = 60


if TYPE_CHECKING:
    ChoiceOfZones = forms.ModelMultipleChoiceField[Zone]
else:
    ChoiceOfZones = forms.ModelMultipleChoiceField


class ZonesField(ChoiceOfZones):
    """Zones by name, with their jobs and the numbers by which a logger may call them."""

    def label_from_instance(self, obj: Any) -> str:
        """Return how a zone is offered."""
        return Labelled(obj.name, hint=_("{job}; number {n}").format(job=obj.job.name, n=obj.pk))


class ZonesForm(InWords, forms.Form):
    """For which zones a logger may report, and after how long it is silent."""

    zones = ZonesField(
        queryset=Zone.objects.none(),
        label=gettext_lazy("Zones it may report for"),
        widget=forms.CheckboxSelectMultiple,
    )
    silent_after = CountField(
        least=LEAST_MIN,
        most=MOST_MIN,
        initial=USUAL_MIN,
        label=gettext_lazy("Silent after, minutes"),
        help_text=gettext_lazy("Three times as long as it usually takes from one post to the next."),
    )

    def __init__(self, *args: Any, logger: Logger | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        zones = Zone.objects.filter(job__closed_at__isnull=True)
        if logger is not None:
            zones = zones | Zone.objects.filter(pk__in=logger.zones.all())
        field = self.fields["zones"]
        assert isinstance(field, ZonesField)
        field.queryset = zones.select_related("job").order_by("job__name", "name", "pk")

    @property
    def patience(self) -> timedelta:
        """After how long the logger is silent."""
        return timedelta(minutes=self.cleaned_data["silent_after"])

    def take(self, error: ValidationError) -> None:
        """Show a service's refusal at the field it names."""
        for column, errors in error.message_dict.items():
            name = "silent_after" if column == "silent_after_s" else column
            for words in errors:
                self.add_error(name if name in self.fields else None, words)


class LoggerForm(ZonesForm):
    """A new logger."""

    field_order = ("name", "zones", "silent_after")

    name = forms.CharField(
        max_length=120,
        label=gettext_lazy("Name"),
        help_text=gettext_lazy(
            "Its number, or where it hangs. If its files were read in before, the very name they had: "
            "then nothing is stored twice. It cannot be changed."
        ),
    )


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def loggers(request: PersonRequest) -> HttpResponse:
    """Show the manager every logger; on POST add one and show its token, this once."""
    hide_unless(request.user.is_manager)
    if request.method != "POST":
        return _list(request, LoggerForm())
    form = LoggerForm(request.POST)
    if not form.is_valid():
        return _list(request, form, status=422)
    data = form.cleaned_data
    try:
        logger, token = services.add_logger(
            name=data["name"],
            zones=list(data["zones"]),
            silent_after=form.patience,
            by=request.user,
            now=request.now,
        )
    except ValidationError as error:
        form.take(error)
        return _list(request, form, status=422)
    return _one(request, logger, token=token)


@login_required
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def logger(request: PersonRequest, pk: int) -> HttpResponse:
    """Show one logger; on POST say anew which zones are its own, and after how long it is silent."""
    hide_unless(request.user.is_manager)
    found = get_object_or_404(Logger, pk=pk)
    if request.method != "POST":
        return _one(request, found)
    form = ZonesForm(request.POST, logger=found)
    if not form.is_valid():
        return _one(request, found, form=form, status=422)
    services.edit_logger(
        found,
        zones=list(form.cleaned_data["zones"]),
        silent_after=form.patience,
        by=request.user,
        now=request.now,
    )
    states.refresh_due(now=request.now)
    messages.success(request, _("Kept."))
    return redirect("scheduling:logger", pk)


@login_required
@never_cache
@require_POST
def renew_token(request: PersonRequest, pk: int) -> HttpResponse:
    """Give a logger a new token and show it, this once; the old one serves no longer."""
    hide_unless(request.user.is_manager)
    found = get_object_or_404(Logger, pk=pk)
    try:
        token = services.renew_token(found, by=request.user, now=request.now)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
        return redirect("scheduling:logger", pk)
    return _one(request, found, token=token)


@login_required
@require_POST
def end_logger(request: PersonRequest, pk: int) -> HttpResponse:
    """End a logger; what it said stays."""
    hide_unless(request.user.is_manager)
    services.end_logger(get_object_or_404(Logger, pk=pk), by=request.user, now=request.now)
    states.refresh_due(now=request.now)
    messages.success(request, _("It is ended. What it read stays; its token opens nothing any more."))
    return redirect("scheduling:loggers")


def _list(request: PersonRequest, form: LoggerForm, *, status: int = 200) -> HttpResponse:
    context = frame_of(request, current="loggers") | {
        "page": loggers_page(now=request.now),
        "form": form,
        "has_zones": Job.objects.filter(closed_at__isnull=True, zones__isnull=False).exists(),
    }
    return render(request, "scheduling/loggers.html", context, status=status)


def _one(
    request: PersonRequest,
    logger: Logger,
    *,
    token: str | None = None,
    form: ZonesForm | None = None,
    status: int = 200,
) -> HttpResponse:
    view = logger_view(logger, now=request.now)
    if form is None:
        given = {"zones": logger.zones.all(), "silent_after": view.logger.silent_after_s // 60}
        form = ZonesForm(initial=given, logger=logger)
    context = frame_of(request, current="loggers") | {
        "page": view,
        "form": form,
        "token": token,
        "address": settings.BASE_URL + PATH,
    }
    return render(request, "scheduling/logger.html", context, status=status)
