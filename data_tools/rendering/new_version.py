"""Make a new version of the shipped model in one command, on a machine with GPUs rented by the minute.

``python -m data_tools.rendering.new_version OUT --measure calibration=3000@9503 --measure test=3150@2010``
renders the sets to measure on and then photos to learn from on every GPU, part of them by other hands
(``data_tools.studios``), trains both condition networks, scores every set with the version before and the
new one, trains the baseline on the same photos and writes the model file with its limits; and the same of
the version half-way between the two (``model.half_way``), which may keep more of what was known. Each step
is a program of its own with a log in ``OUT/logs``; what one of them has finished stays when another fails.
It runs, small, on a CPU too.

A network learns when the rendering is done, with a GPU to itself where there are two. Beside 13 renderers on
its GPU each of two trainings made 1.4 to 2.2 steps a second, though it had three cores of its own, and one
made 6.3 once the renderers of its GPU were done. Photos are scored on the processors: beside trainings, a
GPU had not scored 1,500 photos in four minutes.
"""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import click
import torch

from data_tools.rendering.course import Course, render_lane
from data_tools.rendering.errand import Errands
from data_tools.rendering.measure_sets import CALIBRATION, MeasureSet
from data_tools.rendering.plan import GENERATOR_VERSION
from data_tools.rendering.produce import MANIFEST
from data_tools.rendering.renderer import cuda_device_count
from data_tools.rendering.train_along import with_splits
from model.artefact import SHIPPED, load_model
from model.errors import ManifestError, told_plainly
from model.manifest import read_manifest, write_manifest
from model.network import state_on_cpu

LEARNERS = {"condition": 0.001, "second": 0.0012}
"""The networks that learn, with their learning rates: apart in that too, so that they err apart."""
CORES_TO_LEARN = 3


def new_version(course: Course, errands: Errands, gpus: int) -> None:
    """Do all of it; what failed is in ``errands.failed`` and its log.

    Raises:
        ManifestError: a set would be measured on that is learnt from, or two have one name.
    """
    lanes = max(1, gpus)
    _refuse_unfit(course, lanes)
    sets = [folder for lane in range(lanes) for folder in course.learnt_from(lane)]
    before = _starting_point(course)
    with ThreadPoolExecutor(lanes + len(LEARNERS) + 2) as pool:
        drawn = {m.name: threading.Event() for m in course.measure}
        rendering = [pool.submit(render_lane, course, errands, lane, lanes, drawn) for lane in range(lanes)]
        earlier = pool.submit(_score, course, errands, "before", before, drawn)
        for ready in drawn.values():
            ready.wait()
        # They take in what is rendered as it comes, and learn once all of it is there.
        learning = [
            pool.submit(_learn, course, errands, part, sets, before, number, lanes)
            for number, part in enumerate(LEARNERS)
        ]
        _wait(rendering)
        # The plain network learns beside them where a GPU is left for it, otherwise after them.
        spare = lanes > len(LEARNERS)
        beside = [pool.submit(_baseline, course, errands, sets, lanes)] if spare else []
        _wait(learning)
        plain = beside or [pool.submit(_baseline, course, errands, sets, lanes)]
        _wait([earlier])
        _score(course, errands, "new", course.run, drawn)
        book, file = course.book("new", CALIBRATION), course.run / "coupler.safetensors"
        options = [course.run, "--book", book, file, "--generator-version", GENERATOR_VERSION]
        errands.do("assemble", "model.assemble", options)
        _half_way(course, errands, before, file, drawn)
        _wait(plain)


def _refuse_unfit(course: Course, lanes: int) -> None:
    names = [m.name for m in course.measure]
    if len(set(names)) < len(names):
        raise ManifestError("sets of different names", ", ".join(names), "Rename one.")
    for m in course.measure:
        if not m.world and m.seed in range(course.seed, course.seed + lanes):
            raise ManifestError(
                f"sets to measure on of other seeds than what is learnt from ({course.seed} and on)",
                f"{m.name} of seed {m.seed}",
                "Choose another seed.",
            )


def _wait(futures: Sequence[Future[None]]) -> None:
    for future in futures:
        future.result()


def _starting_point(course: Course) -> Path:
    """Return the file to go on from, its locator laid where the new version's networks will be."""
    course.run.mkdir(parents=True, exist_ok=True)
    before = load_model(course.live)
    torch.save(state_on_cpu(before.networks["locator"]), course.run / "locator.pt")
    return course.live or SHIPPED


def _learn(
    course: Course, errands: Errands, part: str, sets: list[Path], before: Path, number: int, lanes: int
) -> None:
    """Train one network on all that is rendered, with both networks of the version before as teacher."""
    out = course.run if number == 0 else course.out / part
    settings = [
        "siblings=true", "heed=0.2", "ema=0.999", *course.learning, "condition_steps=100000",
        f"seconds={course.learn_seconds}", f"learning_rate={LEARNERS[part]}", f"seed={course.seed + number}",
    ]  # fmt: skip
    options = [*sets, out, "--part", part, "--continue-from", before, "--teacher", before]
    options += [word for setting in settings for word in ("--set", setting)]
    options += ["--least", lanes * course.photos, "--room", lanes * course.photos]
    cores = errands.learn_cores(number)
    errands.do(part, "data_tools.rendering.train_along", options, gpu=number % lanes, cores=cores)
    if number and (out / f"{part}.pt").exists():
        shutil.copy(out / f"{part}.pt", course.run / f"{part}.pt")


