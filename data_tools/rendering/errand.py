"""Programs that run side by side on one machine, each with a log, a GPU and processor cores of its own."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

ENOUGH_TO_SHARE = 16
"""With fewer cores than this nobody gets any of their own."""


@dataclass
class Errands:
    """Starts programs and writes down when each ended and how.

    Args:
        folder: for a log of each program, and ``steps.txt``.
        cores: processor cores of the machine.
        learners: how many trainings there are, each with ``each`` cores that no renderer may use.
        tell: told a line as each program ends.
    """

    folder: Path
    cores: int
    learners: int
    each: int
    tell: Callable[[str], None]
    failed: list[str] = field(default_factory=list)
    since: float = field(default_factory=time.monotonic)

    def do(
        self, name: str, module: str, options: Sequence[object], *, gpu: int | None = None, cores: str = ""
    ) -> bool:
        """Run ``python -m module`` to its end; whether it ended well."""
        self.folder.mkdir(parents=True, exist_ok=True)
        words = [sys.executable, "-m", module, *map(str, options)]
        if cores and (pin := shutil.which("taskset")):
            words = [pin, "-c", cores, *words]
        shown = {} if gpu is None else {"CUDA_VISIBLE_DEVICES": str(gpu)}
        with (self.folder / f"{name}.txt").open("w", encoding="utf-8") as log:
            ended = subprocess.run(words, stdout=log, stderr=log, env=os.environ | shown, check=False)
        line = f"{time.monotonic() - self.since:.0f} s {name} {'done' if not ended.returncode else 'FAILED'}"
        if ended.returncode:
            self.failed.append(name)
        with (self.folder / "steps.txt").open("a", encoding="utf-8") as steps:
            steps.write(line + "\n")
        self.tell(line)
        return not ended.returncode

    @property
    def enough_to_share(self) -> bool:
        """Whether the machine has cores enough to give some programs their own."""
        return self.cores >= ENOUGH_TO_SHARE

    def learn_cores(self, number: int) -> str:
        """Return the cores of training ``number`` for ``taskset``; empty where there are too few."""
        if not self.enough_to_share:
            return ""
        first = self.cores - (number + 1) * self.each
        return f"{first}-{first + self.each - 1}"

    @property
    def shared_cores(self) -> str:
        """The cores that no training has to itself; empty where there are too few."""
        kept = self.learners * self.each
        return f"0-{self.cores - kept - 1}" if self.enough_to_share else ""

    def render_cores(self, lane: int, lanes: int) -> str:
        """Return the cores of the renderers of one of ``lanes`` GPUs; empty where there are too few."""
        if not self.enough_to_share:
            return ""
        share = self.workers(lanes)
        return f"{lane * share}-{(lane + 1) * share - 1}"

    def workers(self, lanes: int) -> int:
        """Return how many renderers each GPU gets: one for each core that is not kept for learning."""
        kept = self.learners * self.each if self.enough_to_share else 0
        return max(1, (self.cores - kept) // lanes)

    def deal_cores(self, work: Sequence[int]) -> list[tuple[int, str]]:
        """Return for programs with so much ``work`` each, run at once on all cores, how many threads each
        gets and on which cores: everyone one, and the rest by what there is to do."""
        spare, total = self.cores - len(work), sum(work)
        edges = [round(spare * sum(work[:n]) / total) + n for n in range(len(work) + 1)]
        return [(end - start, f"{start}-{end - 1}") for start, end in pairwise(edges)]
