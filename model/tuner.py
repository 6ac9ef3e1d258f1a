"""The late layers on their way through a fine-tune: stretches of features, steps, checkpoints."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from model.averaged import Averaged
from model.checkpoint import Checkpoint, save_checkpoint
from model.config import TrainConfig
from model.dataset import Targets, family_boxes
from model.features import Features, Rooted, frozen_front, joined, kept_features, make_features
from model.losses import condition_loss
from model.network import ConditionNet
from model.preprocess import ServePreset
from model.schedule import Plan, own_rows, rate, step_rows
from model.weighting import dealt

Progress = Callable[[int, int], None]
OWN, OLD = "features-confirmed", "features-rendered"
"""Folders of kept features beside the checkpoint, while the run lasts."""
CHECKPOINT_EVERY = 25
LEARNING_RATE = 1e-3
BANK_SIDE = ServePreset().decode_side
"""Views are made from photos as large as those that are judged: what is fine in one is fine in the other."""
TAKEN = 0.7
"""The candidate lies this far on the straight way from the live weights to the learnt ones: that keeps most
of what is gained and forgets less (Wortsman et al. 2022, arXiv 2109.01903). Learnt from 120 photos of the
foreign local site, 0.7 of the way was as good on its other couplers as the whole way (76 and 77 of 200 photos
wrong, 89 before) and lost 2 instead of 3 of the 90 broken housings of the rendered test; both gained more."""
REMEMBER = 0.1
"""Weight of keeping the live network's answers on rendered photos, beside learning their truths: what is not
at issue at the new site stays as it was (Li and Hoiem 2016, arXiv 1606.09282; cited from memory)."""
CERTAIN = 6.0
"""A logit beyond this says no more than one at it."""
_VIEWS_A_STEP = 0.11
"""A view made counts as this many steps in the progress (measured on one core: 0.086 s against 0.79 s)."""


def tune_config(seed: int, batch: int) -> TrainConfig:
    """Return the settings of a fine-tune."""
    return TrainConfig(
        seed=seed, learning_rate=LEARNING_RATE, bank_side=BANK_SIDE, condition_batch=batch, ema=0.98
    )


def tune_features(
    network: ConditionNet, own: Features, old: Features | None, steps: int, *, batch: int = 16, seed: int = 0
) -> ConditionNet:
    """Return a copy of ``network`` that has learnt from features made before; nothing is kept on the way.

    The same steps as in ``fine_tune``, for trials that learn many times from parts of the same photos.
    """
    half = batch // 2 if old is not None else batch
    todo = Plan(steps, batch, half, len(own), len(old) if old is not None else 0, steps)
    tuner = Tuner(copy.deepcopy(network), todo, tune_config(seed, batch), None, "")
    tuner.learn_from(own, old)
    return tuner.result()


class Tuner:
    """The late layers on their way. Every step's random numbers follow from seed and step alone."""

    def __init__(
        self, network: ConditionNet, todo: Plan, config: TrainConfig, file: Path | None, name: str
    ) -> None:
        self.network, self.todo, self.config, self.file, self.name = network, todo, config, file, name
        self.front = frozen_front(network)
        self.teacher = copy.deepcopy(network).eval().requires_grad_(False)
        for early in (network.backbone.low, network.backbone.middle, network.detail.low):
            early.requires_grad_(False)
        learning = [p for p in network.parameters() if p.requires_grad]
        groups = [
            {"params": [p for p in learning if p.ndim > 1], "weight_decay": config.weight_decay},
            {"params": [p for p in learning if p.ndim <= 1], "weight_decay": 0.0},
        ]
        self.learning = learning
        self.start = {name: value.clone() for name, value in network.state_dict().items()}
        self.optimiser = torch.optim.AdamW(groups, lr=config.learning_rate)
        self.averaged = Averaged(network, config.ema)
        self.boxes = family_boxes(torch.device("cpu"))
        self.done = 0

    def learn(
        self,
        own: list[Rooted],
        old: list[Rooted],
        weights: NDArray[np.float64],
        kept: Checkpoint | None,
        tell: Progress,
    ) -> None:
        """Run all steps that are left, stretch by stretch."""
        if kept is not None:
            self._restore(kept)
        todo = self.todo
        work = todo.steps + _steps_worth(todo.views_until(math.ceil(todo.steps / todo.stretch_steps)))
        while self.done < todo.steps:
            number = self.done // todo.stretch_steps
            start, seen = self.done, todo.views_until(number)

            def made(count: int, start: int = start, seen: int = seen) -> None:
                tell(start + _steps_worth(seen + count), work)

            def learnt(step: int, seen: int = todo.views_until(number + 1)) -> None:
                tell(step + _steps_worth(seen), work)

            self._stretch(number, *self._features(number, own, old, weights, made), learnt)
        tell(work, work)

    def result(self) -> ConditionNet:
        """Return a network ``TAKEN`` of the way from the live weights to the averaged learnt ones."""
        result = copy.deepcopy(self.network)
        learnt = dict(self.averaged.network.named_parameters())
        mixed = {
            name: torch.lerp(value, learnt[name].detach(), TAKEN) if name in learnt else value
            for name, value in self.start.items()
        }
        result.load_state_dict(mixed)
        return result.eval()

    def learn_from(self, own: Features, old: Features | None) -> None:
        """Run all steps on features that are there already, as one stretch."""
        self._stretch(0, own, old, lambda _step: None)

    def _features(
        self,
        number: int,
        own: list[Rooted],
        old: list[Rooted],
        weights: NDArray[np.float64],
        tell: Callable[[int], None],
    ) -> tuple[Features, Features | None]:
        todo, seed = self.todo, self.config.seed * 100_003
        rows, of_own = own_rows(number, todo, weights, self.config.seed), seed + 2 * number
        first = self._kept(
            OWN, number, lambda at: make_features(self.front, own, rows, of_own, self.config, tell, at)
        )
        if not old:
            return first, None
        turn = number // todo.old_stretches
        others = dealt(turn * todo.old_views, todo.old_views, np.ones(len(old)), self.config.seed + 1)
        of_old = seed + 2 * turn + 1

        def told(count: int) -> None:
            tell(count + todo.own_views)

        return first, self._kept(
            OLD, turn, lambda at: make_features(self.front, old, others, of_old, self.config, told, at)
        )

    def _kept(self, folder: str, number: int, make: Callable[[Path], Features]) -> Features:
        assert self.file is not None
        return kept_features(self.file.parent / folder, f"{self.name} {number}", make)

    def _stretch(self, number: int, own: Features, old: Features | None, tell: Callable[[int], None]) -> None:
        end = min(self.todo.steps, (number + 1) * self.todo.stretch_steps)
        self.network.train()
        _freeze_statistics(self.network)
        while self.done < end:
            # Seeded anew each step, so that a resumed run draws what the uninterrupted one would have.
            torch.manual_seed(self.config.seed * 1_000_003 + self.done)
            batch = [own.take(step_rows(self.done, self.todo.half, len(own), self.config.seed))]
            if old is not None:
                batch.append(old.take(torch.randint(len(old), (self.todo.batch - self.todo.half,))))
            self._step(batch)
            self.done += 1
            if self.done % CHECKPOINT_EVERY == 0 or self.done == self.todo.steps:
                self._keep()
            tell(self.done)

    def _step(self, batch: list[tuple[Tensor, Tensor, Tensor, Targets]]) -> None:
        lows, middles, nears, truths = zip(*batch, strict=True)
        low, middle, near, targets = torch.cat(lows), torch.cat(middles), torch.cat(nears), joined(truths)
        family = targets.family.clamp(min=0)
        boxes = [box[family] for box in self.boxes]
        for group in self.optimiser.param_groups:
            group["lr"] = self.config.learning_rate * rate(self.done, self.todo.steps)
        out = self.network.late(low, middle, near, *boxes)
        loss = condition_loss(out, targets, boxes[2])
        old = slice(len(lows[0]), None)
        if len(batch) > 1:
            with torch.no_grad():
                known = self.teacher.late(low[old], middle[old], near[old], *(box[old] for box in boxes))
            loss = loss + REMEMBER * forgetting(out, known, old, boxes[2][old])
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(self.learning, 5.0)
        self.optimiser.step()
        self.averaged.update(self.network)

    def _keep(self) -> None:
        if self.file is None:
            return
        state = Checkpoint(
            self.name, self.done, self.averaged.updates, self.network.state_dict(),
            self.averaged.network.state_dict(), self.optimiser.state_dict(),
        )  # fmt: skip
        save_checkpoint(self.file, state)

    def _restore(self, kept: Checkpoint) -> None:
        self.network.load_state_dict(kept.network)
        self.averaged.network.load_state_dict(kept.averaged)
        self.averaged.updates = kept.updates
        self.optimiser.load_state_dict(kept.optimiser)
        self.done = kept.done


def forgetting(out: dict[str, Tensor], known: dict[str, Tensor], old: slice, valid: Tensor) -> Tensor:
    """Return how far the answers ``out`` of the rows ``old`` have moved from the live network's ``known``:
    the mean square in logits, those beyond certainty cut off; ``valid`` Bx(P+1), the latch last."""
    parts = valid[:, :-1]

    def apart(name: str, keep: slice | int) -> Tensor:
        limit = CERTAIN
        new, was = out[name][old][..., keep], known[name][..., keep]
        return (new.clamp(-limit, limit) - was.clamp(-limit, limit)).square()

    housing = (apart("housing", slice(2)) * parts[..., None]).sum() / (2 * parts.sum()).clamp(min=1)
    return apart("photo", slice(None)).mean() + apart("latch", 0).mean() + housing


def _steps_worth(views: int) -> int:
    return int(views * _VIEWS_A_STEP)


def _freeze_statistics(network: nn.Module) -> None:
    """Keep batch normalisation at its running statistics: a batch of 16 from one site is no sample of all."""
    for module in network.modules():
        if isinstance(module, nn.BatchNorm2d):
            module.eval()
