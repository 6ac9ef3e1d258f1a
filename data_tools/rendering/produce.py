"""Produce a labelled set of rendered photos: ``python -m data_tools.rendering.produce --out DIR --count N``.

The set is a folder with ``photos/`` and ``manifest.jsonl``. A run that was stopped goes on where it was
(see ``ledger``).
"""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

import click

from data_tools.rendering.crew import CrewSettings, Result, Take, gather, run_crew
from data_tools.rendering.domains import Domain
from data_tools.rendering.ledger import MANIFEST, PROGRESS, Ledger, Progress
from data_tools.rendering.plan import GENERATOR_VERSION, Assignment, assignments
from data_tools.rendering.renderer import VARIANTS, Renderer
from data_tools.rendering.shoot import ShootSettings, shoot
from model.errors import RoundsError

__all__ = ["MANIFEST", "PROGRESS", "ProduceConfig", "ProduceReport", "produce"]


@dataclass(frozen=True)
class ProduceConfig:
    """What to produce and with what.

    ``samples`` are paths a pixel, ``scale`` shrinks every photo (1 = 512-896 px on the long side),
    ``environments`` names a folder of further panoramas (see ``light``), ``max_seconds`` starts
    nothing new after that time. ``workers`` 0 means one for each CPU core. ``domain`` is the world that is
    drawn from (see ``domains``); photos of another than ``train`` carry its name as their split, those of
    ``train`` the given ``split``, or none: that leaves it to whoever uses them. ``before``: so many photos
    more of each damaged coupler from before it was damaged, beyond ``count``.
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
    before: int = 0


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
    crew, ledger = gather(config.workers, config.variant), Ledger(out_dir)
    ledger.claim(_identity(config))
    wanted = assignments(config.seed, config.count, domain=config.domain, before=config.before)
    done = ledger.finished()
    todo = [item for item in wanted if not _is_done(item, done.get(item.index))]
    shots = ShootSettings(config.samples, config.scale, config.environments, out_dir / ".surroundings")
    stop_at = None if config.max_seconds is None else start + config.max_seconds
    results = run_crew(crew, partial(_open, shots), out_dir, todo, stop_at) if todo else ()
    fresh = ledger.follow(results, done, config.count, progress)
    kept = [done[item.index] for item in wanted if item.index in done]
    return _report(ledger, config, crew, kept, fresh, time.monotonic() - start)


def _open(shots: ShootSettings, crew: CrewSettings) -> Take:
    renderer = Renderer(crew.variant, crew.threads)
    return lambda assignment, clock: shoot(assignment, renderer, shots, clock)


def _report(
    ledger: Ledger,
    config: ProduceConfig,
    crew: CrewSettings,
    kept: Sequence[dict[str, Any]],
    fresh: Sequence[Result],
    seconds: float,
) -> ProduceReport:
    lines = [line for record in kept for line in record["lines"]]
    digest, couplers = ledger.write_manifest(lines, config.split)
    steps: dict[str, float] = {}
    for result in fresh:
        for step, spent in result.seconds.items():
            steps[step] = steps.get(step, 0.0) + spent
    return ProduceReport(
        photos=len(lines),
        new_photos=sum(len(result.lines) for result in fresh),
        subjects=sum(bool(record["lines"]) for record in kept),
        couplers=couplers,
        skipped=sum(record["error"] is not None for record in kept),
        seconds=seconds,
        seconds_by_step=steps,
        variant=crew.variant,
        workers=crew.workers,
        manifest_sha256=digest,
    )


def _identity(config: ProduceConfig) -> dict[str, Any]:
    """What a set is made from: two that agree in it are one set."""
    return {
        "generator": GENERATOR_VERSION,
        "seed": config.seed,
        "samples": config.samples,
        "scale": config.scale,
        "environments": config.environments is not None,
        "domain": config.domain.value,
        **({"before": config.before} if config.before else {}),
    }


def _is_done(assignment: Assignment, record: dict[str, Any] | None) -> bool:
    wanted = sum(map(len, assignment.numbers))
    return record is not None and (record["error"] is not None or len(record["lines"]) == wanted)


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
@click.option("--variant", type=click.Choice(("auto", *VARIANTS)), default="auto", show_default=True)
@click.option("--samples", type=click.IntRange(1), default=32, show_default=True, help="Paths a pixel.")
@click.option(
    "--scale", type=click.FloatRange(0.1, 2.0), default=1.0, show_default=True, help="Picture size."
)
@click.option("--environments", type=click.Path(path_type=Path, exists=True, file_okay=False), default=None)
@click.option(
    "--domain", type=click.Choice([d.value for d in Domain]), default="train", help="World to draw from."
)
@click.option("--split", type=click.Choice(["train", "calibration", "test"]), help="What the photos are for.")
@click.option(
    "--before", type=click.IntRange(0), default=0, help="Photos more of each damaged coupler, from before it."
)
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
