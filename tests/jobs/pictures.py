"""Pictures made for tests: four quarters of which one is red, in every kind, with what a camera writes into them."""

from __future__ import annotations

import zlib
from io import BytesIO

import pillow_heif
from PIL import ExifTags, Image

pillow_heif.register_heif_opener()

#: Where a picture's four quarters are, by their names.
QUARTERS = {
    "top left": (0.25, 0.25),
    "top right": (0.75, 0.25),
    "low left": (0.25, 0.75),
    "low right": (0.75, 0.75),
}


def exif(orientation: int = 1) -> bytes:
    """Return what a camera writes: how it was held, where it was, and whose it is."""
    written = Image.Exif()
    written[ExifTags.Base.Orientation] = orientation
    written[ExifTags.Base.Artist] = "Somebody"
    position = written.get_ifd(ExifTags.IFD.GPSInfo)
    position[ExifTags.GPS.GPSLatitudeRef] = "N"
    position[ExifTags.GPS.GPSLatitude] = (48.0, 51.0, 24.0)
    return written.tobytes()


def picture(form: str, size: tuple[int, int] = (400, 200), *, mode: str = "RGB", **options) -> bytes:
    """Return a white picture with a red top left quarter, in one of Pillow's forms."""
    made = Image.new(mode, size, "white")
    made.paste("red", (0, 0, size[0] // 2, size[1] // 2))
    return written(made, form, **options)


def written(made: Image.Image, form: str, **options) -> bytes:
    body = BytesIO()
    made.save(body, form, **options)
    return body.getvalue()


def where_it_is_red(body: bytes) -> str:
    """Return which quarter of a picture is red."""
    with Image.open(BytesIO(body)) as seen:
        green = seen.convert("RGB").getchannel("G")
    width, height, rows = green.width, green.height, green.tobytes()
    red = [name for name, (x, y) in QUARTERS.items() if rows[int(height * y) * width + int(width * x)] < 100]
    assert len(red) == 1
    return red[0]


def png_of_many_pixels(width: int, height: int) -> bytes:
    """Return a small PNG that unpacks to a picture of so many pixels, one bit each (PNG specification, part 5)."""
    packer = zlib.compressobj(9)
    row = bytes(1 + (width + 7) // 8)
    rows = b"".join(packer.compress(row * 100) for _ in range(height // 100)) + packer.flush()
    header = width.to_bytes(4, "big") + height.to_bytes(4, "big") + bytes([1, 0, 0, 0, 0])
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", header) + _chunk(b"IDAT", rows) + _chunk(b"IEND", b"")


def _chunk(name: bytes, body: bytes) -> bytes:
    return len(body).to_bytes(4, "big") + name + body + zlib.crc32(name + body).to_bytes(4, "big")
