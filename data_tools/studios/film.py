"""Path tracing of pictures of any size with one compiled kernel.

The renderer's own ``render`` writes the picture's size into its kernels as constants. A studio whose phones
differ in size would have nearly every photo's kernel compiled anew, which takes longer than the photo.
"""

from __future__ import annotations

import gc
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

_TAPS = range(-2, 3)
"""Pixels that a sample reaches to either side: the filter is cut at two pixels."""


def opaque(thing: dict[str, Any], keys: tuple[str, ...]) -> Any:
    """Return the loaded thing with the parameters whose names end like this kept out of the kernels.

    A number that is written into a kernel has it compiled anew for each value.
    """
    import drjit as dr
    import mitsuba as mi

    made = mi.load_dict(thing)
    if str(mi.variant()).startswith("scalar"):
        return made
    params: Any = mi.traverse(made)
    for key in [k for k in params.keys() if k.endswith(keys)]:  # noqa: SIM118
        value = params[key]
        dr.make_opaque(value)
        params[key] = value
    params.update()
    return made


def load(scene: dict[str, Any]) -> Any:
    """Return the loaded scene, to be gone as soon as nobody holds it.

    Kernels have code for every shape and material alive, also in scenes that only wait for the garbage
    collection; and what is loaded in parallel is numbered in any order.
    """
    import mitsuba as mi

    made = mi.load_dict({"type": "scene", **scene}, parallel=False)
    _forget_the_start()
    gc.collect()  # whoever sets a mesh's parameters leaves a circle of references to it
    return made


@cache
def _forget_the_start() -> None:
    """Keep what the program consists of out of later collections, which take far less time so."""
    gc.collect()
    gc.freeze()


def first_hits(
    scene: Any, origin: NDArray[Any], ways: NDArray[Any], shape: Any = None
) -> tuple[NDArray[np.float32], NDArray[np.int64], NDArray[np.bool_]]:
    """Return for N rays (N x 3 unit directions) from ``origin`` the distance, the face and whether ``shape``
    is what they meet, all traced at once; not for a renderer that knows no arrays."""
    import drjit as dr
    import mitsuba as mi

    start = mi.Point3f(*(dr.opaque(mi.Float, float(v)) for v in origin))
    way = mi.Vector3f(*(np.ascontiguousarray(ways[:, k], np.float32) for k in range(3)))
    hit = scene.ray_intersect_preliminary(mi.Ray3f(start, way), coherent=True)
    ours = hit.is_valid() if shape is None else hit.is_valid() & (hit.shape == mi.ShapePtr(shape))
    dr.eval(hit.t, hit.prim_index, ours)
    return np.array(hit.t), np.array(hit.prim_index).astype(np.int64), np.array(ours)


def lens(view: dict[str, Any], size: tuple[int, int], spread: float = 0.5) -> Any:
    """Return the loaded sensor of a ``view`` (its type, pose, ``fov`` across the width, lens) for pictures of
    a ``size`` (width, height). Its film is a square, whatever the size: ``expose`` knows the difference."""
    import mitsuba as mi

    scalar = str(mi.variant()).startswith("scalar")
    film = {
        "type": "hdrfilm",
        "width": size[0] if scalar else 16,
        "height": size[1] if scalar else 16,
        "rfilter": {"type": "gaussian", "stddev": spread},
        "pixel_format": "rgb",
        "component_format": "float32",
    }
    camera = {**view, "fov_axis": "x", "film": film, "sampler": {"type": "independent"}}
    return opaque(camera, ("aperture_radius", "focus_distance"))


