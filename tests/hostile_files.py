"""Makers of files that people (and phones, and malice) hand in; shared by the tests of all layers.

``HOSTILE`` names every file that must be refused with words; ``ODD`` every unusual file that must be read.
All bytes are made here, from a seed, so that nothing binary is kept in the repository.
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Callable
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Pixels = NDArray[np.uint8]

BAD_NAMES = (
    "quote'quote\".jpg",
    "line\nbreak.jpg",
    "plug \U0001f50c.jpg",
    '=HYPERLINK("x").jpg',
    "<b>bold</b>.jpg",
    "..\\..\\up.jpg",
    "per%20cent;semi.jpg",
    "a" * 200 + ".jpg",
)
"""File names that break quoting, terminals, spreadsheets, web pages and path handling."""


def scene(width: int = 96, height: int = 64, seed: int = 0) -> Pixels:
    """Return an asymmetric picture (H x W x 3): each corner has its own colour, smooth in between."""
    corners = np.array([[[220, 40, 40], [40, 200, 60]], [[50, 70, 210], [230, 220, 60]]], np.uint8)
    picture = np.asarray(Image.fromarray(corners).resize((width, height), Image.Resampling.BILINEAR))
    grain = np.random.default_rng(seed).integers(-4, 5, picture.shape)
    return np.clip(picture.astype(np.int16) + grain, 0, 255).astype(np.uint8)


def encode(picture: Pixels | Image.Image, kind: str = "JPEG", **options: object) -> bytes:
    """Return ``picture`` as file bytes; ``kind`` is a Pillow format name, or ``HEIF``."""
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    buffer = io.BytesIO()
    image.save(buffer, kind, **options)
    return buffer.getvalue()


def phone_exif(
    orientation: int = 1, taken: datetime | None = None, offset: str = "", *, gps: bool = False
) -> Image.Exif:
    """Return an EXIF block as phones write it: orientation, capture time, maker, place."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F] = "SecretMaker"
    block = exif.get_ifd(0x8769)
    if taken is not None:
        block[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")
    if offset:
        block[0x9011] = offset
    if gps:
        exif.get_ifd(0x8825).update({1: "N", 2: (52.0, 30.0, 0.0), 3: "E", 4: (13.0, 22.0, 0.0)})
    return exif


def phone_jpeg(picture: Pixels, orientation: int = 1, **exif_options: object) -> bytes:
    """Return JPEG bytes whose stored pixels are ``picture`` turned so that ``orientation`` undoes it."""
    undo = {
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }
    image = Image.fromarray(picture)
    stored = image.transpose(undo[orientation]) if orientation in undo else image
    exif = phone_exif(orientation, **exif_options)  # type: ignore[arg-type]
    return encode(stored, "JPEG", quality=92, exif=exif)


def png_bomb(width: int = 30_000, height: int = 30_000) -> bytes:
    """Return a small PNG that would unpack to ``width`` x ``height`` x 3 bytes of black."""
    return rows_png(width, height, given=min(height, 64))


def rows_png(width: int, height: int, channels: int = 3, bits: int = 8, *, given: int | None = None) -> bytes:
    """Return a small PNG of equal rows (grey, grey and alpha, colour, or colour and alpha), of which the
    first ``given`` are there (default: all)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    colour = {1: 0, 2: 4, 3: 2, 4: 6}[channels]
    header = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    packer = zlib.compressobj(9)
    row = b"\0" * (1 + width * channels * bits // 8)
    rows = b"".join(packer.compress(row) for _ in range(height if given is None else given)) + packer.flush()
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def truncated_jpeg() -> bytes:
    """Return the first half of a JPEG."""
    whole = encode(scene(400, 300))
    return whole[: len(whole) // 2]


def zero_filled_jpeg() -> bytes:
    """Return a JPEG of the right length whose second half was never copied."""
    whole = encode(scene(400, 300))
    return whole[: len(whole) // 2] + b"\0" * (len(whole) - len(whole) // 2)


def animation(kind: str) -> bytes:
    """Return a three-frame animation, ``WEBP`` or ``PNG``."""
    frames = [Image.fromarray(scene(seed=seed)) for seed in range(3)]
    return encode(frames[0], kind, save_all=True, append_images=frames[1:], duration=100)


def cmyk_jpeg() -> bytes:
    """Return a four-colour JPEG as print shops send it."""
    return encode(Image.fromarray(scene()).convert("CMYK"), quality=95)


def deep_grey_png() -> bytes:
    """Return a 16-bit greyscale PNG whose low bytes differ from its high bytes."""
    grey = scene()[:, :, 1].astype(np.uint16)
    return encode(Image.fromarray(grey * 256 + 255 - grey), "PNG")


def _palette_png() -> bytes:
    return encode(Image.fromarray(scene()).quantize(64), "PNG")


def _alpha(kind: str) -> bytes:
    picture = np.dstack([scene(), np.full(scene().shape[:2], 255, np.uint8)])
    picture[:8, :, 3] = 0
    return encode(picture, kind)


def _phone_burst() -> bytes:
    """Return a multi-picture JPEG, as phones write it for depth and brightness maps."""
    second = Image.fromarray(scene(48, 32, seed=1))
    return encode(scene(), "MPO", save_all=True, append_images=[second])


HOSTILE: dict[str, Callable[[], bytes]] = {
    "empty.jpg": lambda: b"",
    "text.jpg": lambda: b"Dear colleague, the photo is attached.\n" * 20,
    "half.jpg": truncated_jpeg,
    "zero_filled.jpg": zero_filled_jpeg,
    "header_only.jpg": lambda: encode(scene())[:24],
    "bomb.png": png_bomb,
    "half.png": lambda: encode(scene(400, 300), "PNG")[:5000],
    "half.webp": lambda: encode(scene(400, 300), "WEBP")[:700],
    "half.heic": lambda: encode(scene(400, 300), "HEIF")[:1500],
    "moving.webp": lambda: animation("WEBP"),
    "moving.png": lambda: animation("PNG"),
    "picture.gif": lambda: encode(scene(), "GIF"),
    "page.pdf": lambda: encode(scene(), "PDF"),
    "archive.jpg": lambda: zip_of({"a.txt": b"hello"}),
}
"""name -> bytes that must be refused with words."""

ODD: dict[str, Callable[[], bytes]] = {
    "cmyk.jpg": cmyk_jpeg,
    "grey.jpg": lambda: encode(scene()[:, :, 0]),
    "several_pictures.jpg": _phone_burst,
    "with_video_behind.jpg": lambda: encode(scene()) + b"\0\0\0\x18ftypmp42" + bytes(5000),
    "progressive.jpg": lambda: encode(scene(), progressive=True),
    "deep_grey.png": deep_grey_png,
    "palette.png": _palette_png,
    "alpha.png": lambda: _alpha("PNG"),
    "alpha.webp": lambda: _alpha("WEBP"),
    "one_bit.png": lambda: encode(Image.fromarray(scene()).convert("1"), "PNG"),
    "grey_alpha.png": lambda: encode(Image.fromarray(scene()).convert("LA"), "PNG"),
    "still.webp": lambda: encode(scene(), "WEBP"),
    "lossless.webp": lambda: encode(scene(), "WEBP", lossless=True),
    "phone.heic": lambda: encode(scene(), "HEIF", quality=90),
    "wrong_end.txt": lambda: encode(scene()),
}
"""name -> bytes of an unusual but sound photo of ``scene()``."""


def zip_of(entries: dict[str, bytes]) -> bytes:
    """Return a zip of ``entries``, names taken as they are (also ``../`` and absolute ones)."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in entries.items():
            archive.writestr(zipfile.ZipInfo(name), body)
    return buffer.getvalue()


def locked(data: bytes) -> bytes:
    """Return a zip with the encryption bit set for every entry, in local headers and in the directory."""
    changed = bytearray(data)
    for signature, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = changed.find(signature)
        while at >= 0:
            flags = struct.unpack_from("<H", changed, at + offset)[0]
            struct.pack_into("<H", changed, at + offset, flags | 1)
            at = changed.find(signature, at + 4)
    return bytes(changed)


def climbing_zip() -> bytes:
    """Return a zip whose entries try to leave the folder they are unpacked into."""
    photo = encode(scene())
    return zip_of({"../up.jpg": photo, "/root.jpg": photo, "..\\back.jpg": photo, "good.jpg": photo})


def nested_zip(depth: int = 3) -> bytes:
    """Return a zip in a zip (in a zip ...), a photo at the bottom."""
    inner = zip_of({"photo.jpg": encode(scene())})
    for level in range(depth - 1):
        inner = zip_of({f"level{level}.zip": inner})
    return inner


def crowded_zip(count: int = 10_000) -> bytes:
    """Return a zip with ``count`` tiny entries."""
    return zip_of({f"{number}.jpg": b"x" for number in range(count)})


def zip_bomb(megabytes: int = 300) -> bytes:
    """Return a zip with one entry that unpacks to ``megabytes`` of zeros."""
    return zip_of({"big.jpg": b"\0" * (megabytes * 1_000_000)})


def locked_zip() -> bytes:
    """Return a zip whose entry claims to be encrypted: nobody has the password."""
    return locked(zip_of({"photo.jpg": encode(scene())}))


def broken_zip() -> bytes:
    """Return a zip cut off in the middle."""
    whole = zip_of({"photo.jpg": encode(scene(400, 300))})
    return whole[: len(whole) // 2]
