"""Photo bytes to upright pixels: the only place that decodes a user's picture.

JPEG, PNG, WebP and HEIC are told apart by their first bytes, never by the file name. Each is opened with
its own reader, so that our size caps come before anything is decoded or allocated. JPEG is decoded at the
scale needed (the decoder skips the fine detail that would be thrown away), which makes a 12-megapixel photo
about three times cheaper than decoding it whole. Colour profiles are ignored: all values are read as sRGB.

Memory: what can only be decoded whole is converted and reduced in strips. A photo of ``MAX_PIXELS`` that is
reduced takes at most 10 bytes a pixel (1.2 GB) beside its file, at judging size a PNG 5 and a JPEG 1, unless
the JPEG is progressive (8, what its decoder holds); one of full size at most 12.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from io import BytesIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from PIL.ImageFile import ImageFile
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.WebPImagePlugin import WebPImageFile

from model.errors import PhotoError, PhotoTooLargeError, UnreadablePhotoError
from model.exif import quiet, stated

MAX_PIXELS = 120_000_000
"""More than any phone's largest common setting (108 megapixels) and far less than a decompression bomb."""
MAX_WEBP_PIXELS = 60_000_000
"""The WebP decoder holds four copies of a picture. Phones do not make WebP; messengers do, far smaller."""
MAX_BYTES = 100_000_000
READABLE = "a JPEG, PNG, WebP or HEIC photo"

_RESEND = "Send the original file from the phone again."
_HEVC_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx"})
_HEIC_BRANDS = _HEVC_BRANDS | {b"mif1", b"msf1"}
# A reduced JPEG this close to the wanted size is used as it is: 4032 / 4 = 1008 serves a wish for 1024.
_CLOSE_ENOUGH = 0.98
_DIVISORS = (8, 4, 2)
_FILTER, _GAP = Image.Resampling.HAMMING, 2.0
_STRIP_PIXELS = 2_000_000
_UPRIGHT: dict[int, Image.Transpose] = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
_SWAPS_SIDES = frozenset({5, 6, 7, 8})


@dataclass(frozen=True, eq=False)
class Photo:
    """An upright photo, possibly reduced, and nothing else from its file but time, camera and checksum.

    ``rgb`` is uint8, H x W x 3, sRGB, contiguous and writable. ``full_width`` and ``full_height`` are the
    upright size in the file; ``scale`` is pixels of ``rgb`` per pixel of the file (0 < scale <= 1).
    ``taken_at`` is aware when the file states a UTC offset, otherwise naive local time at the camera (the
    caller knows the site's time zone), and ``None`` when the file does not say. ``format`` is ``JPEG``,
    ``PNG``, ``WEBP`` or ``HEIC``; ``sha256`` is the hex digest of the original bytes. ``camera`` is make and
    model as the file states them, one printable line of at most 80 characters; empty when it does not.
    """

    rgb: NDArray[np.uint8] = field(repr=False)
    full_width: int
    full_height: int
    scale: float
    taken_at: datetime | None
    format: str
    sha256: str
    camera: str = ""


def open_photo(source: bytes | Path, *, max_side: int | None = None) -> Photo:
    """Decode one photo, upright.

    Args:
        source: the file's bytes, or its path.
        max_side: longest side of ``rgb`` in pixels; a larger photo comes out between 98 % of this and
            this. ``None`` keeps the size of the file. Photos are never enlarged.

    Raises:
        UnreadablePhotoError: empty, missing, damaged or incomplete, animated, or a kind we do not read.
        PhotoTooLargeError: more than ``MAX_PIXELS`` or ``MAX_BYTES``.
        ValueError: ``max_side`` is below 1 (a programming error, not the user's).
    """
    if max_side is not None and max_side < 1:
        message = f"max_side must be at least 1, not {max_side}"
        raise ValueError(message)
    data = _read(source)
    kind = _kind_of(data)
    try:
        return _decode(data, kind, max_side)
    except PhotoError:
        raise
    except Exception as error:  # decoders raise SyntaxError, struct.error, zlib.error, MemoryError, ...
        raise UnreadablePhotoError(READABLE, f"a damaged or incomplete {kind} file", _RESEND) from error


