"""Dirt on a coupler, intact or damaged: a pure function of position and of the coupler's own seed."""

from __future__ import annotations

from typing import Any

import numpy as np

from data_tools.rendering.canvas import Canvas
from data_tools.rendering.noise import Array, smoothstep
from data_tools.rendering.sampling_soiling import MARKS
from data_tools.rendering.spec import CouplerSpec
from model.families import family


def paint_soiling(canvas: Canvas, spec: CouplerSpec) -> None:
    """Paint marks, mud, splashes, overspray, stickers and frost."""
    soiling, seed = spec.soiling, spec.seed
    _stickers(canvas, spec)
    for place, burn, scorch_seed in soiling["scorched"]:
        scorch(canvas, place, burn, scorch_seed)
    for name, x, y, reach, strength, change, drip, mark_seed in soiling["marks"]:
        amount = spot(canvas, (x, y), reach, drip, mark_seed) * np.float32(strength)
        mark(canvas, name, amount, change, mark_seed)
    for x, y, reach, strength, mud_seed in soiling["mud"]:
        amount = smoothstep(0.35, 0.5, spot(canvas, (x, y), reach, 0.0, int(mud_seed))) * np.float32(strength)
        tone = 0.8 + 0.35 * canvas.noise(1.5, seed + 31, 2, amount > 0)
        canvas.blend((np.array([[0.14, 0.085, 0.045]]) * tone[:, None]).astype(np.float32), amount, 0.95, 0.0)
    _plug(canvas, spec)
    _splashes(canvas, soiling["splashes"], seed)
    _overspray(canvas, soiling["overspray"], seed)
    corners = smoothstep(0.02, 0.35, -canvas.convex) * np.float32(soiling["dirt_in_corners"])
    canvas.blend(
        np.array(soiling["dust_rgb"]) * 0.35, 0.6 * corners * (0.6 + 0.4 * canvas.noise(3.0, seed + 33)), 0.85
    )


def _plug(canvas: Canvas, spec: CouplerSpec) -> None:
    """Paint the dirt that sits in single bores: on the wall, on the socket, a little round the mouth."""
    contacts = {contact.place.value: contact for contact in family(spec.family).contacts}
    for place, colour, depth, seed in spec.soiling["plugged"]:
        contact = contacts[place]
        away = np.hypot(canvas.x - np.float32(contact.x), canvas.y - np.float32(contact.y))
        near = away < contact.sleeve_diameter / 2 + 1.0
        uneven = canvas.noise(1.6, seed, 2, near)
        inside = 1 - smoothstep(
            0.5 * contact.bore_diameter + 0.2, 0.5 * contact.bore_diameter + 0.9, away + uneven
        )
        deep = smoothstep(depth - 0.8, depth + 0.8, -canvas.z + uneven)
        amount = (near * inside * deep * (0.8 + 0.2 * uneven)).astype(np.float32)
        canvas.blend(colour, np.clip(amount, 0, 1), 0.95, 0.0)


def spot(canvas: Canvas, centre: tuple[float, float], reach: float, drip: float, seed: int) -> Array:
    """Return an uneven round spot 0..1, running ``drip`` mm down below its centre."""
    dx, dy = canvas.x - np.float32(centre[0]), canvas.y - np.float32(centre[1])
    if drip:
        dy = dy + np.clip(-dy, 0, np.float32(drip)) * np.float32(0.85)
    away = np.sqrt(dx * dx + dy * dy + (0.35 * canvas.z) ** 2)
    uneven = canvas.noise(max(0.45 * reach, 1.2), seed, 3, away < 1.6 * reach) * np.float32(0.45 * reach)
    return 1.0 - smoothstep(0.35 * reach, 1.1 * reach, away + uneven)


def mark(canvas: Canvas, name: str, amount: Array, change: float, seed: int) -> None:
    """Lay one of the ``MARKS`` over everything by ``amount``; soot and rust dull metal, too."""
    fine = 0.75 + 0.35 * canvas.noise(0.9, seed + 1, 2, amount > 0)
    part = np.clip(amount * fine, 0, 1).astype(np.float32)
    if name != "sheen":
        canvas.blend(MARKS[name], 0.92 * part)
        canvas.metallic *= 1 - 0.8 * part
    canvas.roughness += part * np.float32(change)


def scorch(canvas: Canvas, place: str, burn: float, seed: int) -> None:
    """Blue, brown, blacken and pit one socket by ``burn`` 0..1."""
    metal = canvas.where(lambda part: part == f"contact:{place}").astype(np.float32)
    hue = canvas.noise(1.8, seed, 2, metal > 0)
    canvas.blend([0.10, 0.13, 0.25], metal * smoothstep(-0.1, 0.4, hue) * np.float32(0.8 * burn), 0.35)
    canvas.blend([0.30, 0.16, 0.06], metal * smoothstep(0.0, 0.4, -hue) * np.float32(0.7 * burn), 0.4)
    pits = canvas.noise(1.2, seed + 1, 2, metal > 0)
    black = metal * smoothstep(0.5 - burn, 0.9 - 0.6 * burn, pits)
    canvas.blend([0.015, 0.014, 0.013], black, 0.8, 0.2)