def expose(
    scene: Any, sensor: Any, size: tuple[int, int], samples: int, seed: int, spread: float = 0.5
) -> NDArray[np.float32]:
    """Return the linear picture, H x W x 3: as ``mitsuba.render`` with the scene's path tracer and a gaussian
    filter of deviation ``spread`` (pixels, at most 0.5), from the same random numbers, but without what is no
    number. ``sensor``: see ``lens``."""
    import drjit as dr
    import mitsuba as mi

    if str(mi.variant()).startswith("scalar"):
        picture = mi.render(scene, sensor=sensor, spp=samples, seed=mi.UInt32(seed))
        return np.nan_to_num(np.array(picture, np.float32)[..., :3], nan=0.0, posinf=0.0, neginf=0.0)
    width, height = size
    count = width * height * samples
    sampler = sensor.sampler()
    sampler.set_sample_count(samples)
    sampler.set_samples_per_wavefront(samples)
    sampler.seed(dr.opaque(mi.UInt32, seed), count)
    pixel = dr.arange(mi.UInt32, count) // dr.opaque(mi.UInt32, samples)
    wide = dr.opaque(mi.UInt32, width)
    row = pixel // wide
    within = sampler.next_2d()
    place = mi.Point2f(mi.Float(pixel - row * wide), mi.Float(row)) + within
    margin = dr.opaque(mi.Float, 0.5 - height / width / 2)  # the sensor's film is a square
    place = place * dr.opaque(mi.Float, 1 / width) + mi.Point2f(0, margin)
    ray, weight = sensor.sample_ray(0.0, 0.0, place, sampler.next_2d())
    light, _, _ = scene.integrator().sample(scene, sampler, mi.RayDifferential3f(ray))
    light = light * weight
    # One path that is no number would make a picture of none: its phone meters the whole of it.
    light = dr.select(dr.isfinite(light), light, 0.0)
    dr.eval(light, within)
    return _gathered(light, within, size, samples, spread)


def _gathered(
    light: Any, within: Any, size: tuple[int, int], samples: int, spread: float
) -> NDArray[np.float32]:
    """Return the picture that samples (``samples`` for each pixel, at ``within`` 0..1 of it) add up to."""
    import drjit as dr
    import mitsuba as mi

    width, height = size
    lane = dr.arange(mi.UInt32, width * height)
    each, wide, high = (dr.opaque(mi.UInt32, v) for v in (samples, width, height))
    alpha, least = (dr.opaque(mi.Float, v) for v in (-0.5 / spread**2, float(np.exp(-8.0))))
    first = lane * each

    def step(k: Any, sums: list[Any]) -> tuple[Any, list[Any]]:
        at = dr.gather(mi.Point2f, within, first + k)
        colour = dr.gather(mi.Color3f, light, first + k)
        across, down = (
            [dr.maximum(dr.exp(alpha * dr.square(tap + 0.5 - part)) - least, 0.0) for tap in _TAPS]
            for part in (at.x, at.y)
        )
        weights = [x * y for y in down for x in across]
        parts = [part for w in weights for part in (w * colour.x, w * colour.y, w * colour.z, w)]
        return k + 1, [a + b for a, b in zip(sums, parts, strict=True)]

    start = [dr.zeros(mi.Float, width * height) for _ in range(4 * len(_TAPS) ** 2)]
    _, sums = dr.while_loop((mi.UInt32(0), start), lambda k, _: k < each, step, labels=("k", "sums"))
    picture = dr.zeros(mi.Float, 4 * width * height)
    row = lane // wide
    column = lane - row * wide
    for number in range(len(_TAPS) ** 2):
        down, across = divmod(number, len(_TAPS))
        y, x = mi.Int32(row) + _TAPS[down], mi.Int32(column) + _TAPS[across]
        inside = (x >= 0) & (y >= 0) & (x < mi.Int32(wide)) & (y < mi.Int32(high))
        for channel in range(4):
            index = mi.UInt32(4 * (y * mi.Int32(wide) + x) + channel)
            dr.scatter_reduce(dr.ReduceOp.Add, picture, sums[4 * number + channel], index, inside)
    flat = np.array(picture).reshape(height, width, 4)
    return np.asarray(flat[..., :3] / np.maximum(flat[..., 3:], 1e-12), np.float32)
