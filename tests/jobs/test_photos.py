"""Photos: what is taken and refused, and what of a photo is shown; every file is made here."""

from __future__ import annotations

from io import BytesIO

import pytest
from PIL import Image, ImageCms

from jobs.photos import (
    MOST_BYTES,
    MOST_PIXELS,
    SHOWN_PX,
    THUMB_PX,
    Header,
    Kind,
    check_photo,
    kind_of,
    read_photo,
)
from jobs.uploaded import FileRefused, sha256_of
from tests.jobs.pictures import exif, picture, png_of_many_pixels, where_it_is_red, written

FORMS = {"JPEG": Kind.JPEG, "PNG": Kind.PNG, "WEBP": Kind.WEBP, "HEIF": Kind.HEIC}
SVG = b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'


def refused(body: bytes, *, by=check_photo) -> str:
    with pytest.raises(FileRefused) as said:
        by(body)
    return said.value.why.text


def opened(body: bytes) -> Image.Image:
    seen = Image.open(BytesIO(body))
    seen.load()
    return seen


# ---- what is taken


@pytest.mark.parametrize(("form", "kind"), FORMS.items())
def test_each_kind_is_known_by_its_bytes_and_read(form, kind):
    body = picture(form)

    photo = read_photo(body)

    assert check_photo(body) == Header(kind, 400, 200)
    assert (photo.kind, photo.width, photo.height) == (kind, 400, 200)
    assert photo.sha256 == sha256_of(body)
    assert (opened(photo.shown).format, opened(photo.thumb).format) == ("JPEG", "WEBP")
    assert where_it_is_red(photo.shown) == where_it_is_red(photo.thumb) == "top left"


# Where the red top left quarter comes to lie, by EXIF's own table of tag 274: 1 as it is, 2 and 4 mirrored, 3 upside
# down, 5 and 7 mirrored and lying, 6 and 8 lying.  From memory.
@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "HEIF"])
@pytest.mark.parametrize(
    ("orientation", "red", "is_lying"),
    [
        (1, "top left", False),
        (2, "top right", False),
        (3, "low right", False),
        (4, "low left", False),
        (5, "top left", True),
        (6, "top right", True),
        (7, "low right", True),
        (8, "low left", True),
    ],
)
def test_a_photo_is_shown_as_the_camera_was_held(form, orientation, red, is_lying):
    photo = read_photo(picture(form, exif=exif(orientation)))

    size = (200, 400) if is_lying else (400, 200)
    assert (photo.width, photo.height) == opened(photo.shown).size == size
    assert where_it_is_red(photo.shown) == where_it_is_red(photo.thumb) == red


@pytest.mark.parametrize(
    ("size", "shown", "thumb"),
    [
        pytest.param((100, 60), (100, 60), (100, 60), id="a-small-one-stays-as-it-is"),
        # 3000 : 1500 is 2048 : 1024, and 320 : 160.
        pytest.param((3_000, 1_500), (SHOWN_PX, 1_024), (THUMB_PX, 160), id="a-wide-one"),
        pytest.param((1_500, 3_000), (1_024, SHOWN_PX), (160, THUMB_PX), id="a-tall-one"),
        pytest.param((4_000, 2), (SHOWN_PX, 1), (THUMB_PX, 1), id="a-line"),
    ],
)
@pytest.mark.parametrize("form", ["JPEG", "PNG"])
def test_what_is_shown_is_no_larger_than_it_needs_to_be(form, size, shown, thumb):
    photo = read_photo(picture(form, size))

    assert (photo.width, photo.height) == size
    assert opened(photo.shown).size == shown
    assert opened(photo.thumb).size == thumb


@pytest.mark.parametrize("form", FORMS)
def test_nothing_of_where_and_whose_is_in_what_is_shown(form):
    body = picture(form, exif=exif())
    assert b"Somebody" in body

    photo = read_photo(body)

    for shown in (photo.shown, photo.thumb):
        assert b"Somebody" not in shown
        assert not opened(shown).getexif()
        assert not {"exif", "xmp", "icc_profile", "comment"} & set(opened(shown).info)


