"""What a new version is made from and measured on, and the rendering of it on each GPU."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from data_tools.rendering.errand import Errands
from data_tools.rendering.ledger import MANIFEST
from data_tools.rendering.measure_sets import MeasureSet, deal
from data_tools.studios.commission import STUDIOS

LEAST_TO_LEARN_FROM = 0.2
"""Share of the rendering time that a GPU gives to photos to learn from, however late its sets are done."""


@dataclass(frozen=True)
class Course:
    """How long, from what and on what: seconds of rendering, the sets to measure on included, and of
    learning, the version to go on from (``None``: the shipped one), the ImageNet backbone of the baseline
    (``None``: no baseline), and the share of the time for photos to learn from that studios get, evenly."""

    out: Path
    measure: Sequence[MeasureSet]
    seed: int = 1
    render_seconds: float = 480.0
    learn_seconds: float = 480.0
    live: Path | None = None
    pretrained: Path | None = None
    samples: int = 24
    scale: float = 1.0
    photos: int = 20000
    studio_share: float = 0.5
    learning: Sequence[str] = field(default_factory=lambda: ["condition_batch=112", "bank_side=896"])

    def learnt_from(self, lane: int) -> list[Path]:
        """Folders of what one GPU renders to learn from: our own photos, then each studio's."""
        names = ["train", *STUDIOS] if self.studio_share else ["train"]
        return [self.out / f"{name}_{lane}" for name in names]

    @property
    def run(self) -> Path:
        """Folder of the networks and the model file."""
        return self.out / "run"

    def book(self, when: str, name: str) -> Path:
        """File of what a version (``before``, ``new`` or ``half``) says of a set."""
        return self.out / "books" / f"{when}-{name}.jsonl.gz"


def render_lane(
    course: Course, errands: Errands, lane: int, lanes: int, drawn: dict[str, threading.Event]
) -> None:
    """Render on one GPU: its share of the sets, the large ones dealt first, then photos to learn from."""
    dealt = deal(course.measure, lanes)[lane]
    since = time.monotonic()
    try:
        for measured in dealt:
            _produce(course, errands, (lane, lanes), course.out / measured.name, measured.options)
            drawn[measured.name].set()
    finally:
        # Whoever waits for a set must not wait for ever where this went wrong.
        for measured in dealt:
            drawn[measured.name].set()
    left = course.render_seconds - (time.monotonic() - since)
    left = max(left, course.render_seconds * LEAST_TO_LEARN_FROM)
    own, *others = course.learnt_from(lane)
    seconds = {folder: course.studio_share * left / len(others) for folder in others}
    for folder in (*others, own):
        limit = seconds.get(folder, left - sum(seconds.values()))
        options = ["--seed", course.seed + lane, "--max-seconds", round(limit, 1)]
        studio = "" if folder is own else folder.name.split("_")[0]
        _produce(course, errands, (lane, lanes), folder, options, studio)


def _produce(
    course: Course,
    errands: Errands,
    place: tuple[int, int],
    folder: Path,
    options: Sequence[object],
    studio: str = "",
) -> None:
    """Render one set on the GPU ``place`` (its number, of how many), by a studio or by ourselves."""
    words = ["--out", folder, "--samples", course.samples, "--scale", course.scale]
    words += ["--workers", errands.workers(place[1]), *options]
    if studio:
        words = [studio, "--subjects", course.photos, *words]
    elif "--count" not in words:
        words += ["--count", course.photos]
    module = "data_tools.studios.produce" if studio else "data_tools.rendering.produce"
    cores = errands.render_cores(*place)
    if not errands.do(folder.name, module, words, gpu=place[0], cores=cores) and folder.is_dir():
        (folder / MANIFEST).touch()  # whoever follows it must not wait for what will not come
