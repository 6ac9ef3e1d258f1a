"""Run a classifier over a labelled set and keep truth beside answer: the raw material of every report.

A book can be saved (JSON lines, gzip where the name ends in ``.gz``) and read again elsewhere without the
pictures: it holds the raw numbers, so that thresholds and calibration can be changed afterwards.
"""

from __future__ import annotations

import argparse
import gzip
import json
import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from model.artefact import weights_digest
from model.errors import ManifestError, PhotoError, told_plainly
from model.examine import Examination, examine
from model.families import family
from model.judgement import Judgement
from model.locate import Face
from model.manifest import LabelledFinding, LabelledPhoto, read_manifest
from model.photo import Photo, open_photo
from model.predict import DECODE_SIDE, Classifier
from model.vocabulary import FindingKind, Outcome, Place, Reason, Triage

BOOK_FORMAT = 1

VISIBLE_FROM = 0.12
"""A damage less visible than this in the photo (manifest ``visible``) is not counted as one to be found."""
SEVERE_FROM = 0.3
"""Damage from this severity (manifest ``severity``, 0..1) is what must not be missed."""


@dataclass(frozen=True)
class Scored:
    """One photo: its truth, the raw numbers and the judgement.

    ``size`` is the upright width and height in the file, ``scale`` pixels looked at per pixel of the file.
    """

    label: LabelledPhoto
    seen: Examination
    judgement: Judgement
    size: tuple[int, int] = (0, 0)
    scale: float = 1.0

    @property
    def good(self) -> bool:
        """Whether this is a usable photo of a coupler face, so that it ought to be judged."""
        return self.label.family is not None and self.label.reason is None

    @property
    def scored(self) -> bool:
        """Whether the classifier judged it."""
        return self.judgement.outcome is Outcome.SCORED

    def truth(self, kind: FindingKind) -> bool | None:
        """Whether ``kind`` is visibly there; ``None`` where it is there and hardly or not to be seen."""
        visible = [f.visible for f in self.label.findings if f.kind is kind]
        return any(v >= VISIBLE_FROM for v in visible) or (None if visible else False)

    def visible_findings(self, kind: FindingKind, least_severity: float = 0.0) -> list[LabelledFinding]:
        """Return the true, visible findings of ``kind`` with at least this severity."""
        return [
            f
            for f in self.label.findings
            if f.kind is kind and f.visible >= VISIBLE_FROM and f.severity >= least_severity
        ]

    def answer(self, classifier: Classifier, kind: FindingKind) -> Triage | None:
        """Return the triage of this damage alone; ``None`` when the photo was refused."""
        if not self.scored:
            return None
        return classifier.card.calibration.kinds[kind].triage(self.judgement.probabilities[kind])

    def named_places(self, kind: FindingKind) -> set[Place]:
        """Return the places that the judgement names for ``kind``."""
        return {f.place for f in self.judgement.findings if f.kind is kind}


def score_labelled(
    classifier: Classifier,
    labels: Sequence[LabelledPhoto],
    root: Path,
    *,
    batch: int = 16,
    threads: int = 2,
    progress: Callable[[int, int], None] | None = None,
) -> list[Scored]:
    """Judge every labelled photo (files relative to ``root``), in order.

    Each of ``threads`` takes a batch from file to judgement, so that decoding, warping and measuring keep
    all cores busy while a GPU, where the networks lie on one, is shared. Pictures of at most ``threads + 1``
    batches are in memory. What ``progress`` raises ends the work.

    Raises:
        PhotoError: a file cannot be read, though its label does not say so.
    """
    classifier.serving()  # made ready once, before the threads ask for it
    groups = [labels[start : start + batch] for start in range(0, len(labels), batch)]
    book: list[Scored] = []
    waiting: deque[Future[list[Scored]]] = deque()
    with ThreadPoolExecutor(threads) as pool:
        try:
            for group in groups:
                waiting.append(pool.submit(_score_batch, classifier, group, root))
                if len(waiting) > threads:
                    _collect(waiting, book, len(labels), progress)
            while waiting:
                _collect(waiting, book, len(labels), progress)
        finally:
            pool.shutdown(cancel_futures=True)
    return book


def _collect(
    waiting: deque[Future[list[Scored]]],
    book: list[Scored],
    total: int,
    progress: Callable[[int, int], None] | None,
) -> None:
    book += waiting.popleft().result()
    if progress:
        progress(len(book), total)


def _score_batch(classifier: Classifier, labels: Sequence[LabelledPhoto], root: Path) -> list[Scored]:
    photos = [_open(label, root) for label in labels]
    seen = iter(examine(classifier.serving(), [photo for photo in photos if photo is not None]))
    return [
        _scored(classifier, label, photo or _unread(), next(seen) if photo else _UNREAD)
        for label, photo in zip(labels, photos, strict=True)
    ]


def _open(label: LabelledPhoto, root: Path) -> Photo | None:
    try:
        return open_photo(root / label.file, max_side=DECODE_SIDE)
    except PhotoError:
        if label.reason is Reason.UNREADABLE:
            return None
        raise


def _scored(classifier: Classifier, label: LabelledPhoto, photo: Photo, seen: Examination) -> Scored:
    size = (photo.full_width, photo.full_height)
    return Scored(label, seen, classifier.read(photo, seen), size, photo.scale)


_UNREAD = Examination(None, Reason.UNREADABLE)