def test_what_hides_behind_the_end_or_in_a_comment_is_not_shown():
    hidden = b"<script>alert(1)</script>"
    body = picture("JPEG", comment=hidden) + hidden

    photo = read_photo(body)

    assert body.count(hidden) == 2
    assert hidden not in photo.shown + photo.thumb


@pytest.mark.parametrize(
    ("made", "pixel"),
    [
        pytest.param(Image.new("L", (9, 9), 100), (100,) * 3, id="grey"),
        # 30 000 of 65 535 is 117 of 255.
        pytest.param(Image.new("I;16", (9, 9), 30_000), (117,) * 3, id="grey-of-sixteen-bits"),
        pytest.param(Image.new("RGBA", (9, 9), (0, 0, 0, 0)), (255,) * 3, id="clear-is-white"),
        pytest.param(Image.new("LA", (9, 9), (0, 0)), (255,) * 3, id="clear-grey-is-white"),
        pytest.param(Image.new("1", (9, 9), 0), (0,) * 3, id="black-and-white"),
        pytest.param(Image.new("P", (9, 9), 0), (0,) * 3, id="a-palette"),
    ],
)
def test_every_way_of_writing_colours_is_read(made, pixel):
    seen = opened(read_photo(written(made, "PNG")).shown).getpixel((4, 4))

    assert all(abs(one - other) <= 2 for one, other in zip(seen, pixel, strict=True))


def test_colours_of_another_profile_are_shown_as_they_were_meant():
    # A profile whose red is the blue of sRGB: the names of the two columns are changed in its table (ICC.1, 7.3).
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    swapped = srgb.replace(b"rXYZ", b"----").replace(b"bXYZ", b"rXYZ").replace(b"----", b"bXYZ")
    red = Image.new("RGB", (9, 9), "red")

    as_it_is = opened(read_photo(written(red, "PNG", icc_profile=srgb)).shown).getpixel((4, 4))
    seen = opened(read_photo(written(red, "PNG", icc_profile=swapped)).shown).getpixel((4, 4))

    assert all(abs(one - other) <= 4 for one, other in zip(as_it_is, (255, 0, 0), strict=True))
    assert all(abs(one - other) <= 4 for one, other in zip(seen, (0, 0, 255), strict=True))


def test_a_profile_that_cannot_be_read_counts_as_none():
    assert where_it_is_red(read_photo(picture("PNG", icc_profile=b"no profile")).shown) == "top left"


@pytest.mark.filterwarnings("ignore:Corrupt EXIF data", "ignore:Truncated File Read")
@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"II*\x00\xff\xff\xff\xff" + b"\xff" * 20, id="a-table-that-is-not-there"),
        pytest.param(b"no table" + b"\xff" * 20, id="no-table"),
    ],
)
def test_data_of_the_camera_that_are_damaged_turn_nothing(data):
    body = picture("PNG", exif=b"Exif\x00\x00" + data)

    assert where_it_is_red(read_photo(body).shown) == "top left"


# ---- what is refused


