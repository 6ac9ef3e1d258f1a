"""Hands as posed bones, turned into skin by a signed distance field and marching cubes.

Hand frame: wrist at the origin, fingers along +y, back of the hand towards +z, thumb on the -x side.
Bone lengths follow an adult hand (common practice, no source) and vary with the person.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import Rotation
from skimage import measure

from data_tools.rendering.contours import Array
from data_tools.rendering.shapes import Solid, clean

PALM = -1
"""``Bone.finger`` of palm and forearm bones; 0..3 are index to little finger, 4 is the thumb."""
THUMB = 4

_KNUCKLES = np.array([[-24.0, 88.0, 0.0], [-5.0, 92.0, 2.0], [14.0, 87.0, 0.5], [30.0, 77.0, -3.0]])
_LENGTHS = np.array([[43.0, 26.0, 19.0], [47.0, 30.0, 20.0], [44.0, 28.0, 20.0], [34.0, 21.0, 17.0]])
_RADII = np.array([10.4, 9.5, 8.6, 7.4])
_WRIST = np.array([[-17.0, 2.0, 0.0], [-6.0, 0.0, 1.0], [6.0, 0.0, 1.0], [16.0, 3.0, 0.0]])
_FAR = 12.0
_FINGER_BLEND, _PALM_BLEND = 2.0, 9.0


@dataclass(frozen=True)
class Bone:
    """A round cone from ``start`` to ``end`` (mm); ``dorsal`` points to the back of the hand."""

    start: Array
    end: Array
    start_radius: float
    end_radius: float
    dorsal: Array
    finger: int
    segment: int


@dataclass(frozen=True)
class Hand:
    """A posed hand; ``wrist`` and ``forearm`` (unit, away from the hand) tell where a cuff goes."""

    bones: tuple[Bone, ...]
    wrist: Array
    forearm: Array

    def moved(self, turn: Rotation, offset: ArrayLike, *, mirror: bool = False) -> Hand:
        """Return the hand mirrored in x if asked, then turned, then shifted."""
        flip = np.array([-1.0 if mirror else 1.0, 1.0, 1.0])
        shift = np.asarray(offset, dtype=np.float64)

        def place(point: Array) -> Array:
            return np.asarray(turn.apply(point * flip)) + shift

        bones = tuple(
            replace(b, start=place(b.start), end=place(b.end), dorsal=turn.apply(b.dorsal * flip))
            for b in self.bones
        )
        return Hand(bones, place(self.wrist), turn.apply(self.forearm * flip))

    def tip(self, finger: int) -> Array:
        """Return the end point of a finger's last bone, mm."""
        return [b for b in self.bones if b.finger == finger][-1].end


def open_hand(
    rng: np.random.Generator, curl: ArrayLike, *, thumb_out: float = 0.6, fatness: float = 1.0
) -> Hand:
    """Return a hand whose four fingers are bent by ``curl`` (0 straight .. 1 fist, one per finger).

    ``thumb_out`` 0 lays the thumb along the palm, 1 spreads it; ``fatness`` scales all radii.
    """
    size = rng.uniform(0.9, 1.08)
    bones: list[Bone] = []
    for finger, bend in enumerate(np.broadcast_to(np.asarray(curl, dtype=np.float64), (4,))):
        bend = float(np.clip(bend + rng.normal(0, 0.04), -0.05, 1.0))
        yaw = np.radians((finger - 1.3) * rng.uniform(2, 5) * (1 - bend) + rng.normal(0, 2))
        ahead = np.array([np.sin(yaw), np.cos(yaw), 0.0])
        flex = np.cumsum(np.radians(np.array([80.0, 95.0, 55.0]) * bend))
        joint, thin = _KNUCKLES[finger] * size, (0.86 if finger == 3 else 1.0) * fatness
        for segment in range(3):
            along = np.cos(flex[segment]) * ahead - np.sin(flex[segment]) * np.array([0.0, 0.0, 1.0])
            dorsal = np.cos(flex[segment]) * np.array([0.0, 0.0, 1.0]) + np.sin(flex[segment]) * ahead
            end = joint + along * _LENGTHS[finger, segment] * size
            radii = _RADII[segment : segment + 2] * thin
            bones.append(Bone(joint, end, float(radii[0]), float(radii[1]), dorsal, finger, segment))
            joint = end
    bones += _thumb(rng, thumb_out, size, fatness)
    bones += _palm(size, fatness)
    return Hand(tuple(bones), np.zeros(3), np.array([0.0, -1.0, 0.0]))


