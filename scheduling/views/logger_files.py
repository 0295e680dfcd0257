"""A logger's file for a zone: what it leaves open is asked, and it is read back in words before it is stored."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import UTC
from pathlib import PurePath
from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext_lazy as _
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods, require_safe

from config.http import PersonRequest
from jobs.access import may_record_site, require, zone_for
from jobs.core.conditions import Band
from jobs.core.logger_file import (
    MAX_BYTES,
    Answers,
    Ask,
    FileError,
    Question,
    ReadOut,
    answers_of,
    read,
    size_error,
)
from jobs.core.logger_values import Refused
from jobs.core.logger_zones import zone_named
from jobs.core.sample_logger import sample_logger_csv
from jobs.core.words import Say, say
from jobs.core.worktime import time_zone
from jobs.models import KeptFile, ReadingFile, Zone
from jobs.services.kept import keep_file, kept_file
from jobs.services.readings import Source, Stored, check_readings, compare, store_readings
from scheduling import states
from scheduling.frame import frame_of
from scheduling.inputs import InWords
from scheduling.pages.logger_file import conflicts_ledger, counted, read_page
from scheduling.parts import Labelled
from scheduling.printing import plain
from scheduling.uploads import Upload

ANSWERS = tuple(one.name for one in fields(Answers))
LONGEST_LOGGER = 120
#: Browsers name a second copy so; it is the same logger's.
_COPY = re.compile(r"\s*\(\d+\)$")


class LoggerFileForm(InWords, forms.Form):
    """A logger's file, and what the logger is called."""

    file = forms.FileField(
        label=_("File"),
        help_text=_("The CSV or text file that the logger's own program writes. 50 MB at most."),
        error_messages={"empty": _("There is nothing in this file.")},
    )
    logger = forms.CharField(
        label=_("Logger"),
        required=False,
        max_length=LONGEST_LOGGER,
        help_text=_("Its number, or where it hangs; the same each time. Empty: the file's name."),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["file"].widget.attrs["accept"] = ".csv,.txt,.tsv,text/csv,text/plain"


class QuestionsForm(forms.Form):
    """What a file leaves open, as fields named like the answers."""

    def __init__(
        self, questions: tuple[Question, ...], given: Mapping[str, str], *, zone: Zone, data: Any = None
    ) -> None:
        super().__init__(data)
        for question in questions:
            self.fields[question.key] = _field_of(question, given.get(question.key), zone)


def _field_of(question: Question, given: str | None, zone: Zone) -> forms.Field:
    label, example = _words(question.text, zone), question.example
    hint = (
        ""
        if example is None
        else _words(say("Row {row}: {cells}", row=str(example.row), cells=example.text), zone)
    )
    # A zone that is asked for the first time is free: what the file names of it is one way to answer.
    if question.key == "time_zone" and (given is None or not question.choices):
        free = say(
            "{hint}. A name such as Europe/Paris; or UTC+01:00 for a clock that nobody changes.", hint=hint
        )
        site_zone = zone.job.site.time_zone
        return TimeZoneField(label=label, initial=given or site_zone, help_text=_words(free, zone))
    choices = [(choice.value, Labelled(_words(choice.words, zone))) for choice in question.choices]
    return forms.ChoiceField(
        label=label,
        choices=choices,
        widget=forms.RadioSelect,
        initial=given or question.likely,
        help_text=hint,
        error_messages={"required": _("Choose one."), "invalid_choice": _("Choose one.")},
    )


class TimeZoneField(forms.CharField):
    """The name of a time zone, or a clock that never changes."""

    default_error_messages = {"required": _("Nothing is written here.")}

    def validate(self, value: Any) -> None:
        """Refuse what is neither."""
        super().validate(value)
        try:
            zone_named(value)
        except Refused as refused:
            raise ValidationError(_words(refused.error.why, None)) from refused


@dataclass(frozen=True, slots=True)
class Chosen:
    """A file that is kept, for a zone, as a logger's, with the answers given so far."""

    request: PersonRequest
    zone: Zone
    kept: KeptFile
    logger: str

    @property
    def given(self) -> dict[str, str]:
        """Return the answers as they were typed, less those that are none."""
        typed = {name: self.request.POST.get(name, "").strip() for name in ANSWERS}
        return {name: text for name, text in typed.items() if text and _can_be(name, text)}

    @property
    def source(self) -> Source:
        """Return where its readings come from."""
        return Source(self.kept.name, self.kept.sha256, self.logger)


def _can_be(name: str, text: str) -> bool:
    try:
        answers_of({name: text})
        if name == "time_zone":
            zone_named(text)
    except (Refused, ValueError):
        return False
    return True


# ---- the steps ----


@login_required
@csrf_exempt
@require_http_methods(["GET", "HEAD", "POST"])
def logger_file(request: PersonRequest, pk: int) -> HttpResponse:
    """Take a file; ask what it leaves open; read it back in words; store what was read back."""
    zone = zone_for(request.user, pk, now=request.now)
    require(may_record_site(request.user, zone.job, now=request.now))
    upload = Upload(request, most=MAX_BYTES)
    return _too_large(request, zone) if upload.is_too_large else _logger_file(request, zone, upload)


@csrf_protect
def _logger_file(request: PersonRequest, zone: Zone, upload: Upload) -> HttpResponse:
    if request.method != "POST":
        return _page(request, zone, form=LoggerFileForm())
    if sha256 := request.POST.get("kept"):
        kept = kept_file(sha256)
        if kept is None:
            return _refused(request, zone, say("This file is no longer kept here. Choose it again."))
        return _go_on(Chosen(request, zone, kept, _logger_of(kept, zone, request.POST.get("logger", ""))))
    # What came is known only now that it was read to the end.
    if upload.is_too_large:
        return _too_large(request, zone)
    form = LoggerFileForm(request.POST, request.FILES)
    if not form.is_valid():
        return _page(request, zone, form=form, status=422)
    file = form.cleaned_data["file"]
    kept = keep_file(file.name, file.read(), by=request.user, now=request.now)
    return _go_on(Chosen(request, zone, kept, _logger_of(kept, zone, form.cleaned_data["logger"])))


def _go_on(chosen: Chosen) -> HttpResponse:
    """Read the file with the answers so far: ask on, say what is wrong, read it back, or store it."""
    match read(bytes(chosen.kept.body), answers_of(chosen.given)):
        case Ask(questions):
            return _asked(chosen, questions)
        case FileError() as error:
            return _wrong(chosen, _words(_placed(error), chosen.zone))
        case ReadOut() as out:
            try:
                check_readings(out.readings, zone=chosen.zone, now=chosen.request.now)
            except ValidationError as error:
                return _wrong(chosen, " ".join(error.messages))
            return _store(chosen, out) if "store" in chosen.request.POST else _read_back(chosen, out)


def _asked(chosen: Chosen, questions: tuple[Question, ...], wrong: str = "") -> HttpResponse:
    """Show the questions; those that were shown before and are answered by nothing of use, with an error."""
    post = chosen.request.POST
    keys = [question.key for question in questions]
    again = not wrong and set(keys) <= set(post.getlist("asked"))
    form = QuestionsForm(questions, chosen.given, zone=chosen.zone, data=post if again else None)
    context = {
        "questions": form,
        "asked": keys,
        "hidden": {name: text for name, text in chosen.given.items() if name not in keys},
        "chosen": chosen,
        "wrong": wrong,
    }
    status = 422 if wrong or again else 200
    return _page(chosen.request, chosen.zone, form=LoggerFileForm(), status=status, **context)


def _wrong(chosen: Chosen, words: str) -> HttpResponse:
    """Say why nothing can be stored; where answers led to it, they can be given anew."""
    if chosen.given:
        match read(bytes(chosen.kept.body)):
            case Ask(questions):
                return _asked(chosen, questions, words)
    return _page(chosen.request, chosen.zone, form=LoggerFileForm(), status=422, chosen=chosen, wrong=words)


def _read_back(chosen: Chosen, out: ReadOut) -> HttpResponse:
    stored = compare(out.readings, zone=chosen.zone, logger=chosen.logger)
    context = {"chosen": chosen, "page": read_page(out, stored), "hidden": chosen.given}
    return _rendered(chosen, context, stored)


def _store(chosen: Chosen, out: ReadOut) -> HttpResponse:
    """Store the readings, and say what came of it: on the next page, or here where something contradicts."""
    request, zone = chosen.request, chosen.zone
    try:
        stored = store_readings(
            out.readings, zone=zone, source=chosen.source, by=request.user, now=request.now
        )
    except ValidationError as error:
        return _wrong(chosen, " ".join(error.messages))
    states.refresh_due(now=request.now)
    if stored.conflicts:
        return _rendered(chosen, {"chosen": chosen, "done": counted(stored)}, stored)
    said = say("“{name}”: {counted}", name=chosen.kept.name, counted=counted(stored))
    messages.success(request, _words(said, zone))
    return redirect(_after(zone))


# ---- pages ----


def _rendered(chosen: Chosen, context: dict[str, Any], stored: Stored) -> HttpResponse:
    conflicts = conflicts_ledger(stored.conflicts) if stored.conflicts else None
    frame = _frame(chosen.request, chosen.zone) | {"conflicts": conflicts}
    return render(chosen.request, "scheduling/logger_file_read.html", frame | context)


def _page(
    request: PersonRequest, zone: Zone, *, form: LoggerFileForm, status: int = 200, **context: Any
) -> HttpResponse:
    page = _frame(request, zone) | {"form": form} | context
    return render(request, "scheduling/logger_file.html", page, status=status)


def _frame(request: PersonRequest, zone: Zone) -> dict[str, Any]:
    return frame_of(request, current="jobs") | {
        "air": zone,
        "job": zone.job,
        "back": _after(zone),
        "zone": time_zone(zone.job.site.time_zone),
    }


def _too_large(request: PersonRequest, zone: Zone) -> HttpResponse:
    error = size_error(MAX_BYTES + 1)
    assert error is not None
    return _refused(request, zone, error.why)


def _refused(request: PersonRequest, zone: Zone, why: Say) -> HttpResponse:
    form = LoggerFileForm({}, {})
    form.errors.clear()
    form.add_error("file", _words(why, zone))
    return _page(request, zone, form=form, status=422)


def _after(zone: Zone) -> str:
    """Return where to go when the air is stored: to the room, where the zone has but one."""
    rooms = list(zone.rooms.values_list("pk", flat=True)[:2])
    if len(rooms) == 1:
        return reverse("scheduling:room", args=rooms)
    return reverse("scheduling:job", args=[zone.job_id])


def _logger_of(kept: KeptFile, zone: Zone, typed: str) -> str:
    """Return what the logger is called: as typed, else as this very file was stored before, else as its file."""
    if typed.strip():
        return typed.strip()[:LONGEST_LOGGER]
    files = ReadingFile.objects.filter(zone=zone, sha256=kept.sha256)
    before = files.order_by("recorded_at").values_list("logger", flat=True).first()
    return before or _COPY.sub("", PurePath(kept.name).stem).strip()[:LONGEST_LOGGER] or kept.name


def _placed(error: FileError) -> Say:
    """Return what is wrong with a file, with its row and column."""
    if error.row is None:
        return error.why
    if error.column is None:
        return say("Row {row}: {why}", row=str(error.row), why=error.why)
    return say(
        "Row {row}, column {column}: {why}", row=str(error.row), column=str(error.column), why=error.why
    )


def _words(said: Say, zone: Zone | None) -> str:
    return plain(said, zone=UTC if zone is None else time_zone(zone.job.site.time_zone))


# ---- the sample ----


@login_required
@require_safe
def logger_sample(request: PersonRequest, pk: int) -> HttpResponse:
    """Hand out a logger's file of the last 40 hours, made now, to try the import with."""
    zone = zone_for(request.user, pk, now=request.now)
    require(may_record_site(request.user, zone.job, now=request.now))
    band = Band(zone.t_min, zone.t_max, zone.rh_min, zone.rh_max)
    body = sample_logger_csv(end=request.now, zone=zone.job.site.time_zone, band=band)
    headers = {
        "Content-Disposition": 'attachment; filename="sample-logger.csv"',
        "Cache-Control": "no-store",
    }
    return HttpResponse(body, content_type="text/csv; charset=utf-8", headers=headers)
