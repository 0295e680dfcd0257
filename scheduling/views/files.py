"""The job workbook: shown in words before anything of it is loaded; and the workbooks that we hand out."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy as _
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods, require_safe

from config.http import PersonRequest
from jobs.access import hide_unless
from jobs.core.words import Say, say
from jobs.core.worktime import time_zone
from jobs.services.kept import keep_file, kept_file
from scheduling import states
from scheduling.frame import frame_of
from scheduling.inputs import InWords
from scheduling.pages.workbook import counts_ledger, edits_ledger, told, wrongs_ledger
from scheduling.printing import plain
from scheduling.uploads import FilesField, Upload
from scheduling.workbook.check import check
from scheduling.workbook.load import LoadRefused, load, preview
from scheduling.workbook.read import LARGEST_FILE, packed, read_tables
from scheduling.workbook.write import SAMPLE_ZONE, empty_workbook, sample_workbook
from scheduling.workbook.wrong import Unusable, Wrong

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
TOO_LARGE = say("This is larger than 10 MB, and a job workbook is not. Nothing of it was read.")


class WorkbookForm(InWords, forms.Form):
    """The file or files of a job workbook."""

    workbook = FilesField(
        label=_("Workbook"),
        help_text=_(
            "One XLSX file; or CSV files named like its sheets, several at once or in a ZIP. 10 MB at most."
        ),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["workbook"].widget.attrs["accept"] = ".xlsx,.csv,.zip"


@login_required
@csrf_exempt
@require_http_methods(["GET", "HEAD", "POST"])
def workbook(request: PersonRequest) -> HttpResponse:
    """Take a workbook and show what is in it; the answer's button posts the hash of what was shown, to load it."""
    hide_unless(request.user.is_manager)
    upload = Upload(request, most=LARGEST_FILE)
    return _refused(request, TOO_LARGE) if upload.is_too_large else _workbook(request, upload)


@csrf_protect
def _workbook(request: PersonRequest, upload: Upload) -> HttpResponse:
    if request.method != "POST":
        return _page(request, form=WorkbookForm())
    if "load" in request.POST:
        return _load(request, request.POST["load"])
    # What came is known only now that it was read to the end.
    if upload.is_too_large:
        return _refused(request, TOO_LARGE)
    form = WorkbookForm(request.POST, request.FILES)
    if not form.is_valid():
        return _page(request, form=form, status=422)
    try:
        return _shown(request, *packed([(file.name, file.read()) for file in form.cleaned_data["workbook"]]))
    except Unusable as error:
        return _refused(request, error.why)


def _shown(request: PersonRequest, name: str, body: bytes) -> HttpResponse:
    """Show what is wrong in a file, or keep it and show what it would change.

    Raises:
        Unusable: it is no workbook.
    """
    checked = check(read_tables(name, body), by=request.user, now=request.now)
    if checked.wrongs:
        return _wrongs(request, name, checked.wrongs)
    kept = keep_file(name, body, by=request.user, now=request.now)
    try:
        loaded = preview(checked.rows, name=name, digest=kept.sha256, by=request.user, now=request.now)
    except LoadRefused as refused:
        return _wrongs(request, name, [refused.wrong])
    context = {
        "kept": kept,
        "name": name,
        "told": told(loaded.total),
        "changes": loaded.total.new + loaded.total.changed,
        "counts": counts_ledger(loaded),
        "edits": edits_ledger(loaded),
    }
    return render(request, "scheduling/workbook_preview.html", frame_of(request, current="jobs") | context)


def _load(request: PersonRequest, sha256: str) -> HttpResponse:
    """Load exactly the bytes that were shown."""
    kept = kept_file(sha256)
    if kept is None:
        return _refused(request, say("This file is no longer kept here. Choose it again."))
    name = kept.name
    try:
        checked = check(read_tables(name, bytes(kept.body)), by=request.user, now=request.now)
        if checked.wrongs:
            return _wrongs(request, name, checked.wrongs)
        loaded = load(checked.rows, name=name, digest=sha256, by=request.user, now=request.now)
    except Unusable as error:
        return _refused(request, error.why)
    except LoadRefused as refused:
        return _wrongs(request, name, [refused.wrong])
    states.refresh_due(now=request.now)
    said = say("“{name}” is loaded: {told}", name=name, told=told(loaded.total))
    messages.success(request, plain(said, zone=request.user.time_zone))
    return redirect("scheduling:jobs")


def _wrongs(request: PersonRequest, name: str, wrongs: list[Wrong] | tuple[Wrong, ...]) -> HttpResponse:
    context = {"name": name, "count": len(wrongs), "wrongs": wrongs_ledger(wrongs)}
    return _page(request, form=WorkbookForm(), status=422, **context)


def _refused(request: PersonRequest, why: Say) -> HttpResponse:
    form = WorkbookForm({}, {})
    form.errors.clear()
    form.add_error("workbook", plain(why, zone=request.user.time_zone))
    return _page(request, form=form, status=422)


def _page(request: PersonRequest, *, form: WorkbookForm, status: int = 200, **context: Any) -> HttpResponse:
    page = frame_of(request, current="jobs") | {"form": form} | context
    return render(request, "scheduling/workbook.html", page, status=status)


# ---- what we hand out ----


@login_required
@require_safe
def workbook_template(request: PersonRequest) -> HttpResponse:
    """Hand out the empty workbook."""
    hide_unless(request.user.is_manager)
    return _handed_out(empty_workbook(), "job-workbook.xlsx")


@login_required
@require_safe
def workbook_sample(request: PersonRequest) -> HttpResponse:
    """Hand out the filled workbook of an invented firm, its dates around today."""
    hide_unless(request.user.is_manager)
    today = request.now.astimezone(time_zone(SAMPLE_ZONE)).date()
    return _handed_out(sample_workbook(today), "sample-workbook.xlsx")


def _handed_out(body: bytes, name: str) -> HttpResponse:
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return HttpResponse(body, content_type=XLSX, headers=headers)
