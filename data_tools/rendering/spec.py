"""What one coupler is, as plain data: sampled from a seed, JSON-able, the same on every machine.

Geometry (``geometry`` and ``damage`` modules) turns a ``CouplerSpec`` into meshes; the scene only reads
the meshes. Nothing here imports a renderer.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from model.vocabulary import FindingKind, Place


@dataclass(frozen=True)
class Damage:
    """One damage with its cause. ``severity`` 0 (barely there) .. 1 (gross). ``mode`` is the way it failed,
    e.g. ``hook_sheared``, ``arm_stub``, ``arm_gone``, ``hook_worn``; ``chip``, ``crack``, ``sector``,
    ``sleeve_gone``; ``soften``, ``sag``, ``blister``, ``char``. ``seed`` fixes its random shape."""

    kind: FindingKind
    place: Place
    severity: float
    mode: str
    seed: int


@dataclass(frozen=True)
class CouplerSpec:
    """One physical coupler.

    ``build`` holds the sampled dimensions (mm) and style choices, ``finish`` the plastics (colour, gloss,
    wear) and contact metal, ``soiling`` what lies on it (dust, mud, soot, stains, water... by place or
    overall): all flat dicts of str to float, int, str or list, so that a spec is its own record.
    """

    family: str
    seed: int
    build: dict[str, Any] = field(default_factory=dict)
    finish: dict[str, Any] = field(default_factory=dict)
    soiling: dict[str, Any] = field(default_factory=dict)
    damages: tuple[Damage, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return a JSON-able record of everything that shaped this coupler."""
        return asdict(self)


@dataclass
class Mesh:
    """A triangle mesh in face-plane mm (x right, y up, z towards the viewer; sleeve mouths at z = 0).

    ``part`` names what it is for id masks and truth: ``shell``, ``rim``, ``floor``, ``sleeve:<place>``,
    ``contact:<place>``, ``latch_hook``, ``latch_lever``, ``latch_stub``, ``release``, ``body``, ``cable``,
    ``debris``, ``cap``... ``material`` picks the shading: ``plastic``, ``rubber``, ``metal``, ``skin``...
    ``attributes`` are per-vertex arrays (N x k, float32, 0..1 unless said): always ``albedo`` (N x 3,
    linear RGB) and ``roughness`` (N x 1); further ones as ``geometry`` documents.
    """

    part: str
    material: str
    vertices: NDArray[np.float32]
    faces: NDArray[np.uint32]
    attributes: dict[str, NDArray[np.float32]] = field(default_factory=dict)
    smooth: bool = False
