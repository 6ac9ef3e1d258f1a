"""Produce a labelled set of rendered photos: ``python -m data_tools.rendering.produce --out DIR --count N``.

The set is a folder with ``photos/`` and ``manifest.jsonl``. A run that was stopped goes on where it was:
``progress.jsonl`` holds one line for each finished subject.
"""

from __future__ import annotations

import json
import logging
import os
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import click

from data_tools.rendering.crew import CrewSettings, Result, run_crew
from data_tools.rendering.domains import Domain
from data_tools.rendering.plan import GENERATOR_VERSION, Assignment, assignments
from data_tools.rendering.renderer import choose_variant, cuda_device_count
from data_tools.rendering.shoot import ShootSettings
from model.errors import ManifestError, RoundsError
from model.manifest import LabelledPhoto, write_manifest

MANIFEST = "manifest.jsonl"
PROGRESS = "progress.jsonl"
RUN = "run.json"
Progress = Callable[[int, int], None]
"""Called with photos done and photos wanted."""


@dataclass(frozen=True)
class ProduceConfig:
    """What to produce and with what.

    ``samples`` are paths a pixel, ``scale`` shrinks every photo (1 = 512-896 px on the long side),
    ``environments`` names a folder of further panoramas (see ``light``), ``max_seconds`` starts
    nothing new after that time. ``workers`` 0 means one for each CPU core. ``domain`` is the world that is
    drawn from (see ``domains``); photos of another than ``train`` carry its name as their split, those of
    ``train`` the given ``split``, or none: that leaves it to whoever uses them.
    """

    count: int
    seed: int = 0
    workers: int = 0
    variant: str = "auto"
    samples: int = 32
    scale: float = 1.0
    environments: Path | None = None
    max_seconds: float | None = None
    domain: Domain = Domain.TRAIN
    split: str | None = None


@dataclass(frozen=True)
class ProduceReport:
    """What a run made. ``seconds_by_step`` adds up over all workers; ``manifest_sha256`` names the set."""

    photos: int
    new_photos: int
    subjects: int
    couplers: int
    skipped: int
    seconds: float
    seconds_by_step: dict[str, float]
    variant: str
    workers: int
    manifest_sha256: str

    @property
    def photos_per_second(self) -> float:
        """New photos a second of wall time."""
        return self.new_photos / max(self.seconds, 1e-9)

    def lines(self) -> list[str]:
        """Return a summary fit to print."""
        total = max(sum(self.seconds_by_step.values()), 1e-9)
        shares = ", ".join(
            f"{step} {value / total:.0%}" for step, value in sorted(self.seconds_by_step.items())
        )
        return [
            f"{self.photos} photos of {self.couplers} couplers and {self.subjects - self.couplers} other"
            f" subjects; {self.skipped} subjects skipped",
            f"{self.new_photos} new in {self.seconds:.1f} s: {self.photos_per_second:.2f} photos/s"
            f" with {self.workers} workers on {self.variant}",
            f"share of worker time: {shares}",
            f"manifest sha256 {self.manifest_sha256}",
        ]


def produce(config: ProduceConfig, out_dir: Path, *, progress: Progress | None = None) -> ProduceReport:
    """Render ``config.count`` photos into ``out_dir`` and write its manifest.

    Raises:
        ManifestError: ``out_dir`` holds a set made from another seed or with other settings.
        ValueError: unknown renderer variant.
    """
    start = time.monotonic()
    crew = _crew(config)
    _claim(config, out_dir)
    wanted = assignments(config.seed, config.count, domain=config.domain)
    done = _finished(out_dir / PROGRESS)
    todo = [item for item in wanted if not _is_done(item, done.get(item.index))]
    shots = ShootSettings(config.samples, config.scale, config.environments, out_dir / ".surroundings")
    stop_at = None if config.max_seconds is None else start + config.max_seconds
    fresh = _work_through(crew, shots, out_dir, todo, done, stop_at, config.count, progress)
    kept = [done[item.index] for item in wanted if item.index in done]
    photos = [
        replace(photo, split=photo.split or config.split)
        for record in kept
        for photo in map(LabelledPhoto.from_json, record["lines"])
    ]
    digest = write_manifest(out_dir / MANIFEST, photos)
    steps: dict[str, float] = {}
    for result in fresh:
        for step, seconds in result.seconds.items():
            steps[step] = steps.get(step, 0.0) + seconds
    return ProduceReport(
        photos=len(photos),
        new_photos=sum(len(result.lines) for result in fresh),
        subjects=sum(bool(record["lines"]) for record in kept),
        couplers=len({photo.coupler for photo in photos if photo.family}),
        skipped=sum(record["error"] is not None for record in kept),
        seconds=time.monotonic() - start,
        seconds_by_step=steps,
        variant=crew.variant,
        workers=crew.workers,
        manifest_sha256=digest,
    )


