"""Every error of the project, in one tree.

    RoundsError                     anything a user can be told about
    ├── PhotoError                  this file is not a photo that we can judge
    │   ├── UnreadablePhotoError      not a picture, damaged, or a kind we do not read
    │   └── PhotoTooLargeError        more pixels or bytes than we accept
    ├── UnknownFamilyError          a coupler family that is not in the table
    ├── ManifestError               a labelled set that cannot be used
    ├── ArtefactError               a model file that is missing, damaged or from another version
    ├── CalibrationError            too few examples to set a threshold
    └── StoreError                  the workspace (data_tools) refuses or cannot do it
        ├── NotFoundError             site, unit, photo or version that does not exist
        ├── ConflictError             it exists already, or somebody else was faster
        ├── NotAllowedError           this role may not do that
        ├── BadRequestError           the request itself is wrong
        └── StorageError              disk full, read-only, locked or damaged

Each message has one form: what was wanted, what came, what to do.
"""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager

START_AGAIN = "start again: nothing is lost, and what was live still is"
"""What to do where a training met trouble of the disk, once that is mended."""


class RoundsError(Exception):
    """Base of all errors a user can be told about; ``str(error)`` is fit to show."""

    def __init__(self, wanted: str, came: str, todo: str) -> None:
        self.wanted, self.came, self.todo = wanted, came, todo
        super().__init__(f"Wanted {wanted}; got {came}. {todo}")


class PhotoError(RoundsError):
    """This file is not a photo that we can judge."""


class UnreadablePhotoError(PhotoError):
    """Not a picture, damaged, or a kind we do not read."""


class PhotoTooLargeError(PhotoError):
    """More pixels or bytes than we accept."""


class UnknownFamilyError(RoundsError):
    """A coupler family that is not in the table."""

    def __init__(self, key: str, known: tuple[str, ...]) -> None:
        super().__init__(f"a coupler family of {', '.join(known)}", repr(key), "Use one of these keys.")


class ManifestError(RoundsError):
    """A labelled set that cannot be used."""


class ArtefactError(RoundsError):
    """A model file that is missing, damaged or from another version."""


class CalibrationError(RoundsError):
    """Too few examples to set a threshold at the stated risk."""


class StoreError(RoundsError):
    """The workspace refuses a request or cannot carry it out."""


class NotFoundError(StoreError):
    """A site, unit, photo or model version that does not exist."""


class ConflictError(StoreError):
    """It exists already, or somebody else was faster."""


class NotAllowedError(StoreError):
    """The actor's role may not do that."""


class BadRequestError(StoreError):
    """The request itself is wrong."""


class StorageError(StoreError):
    """Disk full, read-only, locked or damaged."""


_MEND = {
    errno.ENOSPC: "Free some disk space",
    errno.EDQUOT: "Free some disk space",
    errno.EROFS: "Make the workspace folder writable",
    errno.EACCES: "Make the workspace folder writable",
}


@contextmanager
def storage_errors(wanted: str, again: str = "send it again") -> Iterator[None]:
    """Turn ``OSError`` into ``StorageError`` that says what was ``wanted``, and what to do ``again`` then."""
    try:
        yield
    except OSError as error:
        came = (error.strerror or str(error)).lower()
        mend = _MEND.get(error.errno or 0, "Check the disk and the rights on the workspace folder")
        raise StorageError(wanted, came, f"{mend} and {again}.") from error


@contextmanager
def told_plainly() -> Iterator[None]:
    """End the program with the words of a user's error in place of a traceback; decorates a ``main``."""
    try:
        yield
    except RoundsError as error:
        raise SystemExit(str(error)) from error