def _unread(width: int = 0, height: int = 0, scale: float = 1.0) -> Photo:
    """Return a photo without its pixels, of which reading an examination needs the scale alone."""
    return Photo(np.zeros((0, 0, 3), np.uint8), width, height, scale, None, "", "")


def save_book(book: Sequence[Scored], path: Path, classifier: Classifier) -> None:
    """Write a book: a line on the weights that made it, then one line a photo. Replaces ``path`` whole."""
    head = {"book": BOOK_FORMAT, "weights": weights_digest(classifier.model), "photos": len(book)}
    lines = [json.dumps(head), *(json.dumps(_to_json(scored)) for scored in book)]
    data = ("\n".join(lines) + "\n").encode()
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(path.name + ".part")
    part.write_bytes(gzip.compress(data, mtime=0) if path.suffix == ".gz" else data)
    part.replace(path)


def is_book(path: Path) -> bool:
    """Whether the file at ``path`` starts as a saved book does."""
    try:
        return "book" in json.loads(next(_lines(path), "{}"))
    except (OSError, EOFError, ValueError, TypeError):
        return False


def load_book(path: Path, classifier: Classifier) -> list[Scored]:
    """Read a saved book and judge anew by the calibration of ``classifier``; needs no picture.

    Raises:
        ManifestError: missing, damaged or cut short, or made with other weights than the classifier's.
    """
    try:
        lines = _lines(path)
        head = json.loads(next(lines))
        if head["book"] != BOOK_FORMAT or head["weights"] != weights_digest(classifier.model):
            raise _refuse(path, "one of other weights or another format")
        rows = [_from_json(json.loads(line)) for line in lines]
    except (OSError, EOFError, ValueError, KeyError, TypeError, AttributeError, StopIteration) as error:
        raise _refuse(path, f"what cannot be read ({error!r})") from error
    if len(rows) != head["photos"]:
        raise _refuse(path, f"{len(rows)} photos of {head['photos']}")
    return [_scored(classifier, *row) for row in rows]


def _lines(path: Path) -> Iterator[str]:
    opener = gzip.open if path.suffix == ".gz" else open
    with opener(path, "rt", encoding="utf-8") as file:
        yield from file


def _refuse(path: Path, came: str) -> ManifestError:
    return ManifestError(
        f"a scored book of this model's weights at {path.name}", came, "Score the photos again with it."
    )


def _to_json(scored: Scored) -> dict[str, Any]:
    seen = scored.seen
    return {
        "label": scored.label.to_json(),
        "size": list(scored.size),
        "scale": scored.scale,
        "face": _face_to_json(seen.face) if seen.face is not None else None,
        "reason": seen.reason.value if seen.reason else None,
        "quality": seen.quality,
        "in_frame": {place.value: share for place, share in seen.in_frame.items()},
        **{name: getattr(seen, name).tolist() for name in _ARRAYS},
    }


_ARRAYS = ("housing", "latch", "photo", "usable")


def _face_to_json(face: Face) -> dict[str, Any]:
    return {
        "family": face.family.key,
        "matrix": face.matrix.ravel().tolist(),
        "confidence": face.confidence,
        "agreement": face.agreement,
        "others": face.others,
    }


def _from_json(line: dict[str, Any]) -> tuple[LabelledPhoto, Photo, Examination]:
    face = line["face"]
    located = face and Face(
        family(face["family"]),
        np.array(face["matrix"], np.float64).reshape(3, 3),
        face["confidence"],
        face["agreement"],
        face["others"],
    )
    arrays = {name: np.array(line[name], np.float32) for name in _ARRAYS}
    arrays["housing"] = arrays["housing"].reshape(-1, 3)
    reason = Reason(line["reason"]) if line["reason"] else None
    in_frame = {Place(place): share for place, share in line["in_frame"].items()}
    seen = Examination(located, reason, line["quality"], in_frame, **arrays)
    width, height = line["size"]
    return LabelledPhoto.from_json(line["label"]), _unread(width, height, line["scale"]), seen


@told_plainly()
def main() -> None:
    """Command line: ``python -m model.scorebook MANIFEST OUT [--model FILE] [--split S ...]``."""
    import cv2
    import torch

    from model.assemble import load_any
    from model.train import pick_split

    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("manifest", type=Path)
    parser.add_argument("out", type=Path, help="file for the book, such as test.jsonl.gz")
    parser.add_argument("--model", type=Path, help="model file, or folder of model.train; default: shipped")
    parser.add_argument("--split", action="append", help="only this split; may be given several times")
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--threads", type=int, default=os.cpu_count() or 2)
    parser.add_argument("--batch", type=int, default=32)
    a = parser.parse_args()
    # The pool keeps the cores busy; libraries that started threads of their own would only get in its way.
    cv2.setNumThreads(1)
    torch.set_num_threads(max(1, torch.get_num_threads() // a.threads))
    classifier = Classifier(load_any(a.model, a.device))
    labels = read_manifest(a.manifest)
    if a.split:
        labels = [label for name in dict.fromkeys(a.split) for label in pick_split(labels, name)]
    book = score_labelled(classifier, labels, a.manifest.parent, batch=a.batch, threads=a.threads)
    save_book(book, a.out, classifier)
    print(f"{len(book)} photos scored: {a.out}")


if __name__ == "__main__":
    main()