def reencode_clean(rgb: NDArray[np.uint8], *, quality: int = 90) -> bytes:
    """Return ``rgb`` (uint8, H x W x 3) as JPEG bytes that hold pixels only: no EXIF, GPS or profile."""
    buffer = BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=quality)
    return buffer.getvalue()


def _read(source: bytes | Path) -> bytes:
    if isinstance(source, Path):
        try:
            size = source.stat().st_size
            data = source.read_bytes() if size <= MAX_BYTES else b""
        except (OSError, ValueError) as error:
            came = getattr(error, "strerror", None) or "a path that cannot be used"
            raise UnreadablePhotoError("a photo file that can be read", came, "Check the path.") from error
    else:
        data, size = bytes(source), len(source)
    if size > MAX_BYTES:
        raise PhotoTooLargeError(
            f"a photo of at most {MAX_BYTES // 1_000_000} MB", f"{size / 1e6:.0f} MB", "Send a smaller photo."
        )
    if not data:
        raise UnreadablePhotoError(READABLE, "an empty file", _RESEND)
    return data


def _kind_of(data: bytes) -> str:
    """Name the format by its first bytes."""
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[4:8] == b"ftyp":
        box = data[8 : min(int.from_bytes(data[:4]), 400)]
        brands = {box[at : at + 4] for at in range(0, len(box), 4)}
        # The first brand may be the general one of both kinds.
        if b"avif" in brands and not brands & _HEVC_BRANDS:
            raise UnreadablePhotoError(READABLE, "an AVIF picture", "Send it as JPEG or HEIC.")
        if data[8:12] in _HEIC_BRANDS:
            return "HEIC"
    raise UnreadablePhotoError(
        READABLE,
        "a file whose content is none of these",
        "Send the original photo, whatever its name ends in.",
    )


def _decode(data: bytes, kind: str, max_side: int | None) -> Photo:
    with quiet():
        image = _open_as(kind, data)
    _refuse_oversize(image, kind)
    _refuse_animation(image, kind)
    width, height = image.size
    pixels = _loaded(image, data, kind, max_side)
    orientation, taken_at, camera = stated(image)
    small = _fit(pixels, (width, height), max_side)
    turn = _UPRIGHT.get(orientation)
    rgb = _to_rgb(small.transpose(turn) if turn is not None else small)
    if orientation in _SWAPS_SIDES:
        width, height = height, width
    return Photo(
        rgb=rgb,
        full_width=width,
        full_height=height,
        scale=max(rgb.shape[:2]) / max(width, height),
        taken_at=taken_at,
        format=kind,
        sha256=hashlib.sha256(data).hexdigest(),
        camera=camera,
    )


def _open_as(kind: str, data: bytes) -> ImageFile:
    """Read the header only. Plugins are called directly: ``Image.open`` would warn or raise about large
    pictures before our own cap is asked, and would try formats that we do not accept."""
    stream = BytesIO(data)
    if kind == "JPEG":
        return JpegImageFile(stream)
    if kind == "PNG":
        return PngImageFile(stream)
    if kind == "WEBP":
        return WebPImageFile(stream)
    from pillow_heif import HeifImageFile  # loads libheif, which a JPEG need not wait for

    return HeifImageFile(stream)  # type: ignore[no-untyped-call]


def _refuse_oversize(image: ImageFile, kind: str) -> None:
    width, height = image.size
    most = MAX_WEBP_PIXELS if kind == "WEBP" else MAX_PIXELS
    if width * height > most:
        todo = "Send the photo at the phone's normal size."
        raise PhotoTooLargeError(
            f"a {'WebP ' if kind == 'WEBP' else ''}photo of at most {most // 1_000_000} megapixels",
            f"{width} x {height} pixels ({width * height / 1e6:.0f} megapixels)",
            "Send the original JPEG or HEIC file from the phone." if width * height <= MAX_PIXELS else todo,
        )


def _refuse_animation(image: ImageFile, kind: str) -> None:
    # HEIC files often hold several stills; the decoder has already picked the primary one.
    frames = getattr(image, "n_frames", 1) if kind in {"PNG", "WEBP"} else 1
    if frames > 1:
        raise UnreadablePhotoError(
            "a still photo", f"an animation of {frames} pictures", "Send one still photo."
        )


