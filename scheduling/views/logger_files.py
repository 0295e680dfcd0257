"""A logger's file for a zone: what it leaves open is asked, and it is read back in words before it is stored.

Every step carries the file's hash and the answers so far; nothing waits on the server but the bytes.  What the firm
remembers of such files is filled in where nobody has answered, and shown.  From the page that reads back on, the
answers that were filled in travel as given: what is stored is what was shown, whoever changes the memory meanwhile.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import UTC
from pathlib import PurePath
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.core.handlers.wsgi import LimitedStream
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import content_disposition_header
from django.utils.translation import gettext_lazy as _
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from config.http import PersonRequest
from jobs.access import hide_unless, may_record_site, require, zone_for
from jobs.core.conditions import Band
from jobs.core.logger_file import (
    MAX_BYTES,
    Answers,
    Ask,
    FileError,
    Question,
    ReadOut,
    answers_of,
    header_in,
    read,
    size_error,
)
from jobs.core.logger_values import Refused
from jobs.core.logger_zones import zone_named
from jobs.core.sample_logger import sample_logger_csv
from jobs.core.words import Say, say
from jobs.core.worktime import time_zone
from jobs.models import KeptFile, LoggerMapping, ReadingFile, Zone
from jobs.services.kept import keep_file, kept_file
from jobs.services.mappings import REMEMBERED, Recalled, forget, holds_at, mapping_of, recall, remember
from jobs.services.readings import Source, Stored, check_readings, compare, store_readings
from scheduling import states
from scheduling.frame import frame_of
from scheduling.inputs import InWords
from scheduling.pages.logger_file import choose_page, conflicts_ledger, counted, memory_of, read_page
from scheduling.parts import Labelled
from scheduling.printing import plain
from scheduling.uploads import Upload

ANSWERS = tuple(one.name for one in fields(Answers))
LONGEST_LOGGER = 120
_LONGEST_KEY = 19
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
    """What a file leaves open, as fields named like the answers.

    `given` was answered of this file, `before` of one with the same header: it is chosen beforehand.
    """

    def __init__(
        self,
        questions: tuple[Question, ...],
        given: Mapping[str, str],
        before: Mapping[str, str],
        *,
        zone: Zone,
        data: Any = None,
    ) -> None:
        super().__init__(data)
        for question in questions:
            key = question.key
            self.fields[key] = _field_of(question, given.get(key), before.get(key), zone)


def _field_of(question: Question, given: str | None, before: str | None, zone: Zone) -> forms.Field:
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
        return TimeZoneField(label=label, initial=given or before or site_zone, help_text=_words(free, zone))
    choices = [(choice.value, Labelled(_words(choice.words, zone))) for choice in question.choices]
    return forms.ChoiceField(
        label=label,
        choices=choices,
        widget=forms.RadioSelect,
        initial=given or before or question.likely,
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
    def is_anew(self) -> bool:
        """Whether only what is given counts, and nothing is filled in."""
        return "anew" in self.request.POST

    @property
    def unfit(self) -> tuple[str, ...]:
        """Return the remembered answers that were found not to fit this file when it was read back."""
        return tuple(name for name in self.request.POST.getlist("unfit") if name in REMEMBERED)

    @property
    def site_zone(self) -> str:
        """Return the name of the site's time zone."""
        return str(self.zone.job.site.time_zone)

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
            why = say("This file is no longer kept here. Choose it again.")
            return _refused(request, zone, why, logger=request.POST.get("logger", ""))
        return _go_on(Chosen(request, zone, kept, _logger_of(kept, zone, request.POST.get("logger", ""))))
    # What came is known only now that it was read to the end.
    if upload.is_too_large:
        return _too_large(request, zone)
    if _is_cut_short(request):
        why = say("The file came only in part: the line broke off. Nothing of it was read. Choose it again.")
        return _refused(request, zone, why, logger=request.POST.get("logger", ""))
    form = LoggerFileForm(request.POST, request.FILES)
    if not form.is_valid():
        return _page(request, zone, form=form, status=422)
    file = form.cleaned_data["file"]
    kept = keep_file(file.name, file.read(), by=request.user, now=request.now)
    return _go_on(Chosen(request, zone, kept, _logger_of(kept, zone, form.cleaned_data["logger"])))


def _go_on(chosen: Chosen) -> HttpResponse:
    """Read the file with the answers so far: ask on, say what is wrong, read it back, or store it."""
    recalled = _recalled(chosen)
    match recalled.out:
        case Ask(questions):
            return _asked(chosen, questions, recalled)
        case FileError() as error:
            return _wrong(chosen, _words(_placed(error), chosen.zone))
        case ReadOut() as out:
            try:
                check_readings(out.readings, zone=chosen.zone, now=chosen.request.now)
            except ValidationError as error:
                return _wrong(chosen, " ".join(error.messages))
            if "store" in chosen.request.POST:
                return _store(chosen, out)
            return _read_back(chosen, out, recalled)


def _recalled(chosen: Chosen) -> Recalled:
    """Read the file with what is given, and with what is remembered of such files unless it is asked anew."""
    body = bytes(chosen.kept.body)
    header = header_in(body)
    if chosen.is_anew:
        return Recalled(read(body, answers_of(chosen.given)), mapping_of(header), {}, chosen.unfit)
    return recall(body, header, chosen.given, site_zone=chosen.site_zone)


