"""Everything that reaches into the model's heavy half, in one place and loaded only when used."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Protocol, cast

import numpy as np
from numpy.typing import NDArray

from model.gate import SetName, Verdict
from model.judgement import Judgement
from model.manifest import LabelledPhoto
from model.memory import loading
from model.photo import Photo
from model.weighting import Weighting

USUAL_SIDE = 1008

StepProgress = Callable[[int, int], None]
"""Called with the steps done and the steps in all."""


class Judge(Protocol):
    """What the store needs of a classifier."""

    @property
    def version(self) -> str:
        """Name of the model version, written beside every verdict."""
        ...

    def judge(self, photo: Photo) -> Judgement:
        """Judge one photo."""
        ...

    def judge_many(self, photos: Iterable[Photo], batch: int = 16) -> Iterator[Judgement]:
        """Judge photos in the order given."""
        ...


class Comparison(Protocol):
    """The gate's answer about a candidate."""

    @property
    def verdict(self) -> Verdict:
        """Whether the candidate may go live, or why not."""
        ...

    @property
    def reason(self) -> str:
        """Why, in plain words."""
        ...

    @property
    def n(self) -> int:
        """How many photos were compared."""
        ...

    @property
    def notes(self) -> tuple[str, ...]:
        """What the decision could not be based on, and what was lost and let pass."""
        ...


class LabelCheck(Protocol):
    """Whether the confirmed labels fit together."""

    @property
    def too_many(self) -> bool:
        """Whether more are doubtful than hard photos explain."""
        ...

    @property
    def words(self) -> str:
        """The result in plain words."""
        ...


class LimitRow(Protocol):
    """One damage's limit: how many couplers it needs and has."""

    @property
    def words(self) -> str:
        """One line in plain words."""
        ...


class Limits(Protocol):
    """The limits set again; ``artefact`` is ``None`` where none changed."""

    @property
    def rows(self) -> Sequence[LimitRow]:
        """One row for each damage."""
        ...

    @property
    def artefact(self) -> Path | None:
        """The model file with the new limits."""
        ...


def load_judge(path: Path | None) -> Judge:
    """Load the classifier at ``path``; ``None`` is the one shipped with the product."""
    with loading():
        from model.predict import Classifier

        return cast(Judge, Classifier.load(path))


def work_alone() -> None:
    """Let the calling thread, one of several that each judge photos of their own, compute on one core."""
    from model.serving import work_alone as alone

    alone()


def evidence_of(judge: Judge, photo: Photo, judgement: Judgement) -> NDArray[np.uint8] | None:
    """Return the photo with what spoke for the findings laid over it; ``None`` without networks."""
    networks = getattr(judge, "model", None)
    if networks is None:
        return None
    from model.evidence import evidence_picture

    return evidence_picture(networks, photo, judgement)


def judging_side(judge: Judge) -> int:
    """Return the longest side, px, at which photos are decoded for ``judge`` (its ``decode_side``)."""
    return int(getattr(judge, "decode_side", USUAL_SIDE))


def shipped_artefact() -> Path:
    """Return where the model shipped with the product lies."""
    from model.artefact import SHIPPED

    return SHIPPED


def fine_tune(
    live: Path,
    manifest: Path,
    out_dir: Path,
    *,
    replay: Path | None,
    progress: StepProgress,
    seed: int,
    weighting: Weighting,
    most_steps: int,
) -> Path:
    """Fine-tune the live model file on a frozen training set and return the candidate's file."""
    from model.finetune import fine_tune as tune
    from model.memory import hand_back

    path = tune(
        live, manifest, out_dir, replay=replay, progress=progress, seed=seed, weighting=weighting,
        most_steps=most_steps,
    )  # fmt: skip
    hand_back()
    return path


def lower_limits(
    live: Path, candidate: Path, unlearnt: Path, out: Path, *, progress: StepProgress | None = None
) -> Limits:
    """Lower the candidate's clear limits until it clears no more damage than before on photos not learnt."""
    from model.limits import lower_limits as lower

    return lower(live, candidate, unlearnt, out, progress)


def half_way(live: Path, candidate: Path, out: Path) -> Path:
    """Write the version that lies half way from the live one to the candidate, and return its file."""
    from model.half_way import half_way as between

    return between(live, candidate, out)


def compare(
    candidate: Path, live: Path, sets: Mapping[SetName, Path], *, progress: StepProgress | None = None
) -> Comparison:
    """Compare candidate and live on manifests of photos that neither was trained on."""
    from model.compare import compare as gate

    return gate(candidate, live, sets, progress)


def check_labels(live: Path, manifest: Path, *, progress: StepProgress | None = None) -> LabelCheck:
    """Find confirmed labels that contradict the live model and each other."""
    from model.label_check import check_labels as check

    return check(live, manifest, progress)


def follow_limits(
    candidate: Path, held_out: Path, out: Path, *, progress: StepProgress | None = None
) -> Limits:
    """Set the candidate's clear limits again on the operator's held-out photos, where there are enough."""
    from model.limits import follow_limits as follow

    return follow(candidate, held_out, out, progress)


def look_vectors(
    artefact: Path, photos: Sequence[tuple[LabelledPhoto, Path]], *, progress: StepProgress | None = None
) -> NDArray[np.float32]:
    """Return what a model file sees in each photo (of known family and homography) as a row of numbers."""
    from model.artefact import load_model
    from model.embedding import look_at

    return look_at(load_model(artefact), photos, progress).vectors
