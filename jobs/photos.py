"""Photos: what kind of file somebody sent, and two pictures for show made of it that say nothing of where it was.

What a file is, is read from its bytes, never from its name.  What is shown is a new picture of the same pixels:
no position, no camera, no comment and nothing hidden behind the end goes with it.  The original stays as it
came, and its SHA-256 says so.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from enum import StrEnum
from io import BytesIO

import pillow_heif
from PIL import ExifTags, Image, ImageCms

from jobs.core.words import Say, say
from jobs.uploaded import FileRefused, sha256_of

#: A photo is at most so large, in bytes and in pixels: what a phone makes is far below.
MOST_BYTES = 25 * 1024 * 1024
MOST_PIXELS = 50_000_000
#: Its reader holds a picture four times over: no camera writes one, and what is passed on is far smaller.
MOST_PIXELS_OF_WEBP = 20_000_000
#: The longer side of the picture that is shown and of the one in a list.
SHOWN_PX, THUMB_PX = 2_048, 320
SHOWN_TYPE, THUMB_TYPE = "image/jpeg", "image/webp"

pillow_heif.register_heif_opener()
# Whatever else in this process opens pictures keeps to the same limit.
Image.MAX_IMAGE_PIXELS = MOST_PIXELS


class Kind(StrEnum):
    """What a file is, by its first bytes."""

    JPEG = "jpeg"
    PNG = "png"
    WEBP = "webp"
    HEIC = "heic"
    AVIF = "avif"
    GIF = "gif"
    TIFF = "tiff"
    BMP = "bmp"
    SVG = "svg"
    PDF = "pdf"
    VIDEO = "video"
    UNKNOWN = "unknown"


#: The kinds that are read, and the reader of each.
_READERS = {Kind.JPEG: "JPEG", Kind.PNG: "PNG", Kind.WEBP: "WEBP", Kind.HEIC: "HEIF"}
#: What a damaged file makes the readers raise.
_BROKEN = (OSError, SyntaxError, ValueError, EOFError, IndexError, KeyError, TypeError, RuntimeError)
_BROKEN_INSIDE = (struct.error, zlib.error)


@dataclass(frozen=True, slots=True)
class Header:
    """What the beginning of a photo says of it; pixels as the camera held it."""

    kind: Kind
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo read: its size upright, the hash of the original, and two pictures to show."""

    kind: Kind
    width: int
    height: int
    sha256: str
    #: `SHOWN_TYPE`, at most `SHOWN_PX` a side.
    shown: bytes
    #: `THUMB_TYPE`, at most `THUMB_PX` a side.
    thumb: bytes


def kind_of(body: bytes) -> Kind:
    """Return what a file is by its first bytes."""
    for start, kind in _STARTS:
        if body.startswith(start):
            return kind
    if body[:4] == b"RIFF" and body[8:12] == b"WEBP":
        return Kind.WEBP
    if body[4:8] == b"ftyp":
        return _kind_of_brands(body)
    text = body[:4_096].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if text.startswith(b"<") and (b"<svg" in text or text.startswith(b"<?xml")):
        return Kind.SVG
    return Kind.UNKNOWN


_STARTS = (
    (b"\xff\xd8\xff", Kind.JPEG),
    (b"\x89PNG\r\n\x1a\n", Kind.PNG),
    (b"GIF8", Kind.GIF),
    (b"II*\x00", Kind.TIFF),
    (b"MM\x00*", Kind.TIFF),
    (b"BM", Kind.BMP),
    (b"%PDF-", Kind.PDF),
)
# ISO/IEC 23008-12 annex B and the AVIF specification name the brands; from memory.
_HEIC_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx"})
_AVIF_BRANDS = frozenset({b"avif", b"avis"})


def _kind_of_brands(body: bytes) -> Kind:
    """Return the kind of a file of boxes by the brands that its first box names."""
    length = min(int.from_bytes(body[:4], "big"), 4_096)
    brands = {body[8:12]} | {body[i : i + 4] for i in range(16, length, 4)}
    if brands & _HEIC_BRANDS:
        return Kind.HEIC
    return Kind.AVIF if brands & _AVIF_BRANDS else Kind.VIDEO


def check_photo(body: bytes) -> Header:
    """Return what the header of a photo says, without decoding a pixel of it.

    Raises:
        FileRefused: too many bytes or pixels, no photo, or a header that cannot be read.
    """
    if len(body) > MOST_BYTES:
        most = MOST_BYTES // 1024**2
        raise FileRefused(
            say("A photo has at most {most} MB. Make it smaller and choose it again.", most=most)
        )
    kind = kind_of(body)
    with _opened(body, kind) as picture:
        header = Header(kind, *picture.size)
    most = MOST_PIXELS_OF_WEBP if kind is Kind.WEBP else MOST_PIXELS
    if header.width * header.height > most:
        raise FileRefused(_too_many_pixels(most))
    return header


