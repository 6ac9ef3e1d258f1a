"""One model file: weights, and everything needed to trust them.

A safetensors file whose metadata holds a JSON record (classes, geometry, preprocessing, calibration,
metrics, hashes), the weights in few bits (``model.compact``). A file that is damaged, altered, from another
format version or made for other geometry is refused with the reason.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import torch
from safetensors import SafetensorError, safe_open
from safetensors.torch import save
from torch import Tensor, nn

from model.calibration import Calibration
from model.checkpoint import write_whole
from model.compact import packed, unpacked
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

FORMAT = 4
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
    """The networks, ready to judge (evaluation mode, float32, CPU), and their card. ``second`` is another
    condition network, taught apart, that is asked where the first one is in doubt."""

    locator: LocatorNet
    condition: ConditionNet
    card: Card
    second: ConditionNet | None = None

    @property
    def networks(self) -> dict[str, LocatorNet | ConditionNet]:
        """The networks there are, under the names that their weights have in a file."""
        known = {"locator": self.locator, "condition": self.condition, "second": self.second}
        return {name: network for name, network in known.items() if network is not None}


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


def save_model(path: Path, model: Model) -> Card:
    """Write a model file, whole or not at all, and return its card with the version filled in.

    The version is ``<date>-<8 hex digits>``, a hash of weights and calibration together: whatever changes an
    answer changes the name.

    Raises:
        StorageError: the disk is full or read-only.
    """
    tensors, card = _tensors(model), model.card
    digest = _digest(tensors)
    card = replace(card, version=f"{card.made_at[:10] or 'undated'}-{_name(digest, card)}")
    record = {"interface": interface(), "tensors_sha256": digest, "card": _card_to_json(card)}
    write_whole(path, save(tensors, metadata={"coupler_rounds": json.dumps(record, sort_keys=True)}))
    return card


def weights_digest(model: Model) -> str:
    """Return the SHA-256 of the weights as a file holds them: the same whatever the calibration."""
    return _digest(_tensors(model))


def read_card(path: Path) -> Card:
    """Return the card of a model file without loading its weights.

    Raises:
        ArtefactError: missing, damaged, or made for another version of the code.
    """
    return _card(path, _record(path))


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
    card, digest = _card(path, record), _digest(tensors)
    if digest != record.get("tensors_sha256"):
        raise _refuse(path, "weights that do not match their checksum")
    if not card.version.endswith(f"-{_name(digest, card)}"):
        raise _refuse(path, "limits that do not match the version's name")
    model = blank_model(card, tensors)
    for name, network in model.networks.items():
        _fill(network, name, tensors, path)
    return model


def blank_model(card: Card, names: Iterable[str]) -> Model:
    """Return a model of the networks to which tensors of these names belong; they know nothing yet."""
    known = list(names)

    def condition(part: str) -> ConditionNet | None:
        if not any(name.startswith(f"{part}.") for name in known):
            return None
        siblings = any(name.startswith(f"{part}.siblings.") for name in known)
        return ConditionNet(len(USABLE), card.design, siblings=siblings)

    first = condition("condition") or ConditionNet(len(USABLE), card.design)
    return Model(LocatorNet(len(FAMILY_KEYS)), first, card, condition("second"))


def _fill(network: nn.Module, name: str, tensors: dict[str, Tensor], path: Path) -> None:
    prefix = f"{name}."
    try:
        network.load_state_dict(
            unpacked({k[len(prefix) :]: v for k, v in tensors.items() if k.startswith(prefix)})
        )
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
    if not isinstance(record, dict):
        raise _refuse(path, "a damaged record")
    wanted, came = interface(), record.get("interface", {})
    if differs := [key for key in wanted if wanted[key] != came.get(key)]:
        raise _refuse(path, f"one made for another {', '.join(differs)}")
    return record


def _refuse(path: Path, came: str) -> ArtefactError:
    return ArtefactError(
        f"a model file of format {FORMAT} at {path.name}", came, "Use a file made by this version."
    )


def _tensors(model: Model) -> dict[str, Tensor]:
    return {
        f"{name}.{key}": value
        for name, network in model.networks.items()
        for key, value in packed(network.state_dict()).items()
    }


def _digest(tensors: dict[str, Tensor]) -> str:
    hasher = hashlib.sha256()
    for key in sorted(tensors):
        hasher.update(key.encode())
        hasher.update(tensors[key].contiguous().numpy().tobytes())
    return hasher.hexdigest()


def _card_to_json(card: Card) -> dict[str, Any]:
    return {**card.__dict__, "calibration": card.calibration.to_json()}


def _card(path: Path, record: dict[str, Any]) -> Card:
    try:
        data = record["card"]
        return Card(**{**data, "calibration": Calibration.from_json(data["calibration"])})
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _refuse(path, f"a damaged card ({error!r})") from error


def _name(digest: str, card: Card) -> str:
    """Return what a version is called by: it changes with the weights and with the calibration."""
    whole = digest + json.dumps(card.calibration.to_json(), sort_keys=True)
    return hashlib.sha256(whole.encode()).hexdigest()[:8]