def gripping_hand(rng: np.random.Generator, radius: float, *, fatness: float = 1.0) -> Hand:
    """Return a hand wrapped round a bar of ``radius`` mm along z; the index finger is nearest to z = 0.

    The palm lies at +x with the forearm running off to -y; fingers close over the +y side.
    """
    size = rng.uniform(0.9, 1.08)
    pitch = rng.uniform(16.0, 18.5) * size
    bones: list[Bone] = []
    knuckles = []
    spread = rng.uniform(-0.08, 0.08)
    for finger in range(4):
        z = -pitch * finger
        angle = rng.uniform(0.0, 0.2) + (0.15 if finger == 3 else 0.0)
        thin = (0.86 if finger == 3 else 1.0) * fatness
        joint = _around(radius + 12.0 * fatness, angle, z)
        knuckles.append(joint)
        for segment in range(3):
            reach = radius + _RADII[segment + 1] * thin + rng.uniform(-0.8, 0.3)
            angle += _LENGTHS[finger, segment] * size / (reach + 4.0)
            end = _around(reach, angle, z + spread * 30 * (segment + 1))
            dorsal = _around(1.0, angle - 0.5 * _LENGTHS[finger, segment] / (reach + 4.0), 0.0)
            radii = _RADII[segment : segment + 2] * thin
            bones.append(Bone(joint, end, float(radii[0]), float(radii[1]), dorsal, finger, segment))
            joint = end
    drop, slope = rng.uniform(78, 92) * size, rng.uniform(-0.35, 0.45)
    wrist = np.mean(knuckles, axis=0) + np.array([rng.uniform(0, 14), -drop, -slope * drop])
    back = np.array([1.0, 0.0, 0.0])
    for finger, joint in enumerate(knuckles):
        root = wrist + np.array([0.0, 0.0, (1.5 - finger) * 9.0])
        bones.append(Bone(root, joint, 13.0 * fatness, 11.5 * fatness, back, PALM, 0))
    bones += _gripping_thumb(rng, radius, wrist, size, fatness)
    forearm = np.array([rng.uniform(0.0, 0.3), -1.0, -slope - rng.uniform(-0.2, 0.3)])
    forearm /= np.linalg.norm(forearm)
    bones += _forearm(wrist, forearm, np.array([0.0, 0.0, 1.0]), back, fatness)
    return Hand(tuple(bones), wrist, forearm)


def flesh(hand: Hand, step: float = 1.8) -> Solid:
    """Return the skin of ``hand`` meshed every ``step`` mm."""
    ends = np.array([[b.start, b.end] for b in hand.bones]).reshape(-1, 3)
    reach = max(max(b.start_radius, b.end_radius) for b in hand.bones) + 3 * step
    low = ends.min(axis=0) - reach
    shape = np.ceil((ends.max(axis=0) + reach - low) / step).astype(int) + 1
    fingers = np.full(shape, _FAR, dtype=np.float32)
    palm = np.full(shape, _FAR, dtype=np.float32)
    for bone in hand.bones:
        field, blend = (palm, _PALM_BLEND) if bone.finger == PALM else (fingers, _FINGER_BLEND)
        _add_bone(field, bone, low, step, blend)
    volume = _smooth_minimum(fingers, palm, _PALM_BLEND * 0.7)
    vertices, faces, _, _ = measure.marching_cubes(  # type: ignore[no-untyped-call]
        volume, 0.0, spacing=(step, step, step), gradient_direction="descent"
    )
    return clean(vertices.astype(np.float64) + low, faces.astype(np.int64))


