"""Produce a labelled set of photos by a studio: ``python -m data_tools.studios.produce STUDIO --out DIR``.

The set looks like one of our own (``data_tools.rendering.produce``): ``photos/``, ``manifest.jsonl`` and, so
that a run that was stopped goes on where it was, ``progress.jsonl``.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Any

import click

from data_tools.rendering import shoot
from data_tools.rendering.crew import CrewSettings, Take, gather, run_crew
from data_tools.rendering.ledger import Ledger
from data_tools.rendering.renderer import VARIANTS, Renderer
from data_tools.studios.commission import STUDIOS, Commission, open_studio
from model.errors import told_plainly


@dataclass(frozen=True)
class Order:
    """How many subjects, of which seed, and how their pictures are made: see ``ProduceConfig``."""

    studio: str
    subjects: int
    seed: int = 0
    workers: int = 0
    variant: str = "auto"
    samples: int = 24
    scale: float = 1.0
    split: str | None = None
    max_seconds: float | None = None


def produce(order: Order, out_dir: Path) -> str:
    """Let a studio photograph what is ordered, and return a summary fit to print.

    Raises:
        ManifestError: ``out_dir`` holds a set made in another way.
        ValueError: unknown renderer variant.
    """
    start = time.monotonic()
    crew, ledger = gather(order.workers, order.variant), Ledger(out_dir)
    ledger.claim({"studio": order.studio, "seed": order.seed, "samples": order.samples, "scale": order.scale})
    done = ledger.finished()
    todo = [Commission(order.studio, order.seed, n) for n in range(order.subjects) if n not in done]
    stop_at = None if order.max_seconds is None else start + order.max_seconds
    results = run_crew(crew, partial(_open, order), out_dir, todo, stop_at) if todo else ()
    fresh = ledger.follow(results, done, order.subjects, None)
    lines = [line for _, record in sorted(done.items()) for line in record["lines"]]
    digest, couplers = ledger.write_manifest(lines, order.split)
    taken, failed = sum(len(r.lines) for r in fresh), sum(r.error is not None for r in fresh)
    return (
        f"{len(lines)} photos of {couplers} couplers; {taken} new in {time.monotonic() - start:.0f} s with"
        f" {crew.workers} workers on {crew.variant}; {failed} subjects skipped; manifest sha256 {digest}"
    )


def _open(order: Order, crew: CrewSettings) -> Take:
    Renderer(crew.variant, crew.threads)  # sets the variant up, as every studio expects
    photograph = open_studio(order.studio)

    def take(commission: Commission, clock: shoot.Clock) -> Iterator[shoot.Shot]:
        with clock("studio"):
            shots = photograph(commission.seed, commission.index, order.samples, order.scale)
        for number, shot in enumerate(shots):
            digest = sha256(f"{commission.name}/{number}".encode()).hexdigest()
            file = f"photos/{digest[:2]}/{digest[2:14]}.jpg"
            yield shoot.Shot(shot.jpeg, replace(shot.label, file=file))

    return take


@click.command()
@click.argument("studio", type=click.Choice(STUDIOS))
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True)
@click.option("--subjects", type=click.IntRange(1), required=True, help="Couplers and other things.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True)
@click.option("--workers", type=click.IntRange(0), default=0, help="Processes; 0: one for each core.")
@click.option("--variant", type=click.Choice(("auto", *VARIANTS)), default="auto", show_default=True)
@click.option("--samples", type=click.IntRange(1), default=24, show_default=True, help="Paths a pixel.")
@click.option("--scale", type=click.FloatRange(0.1, 2.0), default=1.0, show_default=True)
@click.option("--split", type=click.Choice(["train", "calibration", "test"]))
@click.option("--max-seconds", type=float, default=None, help="Start nothing new after this time.")
@told_plainly()
def main(out: Path, **options: Any) -> None:
    """Render labelled photos of couplers as another hand models them."""
    logging.basicConfig(level=logging.WARNING)
    click.echo(produce(Order(**options), out))


if __name__ == "__main__":
    main()
