"""The plain way, to be measured against: a whole-image torchvision fine-tune on the same photos.

Resize the photo to 224 x 224, one network, three independent outputs; no locating, no places, no refusals.
The network is torchvision's MobileNetV3 (Howard et al. 2019, arXiv 1905.02244), or, where pretrained weights
are given, the backbone of our own networks with them: the features are then the same, only the way differs.
Its answers go into a small file (JSON lines) that ``model.against`` sets beside ours.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import torch
from torch import Tensor, nn
from torch.nn import functional
from torchvision.models import mobilenet_v3_large

from model.config import TrainConfig
from model.dataset import PhotoBank, split_of
from model.errors import ArtefactError, ManifestError, told_plainly
from model.manifest import LabelledPhoto, read_manifest
from model.network import Backbone, state_on_cpu
from model.optimise import optimise
from model.preprocess import normalise
from model.train import Start, autocast, parse_config, pick_device, pick_split, pretrained_start
from model.vocabulary import FindingKind

SIDE = 224
SCORES_FORMAT = 1


class PlainNet(nn.Module):
    """The backbone of our own networks, averaged over the photo, and three logits."""

    def __init__(self) -> None:
        super().__init__()
        self.backbone = Backbone()
        self.decide = nn.Sequential(nn.Dropout(0.2), nn.Linear(Backbone.channels[2], len(FindingKind)))

    def forward(self, x: Tensor) -> Tensor:
        """Map Bx3xHxW normalised RGB to Bx3 logits in the order of ``FindingKind``."""
        result: Tensor = self.decide(self.backbone(x)[2].mean((2, 3)))
        return result


@dataclass(frozen=True)
class PlainScore:
    """What the baseline says about one photo: probabilities 0..1 by kind. ``intact``: a usable photo of a
    face without any damage, by its label."""

    file: str
    split: str
    intact: bool
    probabilities: dict[FindingKind, float]


def whole_image(bank: PhotoBank, rows: Tensor) -> Tensor:
    """Return Bx3x224x224 RGB 0..1: each photo squeezed into the square."""
    out = []
    for row in rows.tolist():
        width, height = (int(v) for v in bank.sizes[row])
        photo = bank.photos[row, :height, :width].permute(2, 0, 1)[None].float().div(255)
        out.append(functional.interpolate(photo, size=(SIDE, SIDE), mode="bilinear", antialias=True))
    return torch.cat(out)


def _network(plain: bool) -> nn.Module:
    if plain:
        return PlainNet()
    network: nn.Module = mobilenet_v3_large(weights=None, num_classes=len(FindingKind))
    return network


def train_baseline(
    bank: PhotoBank, config: TrainConfig, log: Callable[[str], None], start_from: Start | None = None
) -> nn.Module:
    """Fine-tune the baseline on every photo of ``bank`` that is taught at photo level.

    ``start_from`` fills the backbone of a ``PlainNet``; without it a MobileNetV3 starts from nothing.
    """
    torch.manual_seed(config.seed)
    network = _network(plain=start_from is not None)
    if start_from:
        start_from(network)
    network.to(bank.device)
    network.to(memory_format=torch.channels_last)
    rows = torch.nonzero(bank.targets.photo_weight.amax(1) > 0).flatten()
    # Squeezed once, not at every step: most of the time would go there.
    parts = [rows[start : start + 256] for start in range(0, len(rows), 256)]
    squares = torch.cat([whole_image(bank, part).mul(255).round().byte() for part in parts])
    generator = torch.Generator(bank.device).manual_seed(config.seed)

    def loss(index: Tensor) -> Tensor:
        chosen = rows[index]
        views = squares[index.to(bank.device)].float().div(255)
        flip = torch.rand(len(views), generator=generator, device=bank.device) < 0.5
        views = torch.where(flip.view(-1, 1, 1, 1), views.flip(3), views)
        gain = 0.8 + 0.4 * torch.rand((len(views), 3, 1, 1), generator=generator, device=bank.device)
        with autocast(bank.device):
            logits = network(normalise((views * gain).clamp(0, 1))).float()
        targets = bank.targets.take(chosen)
        each = functional.binary_cross_entropy_with_logits(logits, targets.photo, reduction="none")
        return (each * targets.photo_weight).sum() / targets.photo_weight.sum().clamp(min=1)

    return optimise(
        network, loss, lambda: len(rows), steps=config.condition_steps, batch=config.condition_batch,
        config=config, device=bank.device, log=lambda line: log("baseline " + line),
    )  # fmt: skip


@torch.inference_mode()
def baseline_scores(network: nn.Module, bank: PhotoBank, batch: int = 64) -> Tensor:
    """Return Nx3 probabilities for every photo of ``bank``."""
    network.eval()
    out = []
    for start in range(0, len(bank), batch):
        rows = torch.arange(start, min(start + batch, len(bank)), device=bank.device)
        with autocast(bank.device):
            out.append(torch.sigmoid(network(normalise(whole_image(bank, rows))).float()))
    return torch.cat(out).cpu()


def load_baseline(path: Path, device: torch.device | None = None) -> nn.Module:
    """Load a state dict that ``main`` wrote; its keys tell which network it is.

    Raises:
        ArtefactError: missing, or not the weights of a baseline.
    """
    try:
        state = torch.load(path, map_location="cpu", weights_only=True)
        plain = any(key.startswith("backbone.") for key in state)
        network = _network(plain)
        network.load_state_dict(state)
    except Exception as error:  # torch raises its own errors, pickle's, zip's and the system's
        raise ArtefactError(
            f"the state dict of a baseline at {path.name}", f"{type(error).__name__}",
            "Train one with python -m model.baseline.",
        ) from error  # fmt: skip
    network.to(memory_format=torch.channels_last)
    return network.to(device or torch.device("cpu")).eval()


def score_baseline(
    network: nn.Module,
    labels: Sequence[LabelledPhoto],
    root: Path,
    config: TrainConfig,
    *,
    threads: int = 2,
    chunk: int = 256,
) -> list[PlainScore]:
    """Return the baseline's answers for ``labels``, in order; at most ``chunk`` pictures in memory."""
    device = next(network.parameters()).device
    scores: list[PlainScore] = []
    for start in range(0, len(labels), chunk):
        bank = PhotoBank.load(labels[start : start + chunk], root, config, device, threads=threads)
        for label, row in zip(bank.labels, baseline_scores(network, bank).tolist(), strict=True):
            intact = label.family is not None and label.reason is None and not label.findings
            probabilities = dict(zip(FindingKind, row, strict=True))
            scores.append(PlainScore(label.file, split_of(label), intact, probabilities))
    return scores


