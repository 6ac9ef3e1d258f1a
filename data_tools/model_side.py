"""Everything that reaches into the model's heavy half, in one place and loaded only when used."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Protocol, cast

from model.judgement import Judgement
from model.photo import Photo

Progress = Callable[[float, str], None]
"""Called with the share done (0..1) and what is being done."""


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
    def promote(self) -> bool:
        """Whether the candidate may go live."""
        ...

    @property
    def reason(self) -> str:
        """Why, in plain words."""
        ...

    @property
    def n(self) -> int:
        """How many photos were compared."""
        ...


def load_judge(path: Path | None) -> Judge:
    """Load the classifier at ``path``; ``None`` is the one shipped with the product."""
    from model.predict import Classifier

    return cast(Judge, Classifier.load(path))


def judging_side() -> int | None:
    """Longest side, px, at which photos are decoded for judging; ``None``: full size."""
    from model import photo

    side = getattr(photo, "JUDGING_SIDE", 2048)
    return int(side)


def shipped_artefact() -> Path:
    """Where the model shipped with the product lies."""
    from model.predict import shipped_artefact as shipped

    return Path(shipped())


def fine_tune(
    live: Path, manifest: Path, out_dir: Path, *, replay: Path | None, progress: Progress | None, seed: int
) -> Path:
    """Fine-tune the live artefact on a frozen training set and return the candidate's artefact."""
    from model.finetune import fine_tune as tune

    return Path(tune(live, manifest, out_dir, replay_manifest=replay, progress=progress, seed=seed))


def compare(candidate: Path, live: Path, manifest: Path) -> Comparison:
    """Compare candidate and live on the held-out couplers of the frozen set."""
    from model.compare import compare as gate

    return cast(Comparison, gate(candidate, live, manifest))
