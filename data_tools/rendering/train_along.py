"""Train while the photos are still being rendered: ``python -m data_tools.rendering.train_along SET... OUT``.

``SET`` is a folder that ``produce`` is writing (one for each GPU, say); its photos are learnt from as they
arrive. One coupler in ten is left out for calibration, by a stable hash of its name.
"""

from __future__ import annotations

import hashlib
import json
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import click
import torch

from data_tools.rendering.produce import MANIFEST, PROGRESS
from model.artefact import load_model
from model.config import TrainConfig
from model.dataset import PhotoBank
from model.errors import ManifestError, told_plainly
from model.losses import Council
from model.manifest import LabelledPhoto
from model.network import ConditionNet, state_on_cpu
from model.optimise import Keep
from model.train import (
    PARTS,
    Start,
    continued_start,
    parse_config,
    pick_device,
    pretrained_start,
    train_part,
)

CALIBRATION_SHARE = 0.1
Log = Callable[[str], None]


def held_back(photo: LabelledPhoto) -> bool:
    """Whether this photo's coupler is kept for calibration."""
    draw = int.from_bytes(hashlib.sha256(b"held back " + photo.coupler.encode()).digest()[:8], "big")
    return draw / 2**64 < CALIBRATION_SHARE


def with_splits(labels: list[LabelledPhoto]) -> list[LabelledPhoto]:
    """Return the labels with ``train`` or ``calibration`` written on each."""
    return [replace(label, split="calibration" if held_back(label) else "train") for label in labels]


class Arrivals:
    """Reads what ``produce`` has finished in ``folder`` since the last look."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._read = 0

    def __iter__(self) -> Iterator[LabelledPhoto]:
        """Yield the photos to learn from that are new since the last time."""
        path = self.folder / PROGRESS
        if not path.exists():
            return
        with path.open("rb") as file:
            file.seek(self._read)
            fresh = file.read()
        whole = fresh[: fresh.rfind(b"\n") + 1]
        self._read += len(whole)
        for line in whole.splitlines():
            if not line.strip():
                continue
            for entry in json.loads(line)["lines"]:
                photo = LabelledPhoto.from_json(entry)
                if photo.split in (None, "train") and not held_back(photo):
                    yield photo

    @property
    def over(self) -> bool:
        """Whether the set is finished."""
        return (self.folder / MANIFEST).exists()


def follow(
    bank: PhotoBank, folder: Path, append: Callable[[list[LabelledPhoto]], None], stop: threading.Event
) -> None:
    """Append what arrives in ``folder`` to ``bank`` until the set is finished, it is full, or ``stop``."""
    arrivals = Arrivals(folder)
    while not stop.is_set():
        over = arrivals.over
        fresh = list(arrivals)[: len(bank.photos) - len(bank)]
        for first in range(0, len(fresh), 64):
            append(fresh[first : first + 64])
        if over or len(bank) == len(bank.photos):
            return
        time.sleep(0.5)


def wait_for_photos(bank: PhotoBank, least: int, followers: list[threading.Thread], patience: float) -> None:
    """Wait until ``bank`` holds ``least`` photos, its sets are finished, or none came for ``patience`` s:
    a rendering that broke off, or a folder named wrongly, must not hold a rented machine for ever."""
    known, since = 0, time.monotonic()
    while len(bank) < least and any(thread.is_alive() for thread in followers):
        if len(bank) > known:
            known, since = len(bank), time.monotonic()
        if time.monotonic() - since > patience:
            return
        time.sleep(0.5)


@click.command()
@click.argument("folders", type=click.Path(path_type=Path, file_okay=False), nargs=-1, required=True)
@click.argument("out", type=click.Path(path_type=Path, file_okay=False))
@click.option("--part", type=click.Choice(PARTS), default="condition")
@click.option("--room", type=click.IntRange(1), default=20000, show_default=True, help="Photos at most.")
@click.option("--least", type=click.IntRange(1), default=2000, show_default=True, help="Start with so many.")
@click.option(
    "--patience", type=click.FloatRange(0), default=300.0, show_default=True, help="Seconds without a photo."
)
@click.option("--continue-from", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--pretrained", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option("--teacher", type=click.Path(path_type=Path, exists=True, dir_okay=False), help="Model file.")
@click.option("--device", default=None)
@click.option("--threads", type=click.IntRange(1), default=4, show_default=True)
@click.option("--set", "settings", multiple=True, help="Training setting, key=value.")
@told_plainly()
def main(
    folders: tuple[Path, ...],
    out: Path,
    part: str,
    room: int,
    least: int,
    patience: float,
    continue_from: Path | None,
    pretrained: Path | None,
    teacher: Path | None,
    device: str | None,
    threads: int,
    settings: tuple[str, ...],
) -> None:
    """Train one network on the photos of FOLDERS, as they arrive, and write its weights into OUT: each tenth
    of the way what it has learnt so far, should the machine be lost."""
    config = parse_config(list(settings))
    bank, stop = PhotoBank.empty(room, config, pick_device(device)), threading.Event()
    followers = _followers(bank, folders, config, threads, stop)
    wait_for_photos(bank, min(least, room), followers, patience)
    if not len(bank):
        raise ManifestError(
            f"photos in {', '.join(map(str, folders))}", "none", "Check the rendering's log and the folders."
        )
    torch.backends.cudnn.benchmark = True
    known = _council(teacher) if teacher else None
    start, keep = _start(part, continue_from, pretrained), _keeper(out, part)
    keep(train_part(part, bank, config, click.echo, start, known, keep))
    stop.set()
    for thread in followers:
        thread.join()
    (out / "config.json").write_text(json.dumps(config.to_json(), indent=1), encoding="utf-8")
    files = "\n".join(label.file for label in bank.labels)
    learnt = {"data_hash": hashlib.sha256(files.encode()).hexdigest(), "trained_on": len(bank)}
    (out / "training.json").write_text(json.dumps(learnt, indent=1), encoding="utf-8")


def _followers(
    bank: PhotoBank, folders: tuple[Path, ...], config: TrainConfig, threads: int, stop: threading.Event
) -> list[threading.Thread]:
    """Start a thread for each folder that fills ``bank`` with its photos."""
    one_at_a_time = threading.Lock()

    def follower(folder: Path) -> threading.Thread:
        def append(labels: list[LabelledPhoto]) -> None:
            with one_at_a_time:
                bank.append(labels[: len(bank.photos) - len(bank)], folder, config, threads=threads)

        return threading.Thread(target=follow, args=(bank, folder, append, stop), daemon=True)

    followers = [follower(folder) for folder in folders]
    for thread in followers:
        thread.start()
    return followers


def _keeper(out: Path, part: str) -> Keep:
    """Return what writes a network's weights into ``out``, whole or not at all."""
    out.mkdir(parents=True, exist_ok=True)

    def keep(network: torch.nn.Module) -> None:
        half_written = out / f"{part}.part"
        torch.save(state_on_cpu(network), half_written)
        half_written.replace(out / f"{part}.pt")

    return keep


def _council(path: Path) -> Council:
    networks = load_model(path).networks.values()
    return Council([network for network in networks if isinstance(network, ConditionNet)])


def _start(part: str, continue_from: Path | None, pretrained: Path | None) -> Start | None:
    if continue_from is not None:
        return continued_start(continue_from, part)
    return None if pretrained is None else pretrained_start(pretrained)


if __name__ == "__main__":
    main()