def paint_dust(canvas: Canvas, spec: CouplerSpec) -> None:
    """Lay dust and frost over everything, more on what faces up and out."""
    soiling, seed = spec.soiling, spec.seed
    if soiling["dust"] > 0.03:
        facing = 0.45 + 0.3 * soiling["dust_up"] * canvas.normals[:, 1] + 0.3 * canvas.normals[:, 2]
        cloud = smoothstep(-0.6, 0.8, canvas.noise(9.0, seed + 41, 3))
        speck = smoothstep(0.35, 0.75, canvas.noise(0.9, seed + 42))
        amount = np.clip(facing, 0, 1) * (0.5 * cloud + 0.14 * speck) * np.float32(soiling["dust"])
        canvas.blend(soiling["dust_rgb"], amount.astype(np.float32), 0.95)
        canvas.metallic *= 1 - 0.6 * amount
    if soiling["frost"]:
        rime = smoothstep(
            0.3 - soiling["frost"],
            1.3 - 0.6 * soiling["frost"],
            canvas.noise(4.0, seed + 43, 3) + 0.5 * canvas.convex + 0.2 * canvas.normals[:, 2],
        )
        canvas.blend([0.80, 0.83, 0.87], 0.9 * rime, 0.4)
        canvas.metallic *= 1 - rime
    if soiling["wet"]:
        film = smoothstep(-0.1, 0.4, canvas.noise(7.0, seed + 44, 2))
        canvas.roughness *= 1 - 0.75 * film
        canvas.albedo *= (1 - 0.25 * film)[:, None]


def _splashes(canvas: Canvas, splashes: dict[str, Any], seed: int) -> None:
    if not splashes["amount"]:
        return
    dots = canvas.noise(splashes["size"], seed + 51)
    ring = smoothstep(0.42, 0.52, dots) * (1 - 0.6 * smoothstep(0.58, 0.7, dots))
    colour = [0.55, 0.53, 0.48] if splashes["light"] else [0.16, 0.11, 0.07]
    cover = smoothstep(-0.3, 0.4, canvas.noise(16.0, seed + 52)) * np.clip(canvas.normals[:, 2] + 0.4, 0, 1)
    canvas.blend(colour, (0.75 * ring * cover).astype(np.float32) * np.float32(splashes["amount"]), 0.9)


def _overspray(canvas: Canvas, overspray: dict[str, Any], seed: int) -> None:
    if not overspray["amount"]:
        return
    along = canvas.x * np.float32(np.cos(overspray["turn"])) + canvas.y * np.float32(
        np.sin(overspray["turn"])
    )
    drift = smoothstep(-6.0, 26.0, along + 5 * canvas.noise(12.0, seed + 55)) * np.clip(
        canvas.normals[:, 2] + 0.5, 0, 1
    )
    speckle = smoothstep(
        0.75 - 0.9 * float(overspray["amount"]), 0.95, canvas.noise(0.8, seed + 56) + 0.8 * drift - 0.2
    )
    amount = np.clip(speckle * drift, 0, 1).astype(np.float32)
    canvas.blend(overspray["rgb"], amount, 0.5, 0.0)


def _stickers(canvas: Canvas, spec: CouplerSpec) -> None:
    """Paint labels on the nose and head: a coloured patch with bars that spell nothing."""
    outside = canvas.where(lambda part: part in ("rim", "shell", "body"))
    radial = canvas.normals[:, 0] * canvas.x + canvas.normals[:, 1] * canvas.y > 0
    angle = np.arctan2(canvas.y, canvas.x)
    away = np.hypot(canvas.x, canvas.y)
    length = float(spec.build["nose_length"]) + 18.0
    for turn, share, half_u, half_v, red, green, blue, sticker_seed in spec.soiling["stickers"]:
        u = (np.mod(angle - turn + np.pi, 2 * np.pi) - np.pi) * away
        v = canvas.z + np.float32(length * share)
        inside = (np.abs(u) < half_u) & (np.abs(v) < half_v) & outside & radial
        canvas.blend([red, green, blue], inside.astype(np.float32), 0.35)
        bars = np.sin(u * 3.1 + 3 * np.sin(u * 0.9 + sticker_seed % 7)) > 0.25
        row = np.abs(np.mod(v, 2.2) - 1.1) < 0.55
        ink = inside & bars & row & (np.abs(u) < 0.8 * half_u) & (np.abs(v) < 0.75 * half_v)
        canvas.blend([0.02, 0.02, 0.02], ink.astype(np.float32) * 0.9, 0.35)
