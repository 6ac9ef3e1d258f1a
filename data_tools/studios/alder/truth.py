"""What can be seen in a photo: places in view, and how much a damage differs from its undamaged twin."""

from __future__ import annotations

import numpy as np

from data_tools.studios.alder.camera import Camera
from data_tools.studios.alder.mesh import IN_FRONT, Array, Mesh, crossed
from data_tools.studios.alder.scene import Solid
from model.families import Family
from model.vocabulary import Place


def _look(solid: Solid, camera: Camera, rays: Array) -> tuple[Array, Array, Array, Array]:
    """Return distance, place, normal and colour of what each ray meets."""
    mesh = solid.mesh
    distance, face = solid.first_hits(camera.eye, rays)
    place = np.where(face >= 0, mesh.place[face], -9)
    corners = mesh.faces[face]
    a, b, c = (mesh.points[corners[:, k]].astype(float) for k in range(3))
    normal = crossed(b - a, c - a)
    normal /= np.maximum(np.sqrt((normal * normal).sum(axis=1, keepdims=True)), 1e-12)
    first, second, third = (mesh.colour[corners[:, k]] for k in range(3))
    return np.where(face >= 0, distance, 1e4), place, normal, (first + second + third) / 3


def differing(damaged: Solid, twin: Solid, family: Family, camera: Camera, step: int) -> dict[int, float]:
    """Return for each place (index) the share (0..1) of its pixels that differ from the twin's.

    The pixels of a housing are its disc at the mouth and what stands there; of the latch, the twin's lever.
    """
    low, high = _window(family, camera)
    x = np.arange(low[0] + step / 2, high[0], step)
    y = np.arange(low[1] + step / 2, high[1], step)
    pixels = np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)
    rays = camera.towards(pixels)
    flat = camera.eye + rays * (-camera.eye[2] / np.minimum(rays[:, 2:], -1e-6))
    now = _look(damaged, camera, rays)
    then = _look(twin, camera, rays)
    turned = np.abs((now[2] * then[2]).sum(axis=1)) < np.cos(np.radians(25))
    tint = np.abs(now[3] - then[3]).max(axis=1) > 0.03 + 0.3 * np.maximum(now[3], then[3]).max(axis=1)
    changed = (np.abs(now[0] - then[0]) > 0.4) | turned | tint | (now[1] != then[1])
    shares = {}
    for index, place in enumerate(family.places):
        stands = (now[1] == index) | (then[1] == index)
        if place is Place.LATCH:
            mine = then[1] == index
        else:
            spot = family.contacts[index]
            high = (camera.eye + rays * now[0][:, None])[:, 2]
            disc = np.hypot(flat[:, 0] - spot.x, flat[:, 1] - spot.y) < spot.sleeve_diameter / 2
            mine = disc | (stands & (high > -4))
        mine &= then[1] != -9
        total = int(mine.sum())
        shares[index] = float((mine & changed).sum() / total) if total >= 12 else 0.0
    return shares


def _window(family: Family, camera: Camera) -> tuple[Array, Array]:
    """Return the corners (pixels) of the part of the picture that the face and its latch are in."""
    left, right = -family.nose_width * 0.6, family.nose_width * 0.6
    corners = [(x, y, z) for x in (left, right) for y in (left, 44.0) for z in (-30.0, 12.0)]
    pixels = camera.pixels(np.array(corners))
    frame = [camera.width, camera.height]
    low, high = np.clip(pixels.min(axis=0), 0, frame), np.clip(pixels.max(axis=0), 0, frame)
    return np.floor(low), np.maximum(np.ceil(high), np.floor(low) + 2)


def in_view(fronts: Solid | None, lever: Mesh | None, family: Family, camera: Camera) -> dict[Place, float]:
    """Return for each place the share (0..1) that is inside the frame and not behind a hand or cable.

    ``fronts`` is what may hide a place, if anything; ``lever`` the undamaged lever, whose points stand for
    the latch.
    """
    rings = [(0.0, 1), (0.35, 8), (0.65, 14), (0.92, 20)]
    unit = np.array(
        [(r * np.cos(2 * np.pi * k / n), r * np.sin(2 * np.pi * k / n)) for r, n in rings for k in range(n)]
    )
    targets = []
    for spot in family.contacts:
        disc = unit * spot.sleeve_diameter / 2 + [spot.x, spot.y]
        targets.append(np.concatenate([disc, np.zeros((len(disc), 1))], 1))
    if family.has_latch and lever is not None:
        ahead = lever.points[lever.points[:, 2] > lever.points[:, 2].min() + 6]
        targets.append(ahead[:: max(1, len(ahead) // 80)].astype(float))
    points = np.concatenate(targets)
    pixels = camera.pixels(points)
    inside = ((pixels >= 0) & (pixels < [camera.width, camera.height])).all(axis=1)
    span = points - camera.eye
    length = np.linalg.norm(span, axis=1)
    seen: Array = np.asarray(inside)
    if fronts is not None:
        distance, face = fronts.first_hits(camera.eye, span / length[:, None])
        seen = inside & ~((face >= 0) & (fronts.mesh.place[face] == IN_FRONT) & (distance < length - 0.5))
    ends = np.cumsum([0, *(len(t) for t in targets)])
    return {
        place: float(np.round(seen[a:b].mean(), 3))
        for place, a, b in zip(family.places, ends[:-1], ends[1:], strict=False)
    }