def save_scores(scores: Sequence[PlainScore], path: Path) -> None:
    """Write a baseline's answers: a line that says what it is, then one line a photo."""
    lines = [json.dumps({"baseline": SCORES_FORMAT, "photos": len(scores)})]
    lines += [
        json.dumps(
            {
                "file": s.file,
                "split": s.split,
                "intact": s.intact,
                "probabilities": {kind.value: p for kind, p in s.probabilities.items()},
            }
        )
        for s in scores
    ]
    part = path.with_name(path.name + ".part")
    part.write_text("\n".join(lines) + "\n", encoding="utf-8")
    part.replace(path)


def load_scores(path: Path) -> list[PlainScore]:
    """Read a baseline's answers.

    Raises:
        ManifestError: missing, damaged or cut short.
    """
    try:
        head, *rows = (json.loads(line) for line in path.read_text(encoding="utf-8").splitlines())
        if head["baseline"] != SCORES_FORMAT or head["photos"] != len(rows):
            raise ValueError(f"{len(rows)} photos of {head['photos']}")
        return [_score_from(row) for row in rows]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ManifestError(
            f"a baseline's answers at {path.name}", repr(error), "Write them with python -m model.baseline."
        ) from error


def _score_from(row: dict[str, Any]) -> PlainScore:
    probabilities = {FindingKind(kind): float(p) for kind, p in row["probabilities"].items()}
    return PlainScore(row["file"], row["split"], bool(row["intact"]), probabilities)


def plain_photos_a_second(network: nn.Module, pictures: Sequence[bytes]) -> float:
    """Time the plain way: full decode, torchvision transform, one photo at a time; photos a second."""
    from torchvision.io import ImageReadMode, decode_image
    from torchvision.transforms import v2

    transform = v2.Compose([v2.Resize((SIDE, SIDE), antialias=True), v2.ToDtype(torch.float32, scale=True)])
    start = time.perf_counter()
    with torch.inference_mode():
        for data in pictures:
            image = decode_image(torch.frombuffer(bytearray(data), dtype=torch.uint8), ImageReadMode.RGB)
            network(normalise(transform(image)[None]))
    return len(pictures) / (time.perf_counter() - start)


@told_plainly()
def main() -> None:
    """Command line: ``python -m model.baseline MANIFEST OUT [--weights FILE] [--split S ...]``.

    Trains on the train split and writes ``OUT/baseline.pt``, unless ``--weights`` names one; then writes the
    answers for the named splits into ``OUT/baseline.jsonl``.
    """
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("manifest", type=Path)
    parser.add_argument("out", type=Path, help="folder")
    parser.add_argument("--weights", type=Path, help="score with this baseline, train none")
    parser.add_argument("--pretrained", type=Path, help="state dict of the backbone to start from")
    parser.add_argument("--split", action="append", help="default: calibration and test")
    parser.add_argument("--device")
    parser.add_argument("--threads", type=int, default=os.cpu_count() or 2)
    parser.add_argument("--set", nargs="*", default=[], help="training settings, key=value (JSON values)")
    a = parser.parse_args()
    config, device, labels = parse_config(a.set), pick_device(a.device), read_manifest(a.manifest)
    a.out.mkdir(parents=True, exist_ok=True)
    weights = a.weights or a.out / "baseline.pt"
    if a.weights is None:
        bank = PhotoBank.load(
            pick_split(labels, "train"), a.manifest.parent, config, device, threads=a.threads
        )
        start = pretrained_start(a.pretrained) if a.pretrained else None
        trained = train_baseline(bank, config, lambda line: print(line, flush=True), start)
        torch.save(state_on_cpu(trained), weights)
        del bank
    splits = a.split or ["calibration", "test"]
    chosen = [label for name in dict.fromkeys(splits) for label in pick_split(labels, name)]
    network = load_baseline(weights, device)
    scores = score_baseline(network, chosen, a.manifest.parent, config, threads=a.threads)
    save_scores(scores, a.out / "baseline.jsonl")
    print(f"{len(scores)} photos scored: {a.out / 'baseline.jsonl'}")


if __name__ == "__main__":
    main()