def _score(
    course: Course, errands: Errands, when: str, model: Path, drawn: dict[str, threading.Event]
) -> None:
    """Score every set with one version: one after the other as they are rendered, or all at once where no
    other work is done and every set can have cores of its own."""

    def score(name: str, threads: int, cores: str) -> None:
        drawn[name].wait()
        book = [course.out / name / MANIFEST, course.book(when, name), "--model", model, "--device", "cpu"]
        errands.do(f"{when}-{name}", "model.scorebook", [*book, "--threads", threads], cores=cores)

    alone = when != "before"
    if not (alone and errands.enough_to_share):
        threads = errands.cores if alone else max(1, errands.cores // 4)
        for name in drawn:
            score(name, threads, errands.shared_cores)
        return
    shares = errands.deal_cores([m.count for m in course.measure])
    with ThreadPoolExecutor(len(shares)) as pool:
        _wait([pool.submit(score, m.name, *share) for m, share in zip(course.measure, shares, strict=True)])


def _half_way(
    course: Course, errands: Errands, before: Path, new: Path, drawn: dict[str, threading.Event]
) -> None:
    """Make the version half-way between two, score every set with it and set its limits."""
    half = course.run / "half.safetensors"
    if not errands.do("half", "model.half_way", [before, new, half]):
        return
    _score(course, errands, "half", half, drawn)
    book = course.book("half", CALIBRATION)
    options = [half, "--book", book, half, "--generator-version", GENERATOR_VERSION]
    errands.do("assemble-half", "model.assemble", options)


def _baseline(course: Course, errands: Errands, sets: Sequence[Path], lanes: int) -> None:
    """Train the plain network on the same photos and let it answer on every set."""
    if course.pretrained is None:
        return
    every = merged(sets, course.out / "all.jsonl")
    plain, gpu, cores = course.out / "plain", lanes - 1, errands.shared_cores
    how = ["--pretrained", course.pretrained, "--split", CALIBRATION]
    steps = ["--set", "condition_steps=1400", *course.learning]
    errands.do("baseline", "model.baseline", [every, plain, *how, *steps], gpu=gpu, cores=cores)
    for m in course.measure:
        split = m.domain.value if m.world else m.options[-1]
        answers = [course.out / m.name / MANIFEST, plain / m.name, "--weights", plain / "baseline.pt"]
        answers += ["--split", split]
        errands.do(f"baseline-{m.name}", "model.baseline", answers, gpu=gpu, cores=cores)


def merged(sets: Sequence[Path], path: Path) -> Path:
    """Write one manifest over several sets beside ``path``, split as the training splits them."""
    labels = [
        replace(label, file=f"{folder.name}/{label.file}")
        for folder in sets
        if (folder / MANIFEST).exists()
        for label in with_splits(read_manifest(folder / MANIFEST))
    ]
    write_manifest(path, labels)
    return path


@click.command()
@click.argument("out", type=click.Path(path_type=Path, file_okay=False))
@click.option("--measure", multiple=True, help="NAME=COUNT@SEED[/DOMAIN]; one called calibration.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Of what is learnt from.")
@click.option("--render-seconds", type=float, default=480.0, show_default=True)
@click.option("--learn-seconds", type=float, default=480.0, show_default=True)
@click.option("--photos", type=click.IntRange(2), default=20000, show_default=True, help="A GPU, at most.")
@click.option("--live", type=click.Path(path_type=Path, exists=True, dir_okay=False), help="To go on from.")
@click.option(
    "--pretrained", type=click.Path(path_type=Path, exists=True, dir_okay=False), help="Baseline's."
)
@click.option("--samples", type=click.IntRange(1), default=24, show_default=True)
@click.option(
    "--studio-share", type=click.FloatRange(0, 0.9), default=0.5, help="Of the photos to learn from."
)
@click.option("--scale", type=click.FloatRange(0.1, 2.0), default=1.0, show_default=True)
@click.option("--set", "learning", multiple=True, help="Training setting, key=value.")
@told_plainly()
def main(out: Path, measure: tuple[str, ...], learning: tuple[str, ...], **options: object) -> None:
    """Render, learn, score and write a new model file under OUT."""
    sets = [MeasureSet.parse(text) for text in measure]
    if CALIBRATION not in {m.name for m in sets}:
        raise ManifestError(f"a set called {CALIBRATION}", ", ".join(measure) or "none", "Add --measure.")
    course = Course(out, sets, **options, **({"learning": learning} if learning else {}))  # type: ignore[arg-type]
    errands = Errands(out / "logs", os.cpu_count() or 1, len(LEARNERS), CORES_TO_LEARN, click.echo)
    new_version(course, errands, cuda_device_count())
    if errands.failed:
        raise SystemExit(f"Not all was done: {', '.join(errands.failed)}. See {errands.folder}.")


if __name__ == "__main__":
    main()
