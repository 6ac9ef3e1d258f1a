"""Settings of a training as frozen data, to and from JSON; an unknown key is refused."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import Any

from model.errors import ManifestError

DESIGNS = ("whole", "parts", "both")


@dataclass(frozen=True)
class TrainConfig:
    """How to train the networks.

    Args:
        seed: fixes weights, order and augmentation.
        design: where condition probabilities come from: the ``whole`` canonical view, the ``parts`` with
            shared weights, or ``both``.
        locator_steps, condition_steps: optimiser steps (batches) for each network.
        seconds: the training ends after so long if the steps are not done, its schedule stretched to that;
            0: the steps alone decide.
        locator_batch, condition_batch: photos a batch.
        learning_rate: peak of a one-cycle cosine schedule for AdamW.
        bank_side: photos are kept in memory at no more than this many pixels on the long side.
        visible_from: a damage at least this visible (manifest ``visible``) is taught as present.
        covered_below: at a place of which less than this is in view (0..1), a damage that is not visible is
            taught as absent; elsewhere it is not taught, as a trace of it may be seen after all.
        place_visible_from: a place with less of it in view is not taught as undamaged. 0 teaches that what
            is covered shows no damage (whether it is in view at all is another output); left untaught, the
            network took fingers and cables across the face for damage.
        ema: decay of the averaged weights that are kept in the end.
        heed: share of a teacher's answer in what is taught (0..1), where there is a teacher.
        siblings: whether each housing is compared with the others (``model.siblings``).
    """

    seed: int = 0
    design: str = "both"
    locator_steps: int = 3000
    condition_steps: int = 6000
    seconds: float = 0.0
    locator_batch: int = 96
    condition_batch: int = 96
    learning_rate: float = 2e-3
    weight_decay: float = 0.02
    bank_side: int = 768
    visible_from: float = 0.12
    covered_below: float = 0.2
    place_visible_from: float = 0.0
    ema: float = 0.998
    heed: float = 0.5
    siblings: bool = False

    def __post_init__(self) -> None:
        """Refuse a design that does not exist, and a teacher who is heeded more than wholly."""
        if self.design not in DESIGNS:
            raise ManifestError(f"a design of {', '.join(DESIGNS)}", repr(self.design), "Use one of these.")
        if not 0 <= self.heed <= 1:
            raise ManifestError("heed of 0 to 1", str(self.heed), "Correct the setting.")

    def to_json(self) -> dict[str, Any]:
        """Return the JSON form."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> TrainConfig:
        """Build from JSON.

        Raises:
            ManifestError: a key that is no setting.
        """
        known = {field.name for field in fields(cls)}
        if unknown := set(data) - known:
            raise ManifestError(
                "training settings we know",
                f"{', '.join(sorted(unknown))}",
                f"Known: {', '.join(sorted(known))}.",
            )
        return cls(**data)
