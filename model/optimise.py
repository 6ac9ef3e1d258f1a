"""The optimiser's way through a set: batches, schedule, averaged weights."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator

import torch
from torch import Tensor, nn

from model.averaged import Averaged
from model.config import TrainConfig

Log = Callable[[str], None]
StepLoss = Callable[[Tensor], Tensor]
Keep = Callable[[nn.Module], None]
"""Told the averaged network now and then, to keep it should the machine be lost."""
KEPT_EACH = 0.1
"""Share of a training after which its network is kept."""


def batches(count: Callable[[], int], size: int, generator: torch.Generator) -> Iterator[Tensor]:
    """Yield index batches for ever, going through all rows there are in a new random order each time."""
    order = torch.empty(0, dtype=torch.long)
    while True:
        while len(order) < min(size, count()):
            order = torch.cat([order, torch.randperm(count(), generator=generator)])
        yield order[:size]
        order = order[size:]


def optimise(
    network: nn.Module,
    step_loss: StepLoss,
    count: Callable[[], int],
    *,
    steps: int,
    batch: int,
    config: TrainConfig,
    device: torch.device,
    log: Log,
    keep: Keep | None = None,
) -> nn.Module:
    """Run AdamW with warm-up and cosine decay; return the averaged network.

    ``step_loss`` maps a batch of row numbers to a scalar loss of ``network`` in training mode; ``count``
    says how many rows there are by now. Ends after ``steps`` or ``config.seconds``, whichever is first.
    """
    decayed = [p for p in network.parameters() if p.ndim > 1]
    plain = [p for p in network.parameters() if p.ndim <= 1]
    groups = [
        {"params": decayed, "weight_decay": config.weight_decay},
        {"params": plain, "weight_decay": 0.0},
    ]
    optimiser = torch.optim.AdamW(groups, lr=config.learning_rate, fused=device.type == "cuda")
    warm = max(1, min(300, steps // 10))
    averaged = Averaged(network, config.ema)
    network.train()
    start, shown, kept = time.monotonic(), 0.0, 0.0
    stream = batches(count, batch, torch.Generator().manual_seed(config.seed))
    for step, rows in enumerate(stream, 1):
        elapsed = time.monotonic() - start
        done = max(step / steps, elapsed / config.seconds if config.seconds else 0.0)
        for group in optimiser.param_groups:
            group["lr"] = config.learning_rate * rate(done, step, warm)
        loss = step_loss(rows.to(device))
        optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        torch.nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimiser.step()
        averaged.update(network)
        if done >= shown + 0.025 or done >= 1:
            shown = done
            speed = step / max(elapsed, 1e-9)
            log(f"step {step} {done:.0%} loss {float(loss.detach()):.4f} rows {count()} {speed:.1f} steps/s")
        if keep and done >= kept + KEPT_EACH:
            kept = done
            keep(averaged.network)
        if done >= 1:
            break
    return averaged.network


def rate(done: float, step: int, warm: int) -> float:
    """Return the share of the peak learning rate: a rise over ``warm`` steps, then half a cosine."""
    fall = 0.5 * (1 + math.cos(math.pi * min(1.0, done)))
    return min(1.0, step / warm) * max(fall, 0.01)
