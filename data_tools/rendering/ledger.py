"""The book of a set that is being produced: what its folder is for, which subjects are done, its manifest.

``run.json`` says how the set is made, ``progress.jsonl`` holds one line for each finished subject, written
as soon as its photos lie in the folder; ``manifest.jsonl`` is written at the end. So a run that was stopped
goes on where it was.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from data_tools.rendering.crew import Result
from model.errors import ManifestError
from model.manifest import LabelledPhoto, write_manifest

MANIFEST = "manifest.jsonl"
PROGRESS = "progress.jsonl"
RUN = "run.json"
Progress = Callable[[int, int], None]
"""Called with photos done and photos wanted."""


@dataclass(frozen=True)
class Ledger:
    """The book of the set in ``folder``."""

    folder: Path

    def claim(self, identity: dict[str, Any]) -> None:
        """Write down what this folder is for, or check that it is the same as before.

        Raises:
            ManifestError: it holds a set made in another way.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / RUN
        if not path.exists():
            path.write_text(json.dumps(identity, sort_keys=True) + "\n", encoding="utf-8")
            return
        try:
            found = json.loads(path.read_text(encoding="utf-8"))
        except ValueError:  # nobody knows any more what the folder holds
            found = f"{RUN} that cannot be read"
        if found != identity:
            raise ManifestError(
                f"a folder for {identity}",
                f"one that holds {found}",
                "Use the same settings or another folder.",
            )

    def finished(self) -> dict[int, dict[str, Any]]:
        """Return the finished subjects by index; a line that is none (cut short by a crash) is left out."""
        path = self.folder / PROGRESS
        done: dict[int, dict[str, Any]] = {}
        if not path.exists():
            return done
        for text in path.read_text(encoding="utf-8").splitlines():
            try:
                record = json.loads(text)
                done[int(record["index"])] = record
            except (ValueError, KeyError, TypeError):
                continue
        return done

    def follow(
        self,
        results: Iterable[Result],
        done: dict[int, dict[str, Any]],
        count: int,
        progress: Progress | None,
    ) -> list[Result]:
        """Write down each result as it comes, into ``done`` too, and return them all; ``progress`` is told
        how many of ``count`` photos are there."""
        fresh: list[Result] = []
        ready = sum(len(record["lines"]) for record in done.values())
        with (self.folder / PROGRESS).open("a", encoding="utf-8") as log:
            log.write("\n")
            for result in results:
                index = result.assignment.index
                done[index] = {"index": index, "lines": result.lines, "error": result.error}
                log.write(json.dumps(done[index], sort_keys=True) + "\n")
                log.flush()
                fresh.append(result)
                ready += len(result.lines)
                if progress:
                    progress(ready, count)
        return fresh

    def write_manifest(self, lines: Iterable[dict[str, Any]], split: str | None) -> tuple[str, int]:
        """Write the manifest, photos without a split given ``split``; return its SHA-256 and how many
        couplers it names."""
        photos = [replace(photo, split=photo.split or split) for photo in map(LabelledPhoto.from_json, lines)]
        digest = write_manifest(self.folder / MANIFEST, photos)
        return digest, len({photo.coupler for photo in photos if photo.family})