@pytest.mark.parametrize(
    ("body", "kind", "text"),
    [
        pytest.param(
            SVG,
            Kind.SVG,
            "This is a drawing in SVG, which can carry a program. Send a photo: JPEG, PNG, WebP or HEIC.",
            id="a-script-in-an-svg",
        ),
        pytest.param(
            b'\xef\xbb\xbf \n<?xml version="1.0"?>' + SVG,
            Kind.SVG,
            "This is a drawing in SVG, which can carry a program. Send a photo: JPEG, PNG, WebP or HEIC.",
            id="an-svg-with-a-beginning",
        ),
        pytest.param(b"%PDF-1.7\n", Kind.PDF, "This is a PDF, not a photo. Add it as a paper.", id="a-pdf"),
        pytest.param(
            picture("GIF"),
            Kind.GIF,
            "Pictures in {kind} are not read. Send JPEG, PNG, WebP or HEIC.",
            id="a-gif",
        ),
        pytest.param(
            picture("TIFF"),
            Kind.TIFF,
            "Pictures in {kind} are not read. Send JPEG, PNG, WebP or HEIC.",
            id="a-tiff",
        ),
        pytest.param(
            picture("BMP"),
            Kind.BMP,
            "Pictures in {kind} are not read. Send JPEG, PNG, WebP or HEIC.",
            id="a-bmp",
        ),
        pytest.param(
            b"\x00\x00\x00\x1cftypavif\x00\x00\x00\x00mif1miaf",
            Kind.AVIF,
            "Pictures in {kind} are not read. Send JPEG, PNG, WebP or HEIC.",
            id="an-avif",
        ),
        pytest.param(
            b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00mp42isom",
            Kind.VIDEO,
            "This is a film. Send a photo: JPEG, PNG, WebP or HEIC.",
            id="a-film",
        ),
        pytest.param(b"", Kind.UNKNOWN, "This is no photo. Send JPEG, PNG, WebP or HEIC.", id="nothing"),
        pytest.param(
            b"<html><body>", Kind.UNKNOWN, "This is no photo. Send JPEG, PNG, WebP or HEIC.", id="a-page"
        ),
        pytest.param(
            b"\xff\xd8\xff",
            Kind.JPEG,
            "This photo is damaged: even its header cannot be read. Send it again.",
            id="a-header-cut-off",
        ),
    ],
)
def test_what_is_no_photo_is_refused_by_its_bytes(body, kind, text):
    assert kind_of(body) is kind
    assert refused(body) == refused(body, by=read_photo) == text


@pytest.mark.parametrize("form", FORMS)
def test_a_photo_cut_off_on_its_way_is_refused(form):
    body = picture(form, (1_200, 900))

    assert "Send it again." in refused(body[: len(body) * 2 // 3], by=read_photo)


TOO_MANY = "This photo has too many pixels; {most} million are read. Set the camera to a smaller size."


def test_a_photo_of_sixty_megapixels_is_refused_before_it_is_decoded():
    body = written(Image.new("L", (10_000, 6_000), 128), "JPEG")

    assert refused(body) == refused(body, by=read_photo) == TOO_MANY


@pytest.mark.parametrize(
    ("width", "height"),
    [
        pytest.param(30_000, 30_000, id="a-bomb-of-900-million"),
        pytest.param(10_000, 9_000, id="fewer-than-the-readers-own-limit"),
        pytest.param(10_000, 5_100, id="just-above-ours"),
    ],
)
def test_a_small_file_of_many_pixels_is_refused(width, height):
    body = png_of_many_pixels(width, height)
    assert len(body) < 200_000

    assert refused(body) == TOO_MANY


def test_a_photo_at_the_limit_is_taken():
    body = png_of_many_pixels(10_000, 5_000)

    assert check_photo(body) == Header(Kind.PNG, 10_000, 5_000)
    assert MOST_PIXELS == 10_000 * 5_000


def test_a_webp_has_a_limit_of_its_own():
    # Of a lossless one the header alone: 14 bits each for width and height, less one (RFC 9649, section 3.4).
    bits = (5_999 | 3_999 << 14).to_bytes(4, "little")
    stream = b"\x2f" + bits + bytes(11)
    chunk = b"VP8L" + len(stream).to_bytes(4, "little") + stream
    body = b"RIFF" + (4 + len(chunk)).to_bytes(4, "little") + b"WEBP" + chunk

    with pytest.raises(FileRefused) as said:
        check_photo(body)

    assert (said.value.why.text, said.value.why.values["most"]) == (TOO_MANY, 20)


def test_a_file_of_too_many_bytes_is_refused_before_it_is_opened():
    assert refused(picture("JPEG") + bytes(MOST_BYTES)) == (
        "A photo has at most {most} MB. Make it smaller and choose it again."
    )