def _crew(config: ProduceConfig) -> CrewSettings:
    variant = choose_variant(config.variant)
    cores = os.cpu_count() or 1
    workers = config.workers or cores
    gpus = cuda_device_count() if variant.startswith("cuda") else 0
    return CrewSettings(workers, variant, gpus, max(1, cores // workers))


def _claim(config: ProduceConfig, out_dir: Path) -> None:
    """Write down what this folder is for, or check that it is the same as before."""
    out_dir.mkdir(parents=True, exist_ok=True)
    identity = {
        "generator": GENERATOR_VERSION,
        "seed": config.seed,
        "samples": config.samples,
        "scale": config.scale,
        "environments": config.environments is not None,
        "domain": config.domain.value,
    }
    path = out_dir / RUN
    if not path.exists():
        path.write_text(json.dumps(identity, sort_keys=True) + "\n", encoding="utf-8")
        return
    found = json.loads(path.read_text(encoding="utf-8"))
    if found != identity:
        raise ManifestError(
            f"a folder for {identity}", f"one that holds {found}", "Use the same settings or another folder."
        )


def _finished(path: Path) -> dict[int, dict[str, Any]]:
    """Return the finished subjects by index; a line cut short by a crash is left out."""
    done: dict[int, dict[str, Any]] = {}
    if not path.exists():
        return done
    for text in path.read_text(encoding="utf-8").splitlines():
        try:
            record = json.loads(text)
        except ValueError:
            continue
        done[int(record["index"])] = record
    return done


def _is_done(assignment: Assignment, record: dict[str, Any] | None) -> bool:
    return record is not None and (record["error"] is not None or len(record["lines"]) == assignment.photos)


def _work_through(
    crew: CrewSettings,
    shots: ShootSettings,
    out_dir: Path,
    todo: list[Assignment],
    done: dict[int, dict[str, Any]],
    stop_at: float | None,
    count: int,
    progress: Progress | None,
) -> list[Result]:
    fresh: list[Result] = []
    ready = sum(len(record["lines"]) for record in done.values())
    with (out_dir / PROGRESS).open("a", encoding="utf-8") as log:
        log.write("\n")
        for result in run_crew(crew, shots, out_dir, todo, stop_at):
            record = {"index": result.assignment.index, "lines": result.lines, "error": result.error}
            log.write(json.dumps(record, sort_keys=True) + "\n")
            log.flush()
            done[result.assignment.index] = record
            fresh.append(result)
            ready += len(result.lines)
            if progress:
                progress(ready, count)
    return fresh


def _printer() -> Progress:
    last = [time.monotonic()]
    first = [time.monotonic(), None]

    def show(ready: int, count: int) -> None:
        now = time.monotonic()
        if first[1] is None:
            first[:] = [now, ready]
        if now - last[0] >= 10 or ready >= count:
            last[0] = now
            rate = (ready - (first[1] or 0)) / max(now - (first[0] or now), 1e-6)
            click.echo(f"{ready}/{count} photos, {rate:.1f} a second")

    return show


@click.command()
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), required=True, help="Folder of the set."
)
@click.option("--count", type=click.IntRange(1), required=True, help="Photos in the set.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True)
@click.option("--workers", type=click.IntRange(0), default=0, help="Processes; 0: one for each core.")
@click.option("--variant", default="auto", show_default=True, help="Renderer variant.")
@click.option("--samples", type=click.IntRange(1), default=32, show_default=True, help="Paths a pixel.")
@click.option(
    "--scale", type=click.FloatRange(0.1, 2.0), default=1.0, show_default=True, help="Picture size."
)
@click.option("--environments", type=click.Path(path_type=Path, exists=True, file_okay=False), default=None)
@click.option(
    "--domain", type=click.Choice([d.value for d in Domain]), default="train", help="World to draw from."
)
@click.option("--split", type=click.Choice(["train", "calibration", "test"]), help="What the photos are for.")
@click.option("--max-seconds", type=float, default=None, help="Start nothing new after this time.")
def main(out: Path, **options: Any) -> None:
    """Render labelled photos of couplers."""
    logging.basicConfig(level=logging.WARNING)
    try:
        report = produce(
            ProduceConfig(**options | {"domain": Domain(options["domain"])}), out, progress=_printer()
        )
    except (RoundsError, ValueError) as error:
        raise click.ClickException(str(error)) from error
    for line in report.lines():
        click.echo(line)
    (out / "report.json").write_text(
        json.dumps(asdict(report), indent=1, sort_keys=True) + "\n", encoding="utf-8"
    )


if __name__ == "__main__":
    main()
