"""Papers: PDFs made here by another hand than ours, whole, cut off, and other files under that name."""

from __future__ import annotations

import zlib
from io import BytesIO

import pytest
from reportlab.pdfgen.canvas import Canvas

from jobs.papers import MOST_BYTES, check_paper
from jobs.uploaded import FileRefused, sha256_of
from tests.jobs.pictures import picture


def pdf(**options) -> bytes:
    """Return a PDF of one page by reportlab, which is no part of what is tested."""
    body = BytesIO()
    canvas = Canvas(body, invariant=1, **options)
    canvas.drawString(72, 720, "Delivery note")
    canvas.save()
    return body.getvalue()


def pdf_with_a_stream_of_references() -> bytes:
    """Return a PDF whose objects and references are streams, by hand after ISO 32000-1, 7.5.7 and 7.5.8."""
    inner = [b"<</Type/Catalog/Pages 2 0 R>>", b"<</Type/Pages/Kids[]/Count 0>>"]
    heads = b"1 0 2 %d " % len(inner[0])
    packed = zlib.compress(heads + b"".join(inner))
    start = b"%PDF-1.5\n"
    objects = (
        b"3 0 obj\n<</Type/ObjStm/N 2/First %d/Filter/FlateDecode/Length %d>>\nstream\n%s\nendstream\nendobj\n"
        % (len(heads), len(packed), packed)
    )
    rows = zlib.compress(
        b"".join(bytes(row) for row in [(0, 0, 0), (2, 3, 0), (2, 3, 1), (1, 9, 0), (1, 200, 0)])
    )
    at = len(start) + len(objects)
    references = (
        b"4 0 obj\n<</Type/XRef/Size 5/W[1 1 1]/Root 1 0 R/Filter/FlateDecode/Length %d>>\nstream\n%s\nendstream\n"
        b"endobj\n" % (len(rows), rows)
    )
    return start + objects + references + b"startxref\n%d\n%%%%EOF\n" % at


def refused(body: bytes) -> str:
    with pytest.raises(FileRefused) as said:
        check_paper(body)
    return said.value.why.text


def test_a_pdf_is_taken_with_its_hash():
    body = pdf()

    paper = check_paper(body)

    assert (paper.version, paper.is_locked) == ("1.3", False)
    assert paper.sha256 == sha256_of(body)


def test_a_pdf_of_streams_is_taken():
    assert check_paper(pdf_with_a_stream_of_references()).version == "1.5"


def test_an_encrypted_one_is_taken_and_said_to_be():
    assert check_paper(pdf(encrypt="open sesame")).is_locked is True


def test_a_changed_one_is_read_at_its_newest_end():
    # An update stands after the first end, with references and an end of its own (ISO 32000-1, 7.5.6).
    body = pdf()
    at = len(body)
    root = body.split(b"/Root ")[1].split(b" R")[0]
    update = b"xref\n0 0\ntrailer\n<</Size 9/Root %s R/Prev 0>>\nstartxref\n%d\n%%%%EOF\n" % (root, at)

    assert check_paper(body + update).version == "1.3"


def test_what_mail_added_behind_the_end_does_no_harm():
    assert check_paper(pdf() + b"\r\n" * 20).version == "1.3"


@pytest.mark.parametrize("part", [0.3, 0.6, 0.9, 0.99])
def test_one_cut_off_on_its_way_is_refused(part):
    body = pdf()

    assert refused(body[: int(part * len(body))]) == "This PDF is cut off or damaged. Send it again."


def damaged(old: bytes, new: bytes) -> bytes:
    body = pdf()
    assert old in body
    return body.replace(old, new)


@pytest.mark.parametrize(
    "body",
    [
        pytest.param(b"%PDF-1.7\n", id="a-beginning-alone"),
        pytest.param(b"%PDF-1.7\nstartxref\n0\n%%EOF", id="references-that-are-not-there"),
        pytest.param(b"%PDF-1.7\nstartxref\n999\n%%EOF", id="references-beyond-the-end"),
        pytest.param(b"%PDF-1.7\nxref\nstartxref\n9\n%%EOF", id="no-trailer"),
        pytest.param(damaged(b"/Root", b"/Toor"), id="no-root"),
        pytest.param(damaged(b"%%EOF", b"%%FOE"), id="no-end"),
        pytest.param(pdf()[:9] + b" " * 40 + pdf()[9:], id="moved-references"),
        pytest.param(
            b"%PDF-1.7\nxref\ntrailer<</Root 7 0 R>>\nstartxref\n9\n%%EOF", id="a-root-that-is-not-there"
        ),
    ],
)
def test_a_damaged_one_is_refused(body):
    assert refused(body) == "This PDF is cut off or damaged. Send it again."


@pytest.mark.parametrize(
    ("body", "text"),
    [
        pytest.param(
            b"", "This is no PDF, whatever its name says. Save it as PDF and choose it again.", id="empty"
        ),
        pytest.param(
            b"PK\x03\x04",
            "This is no PDF, whatever its name says. Save it as PDF and choose it again.",
            id="a-zip",
        ),
        pytest.param(
            b"<html><script>alert(1)</script>",
            "This is no PDF, whatever its name says. Save it as PDF and choose it again.",
            id="a-page",
        ),
        pytest.param(picture("PNG"), "This is a photo, not a PDF. Add it as a photo.", id="a-photo"),
        pytest.param(
            b"%PDF-9.9\n",
            "This says that it is a PDF but does not begin as one. Save it as PDF again.",
            id="a-version-that-is-none",
        ),
        pytest.param(
            b"\n" + pdf(),
            "This is no PDF, whatever its name says. Save it as PDF and choose it again.",
            id="something-before-it",
        ),
    ],
)
def test_another_file_under_its_name_is_refused(body, text):
    assert refused(body) == text


def test_one_that_is_too_large_is_refused_before_it_is_read():
    with pytest.raises(FileRefused) as said:
        check_paper(bytes(MOST_BYTES + 1))

    assert (said.value.why.text, said.value.why.values["most"]) == ("A paper has at most {most} MB.", 25)