def read_photo(body: bytes) -> Photo:
    """Return a photo with the pictures that are shown of it: upright, in the common colours, without its data.

    It takes a second or two of a worker's time, and up to some 400 MB while it does.

    Raises:
        FileRefused: as `check_photo`, or a picture that is cut off or damaged.
    """
    kind = check_photo(body).kind
    with _opened(body, kind) as picture:
        width, height = picture.size
        try:
            # A JPEG can be decoded at a part of its size, but not below what is shown.
            picture.draft("RGB", (SHOWN_PX, SHOWN_PX))
            picture.load()
        except (*_BROKEN, *_BROKEN_INSIDE) as broken:
            raise FileRefused(say("This photo is cut off or damaged. Send it again.")) from broken
        turn = _turn_of(picture)
        shown = _plain(picture, turn)
    if turn in _SIDEWAYS:
        width, height = height, width
    thumb = shown.copy()
    thumb.thumbnail((THUMB_PX, THUMB_PX))
    return Photo(
        kind,
        width,
        height,
        sha256_of(body),
        shown=_written(shown, "JPEG", quality=85, optimize=True),
        thumb=_written(thumb, "WEBP", quality=75),
    )


def _opened(body: bytes, kind: Kind) -> Image.Image:
    """Return a photo of which only the header was read.

    Raises:
        FileRefused: it is none, or its header cannot be read or promises too many pixels.
    """
    if kind not in _READERS:
        raise FileRefused(_not_a_photo(kind))
    try:
        return Image.open(BytesIO(body), formats=[_READERS[kind]])
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as bomb:
        raise FileRefused(_too_many_pixels(MOST_PIXELS)) from bomb
    except (*_BROKEN, *_BROKEN_INSIDE) as broken:
        raise FileRefused(
            say("This photo is damaged: even its header cannot be read. Send it again.")
        ) from broken


def _too_many_pixels(most: int) -> Say:
    return say(
        "This photo has too many pixels; {most} million are read. Set the camera to a smaller size.",
        most=most // 10**6,
    )


def _not_a_photo(kind: Kind) -> Say:
    match kind:
        case Kind.PDF:
            return say("This is a PDF, not a photo. Add it as a paper.")
        case Kind.SVG:
            return say(
                "This is a drawing in SVG, which can carry a program. Send a photo: JPEG, PNG, WebP or HEIC."
            )
        case Kind.VIDEO:
            return say("This is a film. Send a photo: JPEG, PNG, WebP or HEIC.")
        case Kind.UNKNOWN:
            return say("This is no photo. Send JPEG, PNG, WebP or HEIC.")
        case _:
            return say(
                "Pictures in {kind} are not read. Send JPEG, PNG, WebP or HEIC.", kind=kind.value.upper()
            )


def _turn_of(picture: Image.Image) -> Image.Transpose | None:
    """Return how to turn the picture upright (None: it is); data of the camera that cannot be read turn nothing."""
    try:
        orientation = picture.getexif().get(ExifTags.Base.Orientation)
    except (*_BROKEN, *_BROKEN_INSIDE):
        return None
    return _TURNS.get(orientation) if isinstance(orientation, int) else None


#: By the orientation that the camera wrote (EXIF 2.3, tag 274; from memory).
_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
_SIDEWAYS = (
    Image.Transpose.TRANSPOSE,
    Image.Transpose.ROTATE_270,
    Image.Transpose.TRANSVERSE,
    Image.Transpose.ROTATE_90,
)


def _plain(picture: Image.Image, turn: Image.Transpose | None) -> Image.Image:
    """Return a new picture of the same pixels, upright, to be shown, on white where it lets light through."""
    small = _in_mode_to_show(picture)
    small.thumbnail((SHOWN_PX, SHOWN_PX))
    coloured = _in_common_colours(small)
    upright = coloured.transpose(turn) if turn is not None else coloured
    plain = Image.new("RGB", upright.size, "white")
    plain.paste(upright, mask=upright.getchannel("A") if upright.mode == "RGBA" else None)
    return plain


def _in_mode_to_show(picture: Image.Image) -> Image.Image:
    """Return the picture in RGB, RGBA or grey of eight bits."""
    if picture.mode in ("RGB", "RGBA", "L"):
        return picture
    if picture.mode.startswith("I"):
        # Grey of sixteen bits would be cut off at the lowest eight.
        return picture.convert("I").point(lambda value: value * (1 / 256)).convert("L")
    return picture.convert("RGBA" if picture.has_transparency_data else "RGB")


def _in_common_colours(picture: Image.Image) -> Image.Image:
    """Return the picture in sRGB; a colour profile that cannot be read counts as none, as browsers have it."""
    profile = picture.info.get("icc_profile")
    if not profile or picture.mode not in ("RGB", "RGBA"):
        return picture
    try:
        own = ImageCms.ImageCmsProfile(BytesIO(profile))
        changed = ImageCms.profileToProfile(picture, own, ImageCms.createProfile("sRGB"))
    except (ImageCms.PyCMSError, OSError):
        return picture
    return changed if changed is not None else picture


def _written(picture: Image.Image, form: str, **options: int) -> bytes:
    body = BytesIO()
    picture.save(body, form, **options)
    return body.getvalue()
