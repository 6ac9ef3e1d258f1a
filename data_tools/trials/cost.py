"""Time and memory of a retrain, stage by stage, at growing numbers of confirmed photos.

``python -m data_tools.trials.cost MANIFEST OUT --photos 150 --photos 1500``: each number gets a workspace of
its own with so many decisions made through the store's verbs, then a retrain in a process of its own that is
watched. Where the manifest has fewer photos they come again under another hash (a comment in the JPEG file)
on another coupler; the model's verdict on a picture is computed once. So preparing is cheap, while the
retrain meets as many files, rows and pictures to decode as with photos that all differ.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import click

from data_tools.model_side import Judge, load_judge
from data_tools.retrain import retrain
from data_tools.settings import FILE_NAME, load_settings
from data_tools.trials.operator import LEAD, confirm, send
from data_tools.workspace import Workspace, init_workspace, open_workspace
from model.errors import told_plainly
from model.judgement import Judgement
from model.manifest import LabelledPhoto, read_manifest
from model.photo import Photo

SAMPLE_S = 0.2
MEMORY = ("VmRSS", "RssAnon", "RssFile")


class Remembering:
    """A judge that judges each picture once; copies of it get the same verdict."""

    def __init__(self, judge: Judge) -> None:
        self._judge, self._known = judge, dict[bytes, Judgement]()
        self.decode_side = int(getattr(judge, "decode_side", 1000))

    @property
    def version(self) -> str:
        """Version of the judge behind."""
        return self._judge.version

    def judge(self, photo: Photo) -> Judgement:
        """Judge one photo."""
        key = hashlib.sha256(photo.rgb.tobytes()).digest()
        if key not in self._known:
            self._known[key] = self._judge.judge(photo)
        return self._known[key]

    def judge_many(self, photos: Iterable[Photo], batch: int = 16) -> Iterator[Judgement]:
        """Judge photos in the order given."""
        return map(self.judge, photos)


def copies(labels: Sequence[LabelledPhoto], root: Path, count: int, folder: Path) -> list[LabelledPhoto]:
    """Write ``count`` photos into ``folder``, again and again the same pictures under other hashes."""
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for number in range(count):
        again, label = number // len(labels), labels[number % len(labels)]
        file = f"{number:06}.jpg"
        (folder / file).write_bytes(commented((root / label.file).read_bytes(), f"copy {again}"))
        made.append(replace(label, file=file, coupler=f"{label.coupler}-{again}"))
    return made


def commented(jpeg: bytes, words: str) -> bytes:
    """Return a JPEG file with a comment segment (marker FF FE, ITU-T T.81 B.2.4.5) after its start."""
    if jpeg[:2] != b"\xff\xd8":
        raise ValueError("Wanted a JPEG file; got another. Use a manifest of JPEG photos.")
    text = words.encode()
    return jpeg[:2] + b"\xff\xfe" + (len(text) + 2).to_bytes(2, "big") + text + jpeg[2:]


@dataclass
class Watch:
    """Seconds by stage and the most memory that a process held, MB."""

    seconds: dict[str, float] = field(default_factory=dict)
    most_mb: dict[str, float] = field(default_factory=dict)
    run_folder_mb: float = 0.0


def watched(folder: Path) -> dict[str, Any]:
    """Retrain the workspace in ``folder`` in a process of its own and return what that took."""
    command = [
        sys.executable,
        "-m",
        "data_tools.trials.cost",
        "--only",
        str(folder),
        str(folder),
        str(folder),
    ]
    watch, start = Watch(), time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    while child.poll() is None:
        _look(child.pid, folder / "runs", watch)
        time.sleep(SAMPLE_S)
    told = json.loads(child.communicate()[0].splitlines()[-1])
    return {
        **told,
        "wall_s": round(time.perf_counter() - start, 1),
        **watch.__dict__,
        "seconds": told["seconds"],
    }


def _look(pid: int, runs: Path, watch: Watch) -> None:
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return  # it has just ended
    for line in lines:
        name, _, value = line.partition(":")
        if name in MEMORY:
            watch.most_mb[name] = max(watch.most_mb.get(name, 0.0), round(int(value.split()[0]) / 1024, 1))
    size = sum(_size(path) for path in runs.rglob("*")) / 2**20
    watch.run_folder_mb = max(watch.run_folder_mb, round(size, 1))


def _size(path: Path) -> int:
    try:
        return path.stat().st_size if path.is_file() else 0
    except OSError:
        return 0


def staged(ws: Workspace) -> dict[str, Any]:
    """Retrain and return the seconds of each stage, by the clock and of all cores, and what came of it."""
    seconds: dict[str, float] = {}
    cpu_seconds: dict[str, float] = {}
    stage, since, cpu_since = "", time.perf_counter(), time.process_time()

    def tell(_share: float, name: str) -> None:
        nonlocal stage, since, cpu_since
        now, cpu_now = time.perf_counter(), time.process_time()
        if stage:
            seconds[stage] = seconds.get(stage, 0.0) + now - since
            cpu_seconds[stage] = cpu_seconds.get(stage, 0.0) + cpu_now - cpu_since
        stage, since, cpu_since = name, now, cpu_now

    outcome = retrain(ws, LEAD, progress=tell)
    tell(1.0, "end")
    return {
        "seconds": {name: round(value, 1) for name, value in seconds.items()},
        "cpu_seconds": {name: round(value, 1) for name, value in cpu_seconds.items()},
        "counts": outcome.training_set.counts,
        "compared_on": outcome.comparison.n,
        "promoted": outcome.promoted,
    }


def prepare(manifest: Path, folder: Path, count: int, frozen_test: Path | None, replay: Path | None) -> float:
    """Make the workspace with ``count`` confirmed photos; return the seconds that took."""
    start = time.perf_counter()
    folder.mkdir(parents=True, exist_ok=True)
    chosen = {"gate_manifest": frozen_test, "replay_manifest": replay}
    lines = [f'{name} = "{path.resolve()}"\n' for name, path in chosen.items() if path]
    (folder / FILE_NAME).write_text("".join(lines), encoding="utf-8")
    ws = init_workspace(load_settings(folder), classifier=Remembering(load_judge(None)))
    usable = [photo for photo in read_manifest(manifest) if photo.family and photo.reason is None]
    photos = copies(usable, manifest.parent, count, folder / "sent")
    confirm(ws, send(ws, photos, folder / "sent"))
    ws.close()
    return time.perf_counter() - start


@click.command()
@click.argument("manifest", type=click.Path(path_type=Path, exists=True))
@click.argument("out", type=click.Path(path_type=Path, file_okay=False))
@click.option("--photos", "counts", type=int, multiple=True, default=(150, 1500), show_default=True)
@click.option("--frozen-test", type=click.Path(path_type=Path, exists=True), help="Default: our own.")
@click.option("--replay", type=click.Path(path_type=Path, exists=True), help="Default: our own.")
@click.option("--only", type=click.Path(path_type=Path, exists=True), hidden=True)
@told_plainly()
def main(
    manifest: Path,
    out: Path,
    counts: tuple[int, ...],
    frozen_test: Path | None,
    replay: Path | None,
    only: Path | None,
) -> None:
    """Measure retrains of the given numbers of confirmed photos of MANIFEST, in workspaces under OUT."""
    if only is not None:
        click.echo(json.dumps(staged(open_workspace(load_settings(only)))))
        return
    report = []
    for count in counts:
        folder = out / f"{count}"
        prepared = prepare(manifest, folder, count, frozen_test, replay)
        report.append({"photos": count, "prepared_s": round(prepared, 1), **watched(folder)})
        (out / "cost.json").write_text(json.dumps(report, indent=1), encoding="utf-8")
    click.echo((out / "cost.json").read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
