"""Half of what was learnt lies in the middle, is whole on the disk and keeps the candidate's card."""

from dataclasses import replace
from pathlib import Path

import torch

from model.artefact import load_model, save_model
from model.half_way import half_way

from .small_model import untrained


def test_every_weight_lies_half_way(tmp_path: Path) -> None:
    live, taught = untrained(1), untrained(2)
    save_model(tmp_path / "live.safetensors", live)
    card = save_model(
        tmp_path / "taught.safetensors", replace(taught, card=replace(taught.card, trained_on=77))
    )
    out = half_way(
        tmp_path / "live.safetensors", tmp_path / "taught.safetensors", tmp_path / "half.safetensors"
    )
    half, start, end = (
        load_model(path) for path in (out, *(tmp_path / f"{n}.safetensors" for n in ("live", "taught")))
    )
    assert half.card.trained_on == 77
    assert half.card.version not in (card.version, start.card.version)
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "half.safetensors",
        "live.safetensors",
        "taught.safetensors",
    ]
    for key, value in half.condition.state_dict().items():
        if value.is_floating_point():
            middle = (start.condition.state_dict()[key] + end.condition.state_dict()[key]) / 2
            # Files hold eight bits for a weight: half a step of the largest of a row.
            torch.testing.assert_close(value, middle, rtol=0.02, atol=0.01 * float(middle.abs().max()) + 1e-6)
    for key, value in half.locator.state_dict().items():
        torch.testing.assert_close(value, end.locator.state_dict()[key])