def _add_bone(field: Array, bone: Bone, low: Array, step: float, blend: float) -> None:
    """Blend one round cone into the part of ``field`` that it can touch."""
    margin = max(bone.start_radius, bone.end_radius) + blend + 2 * step
    first = np.maximum(((np.minimum(bone.start, bone.end) - margin - low) / step).astype(int), 0)
    last = np.minimum(((np.maximum(bone.start, bone.end) + margin - low) / step).astype(int) + 2, field.shape)
    axes = [
        (np.arange(first[k], last[k], dtype=np.float32) * step + low[k] - bone.start[k]) for k in range(3)
    ]
    x, y, z = axes[0][:, None, None], axes[1][None, :, None], axes[2][None, None, :]
    along = (bone.end - bone.start).astype(np.float32)
    t = np.clip((x * along[0] + y * along[1] + z * along[2]) / max(float(along @ along), 1e-6), 0, 1)
    distance = np.sqrt((x - t * along[0]) ** 2 + (y - t * along[1]) ** 2 + (z - t * along[2]) ** 2)
    distance -= bone.start_radius + t * (bone.end_radius - bone.start_radius)
    window = tuple(slice(int(a), int(b)) for a, b in zip(first, last, strict=True))
    field[window] = _smooth_minimum(field[window], distance, blend)


def _smooth_minimum(a: Array, b: Array, blend: float) -> Array:
    overlap = np.maximum(blend - np.abs(a - b), 0)
    return np.minimum(a, b) - overlap * overlap / (4 * blend)


def _around(radius: float, angle: float, z: float) -> Array:
    return np.array([radius * np.cos(angle), radius * np.sin(angle), z])


def _thumb(rng: np.random.Generator, out: float, size: float, fatness: float) -> list[Bone]:
    root = np.array([-20.0, 18.0, -7.0]) * size
    spread = np.radians(15 + 45 * out + rng.normal(0, 4))
    under = rng.uniform(0.15, 0.6) * (1.2 - out)
    joint, bones = root, []
    dorsal = np.array([-0.75, 0.25, 0.6])
    for segment, (length, radii) in enumerate(
        ((42.0, (14.0, 10.8)), (31.0, (10.8, 9.6)), (25.0, (9.6, 7.6)))
    ):
        along = np.array([-np.sin(spread), np.cos(spread), -under])
        end = joint + along / np.linalg.norm(along) * length * size
        kind = (PALM, 1) if segment == 0 else (THUMB, segment)
        bones.append(Bone(joint, end, radii[0] * fatness, radii[1] * fatness, dorsal, *kind))
        joint, spread = end, spread - np.radians(rng.uniform(0, 28))
    return bones


def _gripping_thumb(
    rng: np.random.Generator, radius: float, wrist: Array, size: float, fatness: float
) -> list[Bone]:
    ahead = rng.uniform(-4.0, 6.0)
    first, sweep = rng.uniform(-1.0, -0.75), rng.uniform(0.8, 1.1)
    reach = radius + 10.0 * fatness
    joints = [
        wrist + np.array([-8.0, 14.0, 14.0]) * size,
        _around(reach + 6, first, ahead - 6),
        _around(reach, first - sweep * 31 * size / reach, ahead),
        _around(reach - 1.5, first - sweep * 56 * size / reach, ahead + rng.uniform(-2, 4)),
    ]
    radii = (14.0, 11.5, 9.6, 7.6)
    bones = []
    for k in range(3):
        dorsal = (joints[k] + joints[k + 1]) * np.array([1.0, 1.0, 0.0])
        dorsal /= np.linalg.norm(dorsal)
        kind = (PALM, 1) if k == 0 else (THUMB, k)
        bones.append(
            Bone(joints[k], joints[k + 1], radii[k] * fatness, radii[k + 1] * fatness, dorsal, *kind)
        )
    return bones


def _palm(size: float, fatness: float) -> list[Bone]:
    back = np.array([0.0, 0.0, 1.0])
    bones = [
        Bone(root * size, knuckle * size, 12.5 * fatness, 10.6 * fatness, back, PALM, 0)
        for root, knuckle in zip(_WRIST, _KNUCKLES, strict=True)
    ]
    heel = np.array([[22.0, 20.0, -6.0], [29.0, 60.0, -6.0]]) * size
    bones.append(Bone(heel[0], heel[1], 12.5 * fatness, 10.0 * fatness, back, PALM, 1))
    return bones + _forearm(np.zeros(3), np.array([0.0, -1.0, 0.0]), np.array([1.0, 0.0, 0.0]), back, fatness)


def _forearm(wrist: Array, along: Array, side: Array, back: Array, fatness: float) -> list[Bone]:
    return [
        Bone(
            wrist + s * side * 9,
            wrist + along * 62 + s * side * 13,
            17 * fatness,
            21 * fatness,
            back,
            PALM,
            2,
        )
        for s in (-1.0, 1.0)
    ]