def _asked(
    chosen: Chosen, questions: tuple[Question, ...], recalled: Recalled, wrong: str = ""
) -> HttpResponse:
    """Show the questions; those that were shown before and are answered by nothing of use, with an error.

    What is remembered is chosen beforehand, unless it does not fit the file.
    """
    post = chosen.request.POST
    keys = [question.key for question in questions]
    again = not wrong and set(keys) <= set(post.getlist("asked"))
    before = {} if recalled.mapping is None else recalled.mapping.answers
    before = {
        name: said
        for name, said in before.items()
        if name not in recalled.contradicted and holds_at(name, said, chosen.site_zone)
    }
    form = QuestionsForm(questions, chosen.given, before, zone=chosen.zone, data=post if again else None)
    context = {
        "memory": memory_of(recalled),
        "questions": form,
        "asked": keys,
        "hidden": {name: text for name, text in chosen.given.items() if name not in keys},
        "unfit": recalled.contradicted if chosen.is_anew else (),
        "anew": chosen.is_anew,
        "chosen": chosen,
        "wrong": wrong,
    }
    status = 422 if wrong or again else 200
    return _page(chosen.request, chosen.zone, form=LoggerFileForm(), status=status, **context)


def _wrong(chosen: Chosen, words: str) -> HttpResponse:
    """Say why nothing can be stored; where answers led to it, they can be given anew."""
    body = bytes(chosen.kept.body)
    mapping = mapping_of(header_in(body))
    if chosen.given or mapping is not None:
        match read(body):
            case Ask(questions) as ask:
                return _asked(chosen, questions, Recalled(ask, mapping, {}), words)
    # The name of the logger was typed with this file: it is not typed twice.
    typed = chosen.request.POST.get("logger", "") if chosen.request.FILES else ""
    form = LoggerFileForm(initial={"logger": typed})
    return _page(chosen.request, chosen.zone, form=form, status=422, chosen=chosen, wrong=words)


def _read_back(chosen: Chosen, out: ReadOut, recalled: Recalled) -> HttpResponse:
    stored = compare(out.readings, zone=chosen.zone, logger=chosen.logger)
    context = {
        "chosen": chosen,
        "page": read_page(out, stored),
        "hidden": {**recalled.used, **chosen.given},
        "unfit": recalled.contradicted,
        "anew": True,
        "memory": memory_of(recalled),
    }
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
    # What is stored has its file kept for good; who chose it last week may come back only now.
    keep_file(chosen.kept.name, bytes(chosen.kept.body), by=request.user, now=request.now)
    remember(out.header, chosen.given, contradicted=chosen.unfit, by=request.user, now=request.now)
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
    if "questions" not in context:
        page["page"] = choose_page(zone, person=request.user)
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


def _refused(request: PersonRequest, zone: Zone, why: Say, *, logger: str = "") -> HttpResponse:
    form = LoggerFileForm({"logger": logger}, {})
    form.errors.clear()
    form.add_error("file", _words(why, zone))
    return _page(request, zone, form=form, status=422)


def _after(zone: Zone) -> str:
    """Return where to go when the air is stored: to the room, where the zone has but one."""
    rooms = list(zone.rooms.values_list("pk", flat=True)[:2])
    if len(rooms) == 1:
        return reverse("scheduling:room", args=rooms)
    return reverse("scheduling:zone", args=[zone.pk])


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


def _is_cut_short(request: PersonRequest) -> bool:
    """Return whether fewer bytes came than the request said it has.

    Django takes a part of a file for the whole where the body ends early; only the stream below it counts.
    """
    stream = request._stream
    return isinstance(stream, LimitedStream) and stream._pos < stream.limit  # type: ignore[attr-defined]


# ---- what is kept and remembered ----


@login_required
@require_safe
def logger_original(request: PersonRequest, pk: UUID) -> HttpResponse:
    """Hand out the very bytes that a file's readings came from, as evidence; never shown by a browser."""
    file = get_object_or_404(ReadingFile, pk=pk)
    zone_for(request.user, file.zone_id, now=request.now)
    kept = kept_file(file.sha256)
    if kept is None:
        raise Http404
    headers = {
        "Content-Disposition": content_disposition_header(True, file.name) or "attachment",
        "X-Content-Type-Options": "nosniff",
        "Cache-Control": "private, no-store",
    }
    return HttpResponse(bytes(kept.body), content_type="application/octet-stream", headers=headers)


@login_required
@require_POST
def forget_mapping(request: PersonRequest, pk: int) -> HttpResponse:
    """Forget what was answered about files with one header."""
    hide_unless(request.user.is_manager)
    mapping = get_object_or_404(LoggerMapping, pk=pk)
    forget(mapping)
    messages.success(request, _("Forgotten: with the next such file it is asked again."))
    back = request.POST.get("zone", "")
    if back.isascii() and back.isdigit() and len(back) < _LONGEST_KEY:
        return redirect("scheduling:logger_file", back)
    return redirect("scheduling:jobs")


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
