"""The plain way, to be measured against: a whole-image torchvision fine-tune on the same photos.

Resize the photo to 224 x 224, one MobileNetV3 (Howard et al. 2019, arXiv 1905.02244), three independent
outputs; no locating, no places, no refusals.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import torch
from torch import Tensor, nn
from torch.nn import functional
from torchvision.models import mobilenet_v3_large

from model.config import TrainConfig
from model.dataset import PhotoBank
from model.preprocess import normalise
from model.train import autocast, optimise

SIDE = 224


def whole_image(bank: PhotoBank, rows: Tensor) -> Tensor:
    """Return Bx3x224x224 RGB 0..1: each photo squeezed into the square."""
    out = []
    for row in rows.tolist():
        width, height = (int(v) for v in bank.sizes[row])
        photo = bank.photos[row, :height, :width].permute(2, 0, 1)[None].float().div(255)
        out.append(functional.interpolate(photo, size=(SIDE, SIDE), mode="bilinear", antialias=True))
    return torch.cat(out)


def train_baseline(bank: PhotoBank, config: TrainConfig, log: Callable[[str], None]) -> nn.Module:
    """Fine-tune the baseline on every photo of ``bank`` that is taught at photo level."""
    torch.manual_seed(config.seed)
    network = mobilenet_v3_large(weights=None, num_classes=3)
    network = network.to(bank.device, memory_format=torch.channels_last)
    rows = torch.nonzero(bank.targets.photo_weight.amax(1) > 0).flatten()
    generator = torch.Generator(bank.device).manual_seed(config.seed)

    def loss(index: Tensor) -> Tensor:
        chosen = rows[index]
        views = whole_image(bank, chosen)
        flip = torch.rand(len(views), generator=generator, device=bank.device) < 0.5
        views = torch.where(flip.view(-1, 1, 1, 1), views.flip(3), views)
        gain = 0.8 + 0.4 * torch.rand((len(views), 3, 1, 1), generator=generator, device=bank.device)
        with autocast(bank.device):
            logits = network(normalise((views * gain).clamp(0, 1))).float()
        targets = bank.targets.take(chosen)
        each = functional.binary_cross_entropy_with_logits(logits, targets.photo, reduction="none")
        return (each * targets.photo_weight).sum() / targets.photo_weight.sum().clamp(min=1)

    return optimise(
        network, loss, len(rows), steps=config.condition_steps, batch=config.condition_batch, config=config,
        device=bank.device, log=lambda line: log("baseline " + line),
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
