"""Uploaded files, refused while they are still coming where they are too large.

A view that takes files looks at the length that a request says it has before anything reads its body; the
check against forged requests reads it too, so such a view begins outside that check:

    @login_required
    @csrf_exempt
    def view(request):
        upload = Upload(request, most=…)
        return _view(request, upload)      # `_view` is `csrf_protect`

"""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.files.uploadedfile import UploadedFile
from django.core.files.uploadhandler import FileUploadHandler, StopUpload
from django.http import HttpRequest

#: What a form says beside its files: names, boundaries, answers.
FORM_BYTES = 256 * 1024
#: A browser that is not heard out shows an error of its own; so much is heard and thrown away.
HEARD_OUT = 512 * 1024 * 1024
_AT_ONCE = 1024 * 1024


class Upload(FileUploadHandler):
    """What may come with one request: it stops the files that are more than `most` bytes together."""

    def __init__(self, request: HttpRequest, *, most: int) -> None:
        super().__init__(request)
        self.most = most
        self.seen = 0
        self.is_too_large = _said_length(request) > most + FORM_BYTES
        if self.is_too_large:
            _hear_out(request)
        elif request.method == "POST":
            request.upload_handlers.insert(0, self)

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes:
        """Count, and hand on; one byte too many ends the upload."""
        self.seen += len(raw_data)
        if self.seen > self.most:
            self.is_too_large = True
            raise StopUpload(connection_reset=False)
        return raw_data

    def file_complete(self, file_size: int) -> None:
        """Leave it to the handlers that keep the file."""


def _said_length(request: HttpRequest) -> int:
    text = str(request.META.get("CONTENT_LENGTH") or "0")
    return int(text) if text.isascii() and text.isdigit() else 0


def _hear_out(request: HttpRequest) -> None:
    heard = 0
    while heard < HEARD_OUT and (part := request.read(_AT_ONCE)):
        heard += len(part)


class FilesInput(forms.FileInput):
    """One or more files, by the device's own picker."""

    allow_multiple_selected = True


class FilesField(forms.FileField):
    """One or more files; gives a list."""

    widget = FilesInput

    def clean(self, data: Any, initial: Any = None) -> list[UploadedFile[Any]]:
        """Check each file as a single one is checked."""
        files = data if isinstance(data, list | tuple) else [data]
        return [super(FilesField, self).clean(one, initial) for one in files or [None]]