def _loaded(image: ImageFile, data: bytes, kind: str, max_side: int | None) -> Image.Image:
    """Decode; a JPEG at the smallest of 1/2, 1/4, 1/8 of its size that still serves ``max_side``."""
    divisor = _divisor(max(image.size), max_side) if kind == "JPEG" else 1
    reduced = _reduced(data, divisor) if divisor > 1 and image.mode == "RGB" else None
    if reduced is not None:
        return reduced
    if divisor > 1:
        image.draft(None, (max(1, image.width // divisor), max(1, image.height // divisor)))
    image.load()
    return image


def _divisor(side: int, max_side: int | None) -> int:
    wanted = (max_side or side) * _CLOSE_ENOUGH
    return next((divisor for divisor in _DIVISORS if side / divisor >= wanted), 1)


def _reduced(data: bytes, divisor: int) -> Image.Image | None:
    """Return the pixels that Pillow would give, in four fifths of its time; ``None`` for a damaged file,
    which goes on to Pillow to be refused with words."""
    import cv2  # here: nothing else in this module needs it

    flag = {8: cv2.IMREAD_REDUCED_COLOR_8, 4: cv2.IMREAD_REDUCED_COLOR_4, 2: cv2.IMREAD_REDUCED_COLOR_2}
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flag[divisor] | cv2.IMREAD_IGNORE_ORIENTATION)
    return None if pixels is None else Image.fromarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB))


def _fit(image: Image.Image, full: tuple[int, int], max_side: int | None) -> Image.Image:
    if max_side is None or max(image.size) <= max_side:
        return image
    factor = max_side / max(full)
    size = (max(1, round(full[0] * factor)), max(1, round(full[1] * factor)))
    # Palette, alpha and 16-bit values cannot be averaged as they are stored.
    plain = image.mode in {"RGB", "L", "CMYK"}
    return image.resize(size, _FILTER, reducing_gap=_GAP) if plain else _converted_and_fit(image, size)


def _converted_and_fit(image: Image.Image, size: tuple[int, int]) -> Image.Image:
    """Return ``Image.resize`` of the picture in RGB, pixel for pixel, without ever holding all of that: its
    first step, whole pixels averaged by ``reduce``, is made strip by strip."""
    across, down = (max(1, int(of / to / _GAP)) for of, to in zip(image.size, size, strict=True))
    reduced = Image.new("RGB", (-(-image.width // across), -(-image.height // down)))
    for top, strip in _strips(image, down):
        reduced.paste(Image.fromarray(_strip_to_rgb(strip)).reduce((across, down)), (0, top // down))
    return reduced.resize(size, _FILTER, box=(0, 0, image.width / across, image.height / down))


def _to_rgb(image: Image.Image) -> NDArray[np.uint8]:
    rgb = np.empty((image.height, image.width, 3), np.uint8)
    for top, strip in _strips(image):
        rgb[top : top + strip.height] = _strip_to_rgb(strip)
    return rgb


def _strips(image: Image.Image, multiple: int = 1) -> Iterator[tuple[int, Image.Image]]:
    """Yield (top row, strip) of a few megapixels; all but the last have ``multiple`` rows, once or often."""
    rows = max(1, _STRIP_PIXELS // (image.width * multiple)) * multiple
    for top in range(0, image.height, rows):
        yield top, image.crop((0, top, image.width, min(top + rows, image.height)))


def _strip_to_rgb(image: Image.Image) -> NDArray[np.uint8]:
    if image.mode.startswith("I"):  # 16-bit grey; Pillow's own conversion would clip it to white
        grey = np.clip(np.asarray(image).astype(np.int64), 0, 65535) // 257
        return np.repeat(grey.astype(np.uint8)[:, :, None], 3, axis=2)
    if image.has_transparency_data:
        # What lies under transparent pixels was never meant to be seen: put mid-grey there.
        ground = Image.new("RGBA", image.size, (128, 128, 128, 255))
        image = Image.alpha_composite(ground, image.convert("RGBA"))
    return np.asarray(image if image.mode == "RGB" else image.convert("RGB"))
