"""How plastic breaks and how it melts, as functions of the place on the face.

A break is what convex chunks take away: seen from the front, the lower side of a chunk is the upper envelope
of a few planes, so what remains has a height for every (x, y). A melt is a heat field about a hot contact;
where it is hot, a surface loses its details by diffusion, sinks, flows downhill, swells and blisters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from data_tools.studios.elm.noise import Array, Rng, field, ramp
from data_tools.studios.elm.solids import Part

UNTOUCHED = 1e3


@dataclass(frozen=True)
class Break:
    """One broken sleeve: contact number, severity 0..1, and the direction (radians) it was hit from."""

    contact: int
    severity: float
    style: str
    angle: float


@dataclass(frozen=True)
class Melt:
    """Heat from one contact: severity 0..1 there, reach (mm), how far it discoloured (0..1), which way is
    down (radians), and whether what melted is smooth or rough now."""

    contact: int
    severity: float
    reach: float
    burn: float
    down: float
    gloss: float


def style_of(severity: float, rng: Rng) -> str:
    """Return a way to break that suits a severity."""
    if severity > 0.85:
        return "gone"
    if severity > 0.55:
        return str(rng.choice(["part", "split", "halved"]))
    return str(rng.choice(["chip", "chip", "chips", "crack", "split"]))


def _chunk(x: Array, y: Array, centre: Array, radius: float, floor: float, rng: Rng) -> Array:
    """Return the lower side of a convex chunk about ``centre`` (2, mm): steep sides, faceted floor."""
    height = np.full(x.shape, -UNTOUCHED)
    turns = np.sort(rng.uniform(0, 2 * np.pi, 7)) + np.linspace(0, 1.5, 7)
    for turn in turns:
        steep = rng.uniform(1.2, 5)
        out = (x - centre[0]) * np.cos(turn) + (y - centre[1]) * np.sin(turn)
        height = np.maximum(height, steep * (out - radius * rng.uniform(0.75, 1.1)))
    for _ in range(3):
        lean = rng.normal(0, 0.35, 2)
        plane = floor + (x - centre[0]) * lean[0] + (y - centre[1]) * lean[1]
        height = np.maximum(height, plane)
    return height


def _slit(x: Array, y: Array, angle: float, width: float, floor: float, rng: Rng) -> Array:
    """Return the bottom of a crack that runs outwards from the origin at ``angle``, wandering on its way."""
    along = x * np.cos(angle) + y * np.sin(angle)
    bends = rng.uniform(-0.9, 0.9, 8)
    across = -x * np.sin(angle) + y * np.cos(angle) - np.interp(along, np.linspace(0, 9, 8), bends)
    narrow = width * (0.55 + 0.45 * np.interp(along, np.linspace(0, 9, 8), rng.uniform(0, 1.6, 8)))
    return np.where(along > 0, floor + 14 * np.maximum(np.abs(across) - narrow / 2, 0), UNTOUCHED)


def remaining(x: Array, y: Array, hit: Break, radii: tuple[float, float], deep: float, rng: Rng) -> Array:
    """Return the height (mm, face plane 0) up to which a sleeve remains at ``x``, ``y`` (mm from its
    contact); ``radii`` are of bore and sleeve, ``deep`` is where the sleeve ends below."""
    s, (inner, outer) = hit.severity, radii
    middle = (inner + outer) / 2
    rough = field(np.stack([x, y, 0 * x], -1), 1.4, rng) * 0.25
    if hit.style == "gone":
        return np.asarray(_chunk(x, y, np.zeros(2), outer * 1.6, deep * rng.uniform(0.72, 0.92), rng) + rough)
    if hit.style in ("crack", "split"):
        width = 0.35 + 0.9 * s if hit.style == "crack" else 0.7 + 1.8 * s
        height = _slit(x, y, hit.angle, width, max(-3 - 12 * s, deep), rng)
        if s > 0.35:
            turn = hit.angle + rng.uniform(1.6, 4.5)
            height = np.minimum(height, _slit(x, y, turn, width * 0.8, max(-12 * s, deep), rng))
        return np.asarray(height)
    count = {"chip": 1, "chips": 2 + int(rng.integers(2)), "part": 2, "halved": 3}[hit.style]
    height = np.full(x.shape, UNTOUCHED)
    for number in range(count):
        spread = 0.0 if number == 0 else rng.uniform(0.5, 1.3) * rng.choice([-1, 1])
        turn = hit.angle + spread * (1 if count == 3 or hit.style == "part" else 1.6)
        size = outer * (0.34 + 0.62 * s) * (1 if number == 0 else rng.uniform(0.6, 0.9))
        centre = np.array([np.cos(turn), np.sin(turn)]) * (middle + (outer - inner) * rng.uniform(0, 0.4))
        floor = max(-(1.3 + 9.5 * s) * rng.uniform(0.8, 1.2), deep * 0.92)
        height = np.minimum(height, _chunk(x, y, centre, size, floor, rng))
    return height + rough


def shorten(part: Part, height: Array) -> None:
    """Take away what of ``part`` stands above ``height`` (mm, one a point) and mark the fresh surface."""
    z = part.points[..., 2]
    gone = z > height + 0.02
    part.points[..., 2] = np.minimum(z, height)
    wide = ndimage.maximum_filter(gone, size=(3, 3), mode=("wrap", "nearest"))
    depth = np.clip(z - height, 0, 4)
    part.fresh = np.maximum(part.fresh, np.where(gone, 1.0, 0.45 * wide) * np.where(gone, 1 - 0.1 * depth, 1))
    part.edge = np.where(wide, 0, part.edge)


def heat_at(points: Array, melt: Melt, centre: Array, peak: float) -> Array:
    """Return the heat (0..1; below 0 nothing happens) at ``points`` (..., 3 mm)."""
    rng = np.random.default_rng(int(1e6 * melt.down) % 2**31)
    offset = points[..., :2] - centre
    stain = 1 + 0.22 * field(points * [1, 1, 0.3], 9.0, rng)
    far = np.hypot(offset[..., 0], offset[..., 1]) / (melt.reach * np.clip(stain, 0.5, 1.6))
    fading = np.exp(np.minimum(points[..., 2], 0) / 14)
    return np.asarray(np.clip((peak * np.exp(-(far**2)) * fading - 0.15) / 0.85, 0, 1))


def ring(centre: Array, radii: tuple[float, float]) -> Array:
    """Return points (96 x 3, mm) all over the mouth of a sleeve."""
    angle, radius = np.meshgrid(np.linspace(0, 2 * np.pi, 24, endpoint=False), np.linspace(*radii, 4))
    return np.stack(
        [centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle), 0 * radius], -1
    ).reshape(-1, 3)


def peak_for(melt: Melt, centre: Array, radii: tuple[float, float]) -> float:
    """Return the peak of the heat field that gives the hot sleeve its severity on average."""
    low, high, mouth = 0.15, 4.0, ring(centre, radii)
    for _ in range(24):
        guess = (low + high) / 2
        if heat_at(mouth, melt, centre, guess).mean() < melt.severity:
            low = guess
        else:
            high = guess
    return high


def soften(part: Part, melt: Melt, centre: Array, peak: float, floor: float, own: Array | None) -> None:
    """Let ``part`` melt: ``floor`` (mm) is where it stands, ``own`` (2, mm) the axis of a sleeve."""
    points = part.points
    heat = heat_at(points, melt, centre, peak)
    if heat.max() <= 0.01:
        return
    rng = np.random.default_rng(int(1e6 * melt.down) % 2**31 + 1)
    for sigma in (1.5, 4.0):
        calm = ndimage.gaussian_filter(points, (sigma * 1.5, sigma, 0), mode=("wrap", "nearest", "nearest"))
        points = points + (calm - points) * np.clip(heat * 1.5 - 0.05, 0, 0.92)[..., None]
    standing = ramp(points[..., 2], floor, 0.5)
    bulge, lump = field(points, 7.0, rng, soft=True), field(points, 2.6, rng, soft=True)
    points[..., 2] -= heat * standing * abs(floor) * np.clip(0.5 + 0.35 * bulge, 0.1, 0.9)
    down = np.array([np.cos(melt.down), np.sin(melt.down)])
    points[..., :2] += (heat * standing * (2.6 + 1.4 * bulge))[..., None] * down
    if own is not None:
        offset = points[..., :2] - own
        radius = np.hypot(offset[..., 0], offset[..., 1])[..., None] + 1e-6
        wall = np.median(radius)
        swell = np.where(radius < wall, -1.8, 1.1) * (heat**0.8 * (0.7 + 0.6 * lump))[..., None]
        points[..., :2] += offset / radius * np.maximum(swell, -0.85 * radius)
    points += (heat**0.7 * 0.5 * lump)[..., None] * np.array([0.3, 0.3, 1.0])
    points[..., 2] += _blisters(points, heat, centre, melt, rng)
    part.points, part.heat = points, heat
    part.edge = part.edge * (1 - np.clip(3 * heat, 0, 1))


def _blisters(points: Array, heat: Array, centre: Array, melt: Melt, rng: Rng) -> Array:
    """Return how far bubbles under the skin lift it (mm)."""
    lift = np.zeros(heat.shape)
    for _ in range(int(rng.integers(0, 10))):
        middle, radius = centre + rng.normal(0, melt.reach * 0.55, 2), rng.uniform(0.6, 1.9)
        far = ((points[..., :2] - middle) ** 2).sum(-1) / radius**2
        lift = np.maximum(lift, 0.6 * radius * np.sqrt(np.clip(1 - far, 0, 1)))
    return lift * ramp(heat, 0.15, 0.4)
