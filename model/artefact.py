"""One model file: weights, and everything needed to trust them.

A safetensors file whose metadata holds a JSON record (classes, geometry, preprocessing, calibration,
metrics, hashes). Half precision on disk. A file that is damaged, altered, from another format version or
made for other geometry is refused with the reason.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import torch
from safetensors import SafetensorError, safe_open
from safetensors.torch import save_file
from torch import Tensor

from model.calibration import Calibration
from model.dataset import FAMILY_KEYS, USABLE
from model.errors import ArtefactError
from model.families import FAMILIES
from model.geometry import (
    CANONICAL_PIXELS,
    CLOSE_PIXELS,
    close_ups_to_canonical,
    latch_box,
    part_boxes,
)
from model.network import ConditionNet, LocatorNet
from model.preprocess import DEVIATION, LOCATOR_PIXELS, MEAN
from model.vocabulary import FindingKind

FORMAT = 3
SHIPPED = Path(__file__).parent / "weights" / "coupler.safetensors"


@dataclass(frozen=True)
class Card:
    """What a model file says about itself."""

    design: str
    calibration: Calibration
    data_hash: str = ""
    generator_version: str = ""
    trained_on: int = 0
    made_at: str = ""
    parent: str = ""
    metrics: dict[str, Any] = field(default_factory=dict)
    config: dict[str, Any] = field(default_factory=dict)
    version: str = ""


@dataclass(frozen=True)
class Model:
    """Both networks, ready to judge (evaluation mode, float32, CPU), and their card."""

    locator: LocatorNet
    condition: ConditionNet
    card: Card


def interface() -> dict[str, Any]:
    """Return what weights depend on in the code around them; a file made for another one is refused."""
    geometry = [
        [f.key, f.canonical_view.left, f.canonical_view.top, *[[c.place.value, c.x, c.y] for c in f.contacts],
         part_boxes(f).tolist(), latch_box(f).tolist(), close_ups_to_canonical(f).round(6).tolist()]
        for f in FAMILIES.values()
    ]  # fmt: skip
    return {
        "format": FORMAT,
        "kinds": [kind.value for kind in FindingKind],
        "families": list(FAMILY_KEYS),
        "usable": [reason.value if reason else "" for reason in USABLE],
        "geometry": hashlib.sha256(json.dumps(geometry).encode()).hexdigest()[:16],
        "canonical_pixels": CANONICAL_PIXELS,
        "close_pixels": CLOSE_PIXELS,
        "locator_pixels": LOCATOR_PIXELS,
        "mean": list(MEAN),
        "deviation": list(DEVIATION),
    }


def save_model(path: Path, locator: LocatorNet, condition: ConditionNet, card: Card) -> Card:
    """Write a model file and return its card with the version filled in.

    The version is ``<date>-<8 hex digits>``, a hash of weights and calibration together: whatever changes an
    answer changes the name.
    """
    tensors = _tensors(locator, condition)
    digest = _digest(tensors)
    name = hashlib.sha256(
        (digest + json.dumps(card.calibration.to_json(), sort_keys=True)).encode()
    ).hexdigest()
    card = replace(card, version=f"{card.made_at[:10] or 'undated'}-{name[:8]}")
    record = {"interface": interface(), "tensors_sha256": digest, "card": _card_to_json(card)}
    path.parent.mkdir(parents=True, exist_ok=True)
    save_file(tensors, path, metadata={"coupler_rounds": json.dumps(record, sort_keys=True)})
    return card


def weights_digest(model: Model) -> str:
    """Return the SHA-256 of the weights as a file holds them: the same whatever the calibration."""
    return _digest(_tensors(model.locator, model.condition))


def read_card(path: Path) -> Card:
    """Return the card of a model file without loading its weights.

    Raises:
        ArtefactError: missing, damaged, or made for another version of the code.
    """
    return _card_from_json(_record(path)["card"])


def load_model(path: Path | None = None) -> Model:
    """Load and check a model file; ``None`` means the one shipped with the package.

    Raises:
        ArtefactError: missing, damaged, altered, or made for another version of the code.
    """
    path = path or SHIPPED
    record = _record(path)
    try:
        with safe_open(path, framework="pt") as file:
            tensors = {key: file.get_tensor(key) for key in file.keys()}  # noqa: SIM118  not a dict
    except (SafetensorError, OSError) as error:
        raise _refuse(path, f"a damaged file ({error})") from error
    if _digest(tensors) != record["tensors_sha256"]:
        raise _refuse(path, "weights that do not match their checksum")
    card = _card_from_json(record["card"])
    locator = LocatorNet(len(FAMILY_KEYS))
    condition = ConditionNet(len(USABLE), card.design)
    _fill(locator, "locator.", tensors, path)
    _fill(condition, "condition.", tensors, path)
    return Model(locator, condition, card)


def _fill(network: torch.nn.Module, prefix: str, tensors: dict[str, Tensor], path: Path) -> None:
    own = network.state_dict()
    state = {k[len(prefix) :]: v for k, v in tensors.items() if k.startswith(prefix)}
    try:
        network.load_state_dict({k: v.to(own[k].dtype) for k, v in state.items()})
    except (RuntimeError, KeyError) as error:
        raise _refuse(path, "weights of another architecture") from error
    network.eval().to(memory_format=torch.channels_last)


def _record(path: Path) -> dict[str, Any]:
    try:
        with safe_open(path, framework="pt") as file:
            metadata = file.metadata() or {}
        record: dict[str, Any] = json.loads(metadata["coupler_rounds"])
    except FileNotFoundError as error:
        raise _refuse(path, "no file") from error
    except (SafetensorError, OSError) as error:
        raise _refuse(path, f"a damaged file ({error})") from error
    except (KeyError, ValueError) as error:
        raise _refuse(path, "a safetensors file without our record") from error
    wanted, came = interface(), record.get("interface", {})
    if differs := [key for key in wanted if wanted[key] != came.get(key)]:
        raise _refuse(path, f"one made for another {', '.join(differs)}")
    return record


def _refuse(path: Path, came: str) -> ArtefactError:
    return ArtefactError(
        f"a model file of format {FORMAT} at {path.name}", came, "Use a file made by this version."
    )


def _tensors(locator: LocatorNet, condition: ConditionNet) -> dict[str, Tensor]:
    tensors = {f"locator.{k}": _small(v) for k, v in locator.state_dict().items()}
    return tensors | {f"condition.{k}": _small(v) for k, v in condition.state_dict().items()}


def _small(tensor: Tensor) -> Tensor:
    """Return the tensor in half precision, or as it is where that cannot hold it: a variance above 65,504
    would become infinite, and its channel say nothing any more."""
    tensor = tensor.detach().cpu().contiguous()
    half = tensor.half() if tensor.dtype == torch.float32 else tensor
    return half if torch.equal(half.isfinite(), tensor.isfinite()) else tensor


def round_as_saved(network: torch.nn.Module) -> None:
    """Round the weights in place as a model file holds them."""
    network.load_state_dict({k: _small(v).to(v.dtype) for k, v in network.state_dict().items()})


def _digest(tensors: dict[str, Tensor]) -> str:
    hasher = hashlib.sha256()
    for key in sorted(tensors):
        hasher.update(key.encode())
        hasher.update(tensors[key].contiguous().numpy().tobytes())
    return hasher.hexdigest()


def _card_to_json(card: Card) -> dict[str, Any]:
    return {**card.__dict__, "calibration": card.calibration.to_json()}


def _card_from_json(data: dict[str, Any]) -> Card:
    return Card(**{**data, "calibration": Calibration.from_json(data["calibration"])})
