"""What a photo file says of itself: which way is up, when and with which camera it was taken.

All of it is written by others: it is read as far as it makes sense, and never costs us the photo.
"""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta, timezone

from PIL.ImageFile import ImageFile

_MAKE, _MODEL, _ORIENTATION = 0x010F, 0x0110, 0x0112
_EXIF_BLOCK = 0x8769
# (date and time, its UTC offset): DateTimeOriginal first, then DateTimeDigitized. The plain DateTime tag is
# left out because editing programs overwrite it.
_TIME_TAGS = ((0x9003, 0x9011), (0x9004, 0x9012))
# No camera is older; and the last year of the calendar cannot be put into every time zone.
_YEARS = range(1990, 9999)
_CAMERA_LENGTH, _TEXT_LENGTH = 80, 1000
_quiet_lock = threading.Lock()


def stated(image: ImageFile) -> tuple[int, datetime | None, str]:
    """Return orientation, capture time and camera as the file states them.

    The time is aware where the file states a UTC offset, else naive; the camera is make and model as one
    printable line of at most 80 characters, empty where the file names none. Nothing else is read.
    """
    try:
        with quiet():
            exif = image.getexif()
            orientation, make, model = exif.get(_ORIENTATION, 1), exif.get(_MAKE), exif.get(_MODEL)
            block = exif.get_ifd(_EXIF_BLOCK)
            times = [(block.get(when), block.get(offset)) for when, offset in _TIME_TAGS]
    except Exception:  # Pillow raises SyntaxError, struct.error, OSError, ... on damaged EXIF
        return 1, None, ""
    taken_at = next((time for time in map(_parse_time, times) if time is not None), None)
    return orientation, taken_at, _camera(make, model)


def _camera(make: object, model: object) -> str:
    """Name the camera once: many a model repeats its make."""
    maker, name = _line(make), _line(model)
    known = name.casefold().startswith(maker.casefold())
    return (name if known else f"{maker} {name}".strip())[:_CAMERA_LENGTH].strip()


def _line(value: object) -> str:
    """Return text of a file as one line; what is no text, or does not print (controls, marks that turn the
    direction of writing), is left out."""
    if not isinstance(value, str):
        return ""
    with suppress(UnicodeError):  # Pillow reads such text as Latin-1; some cameras write UTF-8
        value = value.encode("latin-1").decode("utf-8")
    text = value.split("\0", 1)[0][:_TEXT_LENGTH]
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _parse_time(value: tuple[object, object]) -> datetime | None:
    stamp, offset = value
    try:
        time = datetime.strptime(str(stamp).strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    if time.year not in _YEARS:
        return None
    zone = _parse_offset(offset)
    return time.replace(tzinfo=zone) if zone is not None else time


def _parse_offset(offset: object) -> timezone | None:
    """Read ``+02:00`` (EXIF 2.31 OffsetTimeOriginal)."""
    text = str(offset).strip("\0 ")
    try:
        hours, minutes = int(text[1:3]), int(text[4:6])
    except ValueError:
        return None
    if len(text) != 6 or text[0] not in "+-" or text[3] != ":" or hours > 14 or minutes > 59:
        return None
    return timezone((timedelta(hours=hours, minutes=minutes)) * (-1 if text[0] == "-" else 1))


@contextmanager
def quiet() -> Iterator[None]:
    """Keep Pillow's warnings about odd metadata away from users. Changing the warning filters is not
    thread-safe, hence the lock; only header and metadata parsing run inside, never decoding."""
    with _quiet_lock, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield
