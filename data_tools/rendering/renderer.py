"""Path tracing with Mitsuba: the only file that imports it.

The scene always has the same structure (see ``scene``) and everything that varies is kept out of the
compiled kernels, so that a run compiles once for each picture size and sample count.
"""

from __future__ import annotations

import ctypes
import os
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from data_tools.rendering.camera import Camera
from data_tools.rendering.scene import Floats, Merged, Stage

VARIANTS = ("cuda_ad_rgb", "llvm_ad_rgb", "scalar_rgb")
MAX_DEPTH = 6
ROULETTE_DEPTH = 2
"""From here on a path is ended by chance in proportion to what it still carries: on dark plastics most are
at once. A fifth less work than from depth 4, for 5 % more variance (measured on seven scenes)."""
BRIGHTEST = 30.0
"""A path may bring this many times the mean radiance of the surroundings (which is 1), more with flash."""
_BLOCKING_SYNC = 4
"""CU_CTX_SCHED_BLOCKING_SYNC of the CUDA driver interface."""
NEAR_MM = 0.05
"""Rays start here in front of the lens, so that depths are too short by this much."""
_LLVM_FILES = tuple(
    f"{folder}/{name}"
    for folder in ("/usr/lib/x86_64-linux-gnu", "/usr/lib64", "/usr/lib/aarch64-linux-gnu", "/usr/lib")
    for name in ("libLLVM.so.21.1", "libLLVM.so.20.1", "libLLVM.so.19.1", "libLLVM-19.so", "libLLVM-18.so.1")
)


@dataclass(frozen=True)
class FirstHits:
    """What each pixel of a pinhole view meets first: part number (-1 = sky) and depth in mm (0 = sky)."""

    part: NDArray[np.int32]
    distance: Floats
    parts: tuple[str, ...]


def choose_variant(wanted: str = "auto") -> str:
    """Return the renderer variant to use: a CUDA one where a GPU answers, else LLVM 18+, else scalar.

    LLVM 15 and 16 abort the process, so only library files known to work are taken.

    Raises:
        ValueError: ``wanted`` is not a variant.
    """
    if wanted in VARIANTS:
        return wanted
    if wanted != "auto":
        message = f"variant must be auto or one of {', '.join(VARIANTS)}, not {wanted!r}"
        raise ValueError(message)
    if cuda_device_count() > 0:
        return "cuda_ad_rgb"
    return "llvm_ad_rgb" if _llvm_library() else "scalar_rgb"


def cuda_device_count() -> int:
    """Return how many CUDA devices the driver offers to this process (0 without a driver)."""
    try:
        driver = ctypes.CDLL("libcuda.so.1")
    except OSError:
        return 0
    count = ctypes.c_int(0)
    if driver.cuInit(0) != 0 or driver.cuDeviceGetCount(ctypes.byref(count)) != 0:
        return 0
    return count.value


def _sleep_while_waiting() -> None:
    """Let threads sleep until the GPU answers: by default they spin, and keep the cores from others."""
    driver = ctypes.CDLL("libcuda.so.1")
    set_flags = getattr(driver, "cuDevicePrimaryCtxSetFlags_v2", None)
    device = ctypes.c_int(0)
    if set_flags is not None and driver.cuInit(0) == 0 and driver.cuDeviceGet(ctypes.byref(device), 0) == 0:
        set_flags(device, _BLOCKING_SYNC)


def _llvm_library() -> str | None:
    named = os.environ.get("DRJIT_LIBLLVM_PATH")
    if named:
        return named
    return next((path for path in _LLVM_FILES if Path(path).exists()), None)


class Renderer:
    """One renderer in one process. ``threads`` is the number of CPU threads it may use."""

    def __init__(self, variant: str = "auto", threads: int = 1) -> None:
        self.variant = choose_variant(variant)
        if self.variant.startswith("llvm"):
            os.environ.setdefault("DRJIT_LIBLLVM_PATH", _llvm_library() or "")
        if self.variant.startswith("cuda"):
            _sleep_while_waiting()
        self._mi: Any = import_module("mitsuba")
        self._dr: Any = import_module("drjit")
        self._mi.set_variant(self.variant)
        if not self.variant.startswith("cuda"):
            self._dr.set_thread_count(max(1, threads))
        self._jit = not self.variant.startswith("scalar")
        self._surface = self._mi.load_dict(_SURFACE)
        self._water = self._mi.load_dict({"type": "dielectric", "int_ior": 1.333, "ext_ior": 1.0})
        self._path = self._mi.load_dict({"type": "path", "max_depth": MAX_DEPTH, "rr_depth": ROULETTE_DEPTH})
        self._hits = self._mi.load_dict(
            {"type": "aov", "aovs": "depth:depth,prim:prim_index,shape:shape_index"}
        )

    def load(self, stage: Stage) -> LoadedStage:
        """Hand the stage's meshes, surroundings and flash to the renderer."""
        mi = self._mi
        scene = mi.load_dict(
            {
                "type": "scene",
                "surroundings": {
                    "type": "envmap",
                    "bitmap": mi.Bitmap(np.ascontiguousarray(stage.surroundings, dtype=np.float32)),
                    "to_world": mi.ScalarTransform4f(_four(stage.sky_to_face)),
                    "sampling_weight": 1.0,
                },
                "flash": _flash(stage),
                "opaque": self._mesh("opaque", stage.opaque, self._surface),
                "glass": self._mesh("glass", stage.glass, self._water),
            }
        )
        return LoadedStage(self, scene, stage)

    def _mesh(self, name: str, merged: Merged, surface: Any) -> Any:
        mi = self._mi
        props = mi.Properties()
        props["mesh_bsdf"] = surface
        mesh = mi.Mesh(name, len(merged.vertices), len(merged.faces), has_vertex_normals=True, props=props)
        mesh.add_attribute("vertex_albedo", 3, merged.albedo.ravel())
        mesh.add_attribute("vertex_roughness", 1, merged.roughness.ravel())
        mesh.add_attribute("vertex_metallic", 1, merged.metallic.ravel())
        params = mi.traverse(mesh)
        params["vertex_positions"] = np.ascontiguousarray(merged.vertices).ravel()
        params["vertex_normals"] = np.ascontiguousarray(merged.normals).ravel()
        params["faces"] = np.ascontiguousarray(merged.faces).ravel()
        params.update()
        return mesh

    def _sensor(self, camera: Camera, *, lens: bool) -> Any:
        mi = self._mi
        target = camera.position + camera.axes[2]
        view = {
            "type": "thinlens" if lens else "perspective",
            "fov": camera.fov_x_deg,
            "fov_axis": "x",
            "near_clip": NEAR_MM,
            "far_clip": 1e5,
            "to_world": mi.ScalarTransform4f().look_at(
                camera.position.tolist(), target.tolist(), camera.axes[1].tolist()
            ),
            "film": {
                "type": "hdrfilm",
                "width": camera.width,
                "height": camera.height,
                "rfilter": {"type": "box"},
                "pixel_format": "rgb",
                "component_format": "float32",
            },
            "sampler": {"type": "independent"},
        }
        if lens:
            view |= {"aperture_radius": camera.aperture_mm / 2, "focus_distance": camera.focus_mm}
        sensor = mi.load_dict(view)
        if lens and self._jit:
            self._keep_out_of_kernel(sensor, camera)
        return sensor

    def _keep_out_of_kernel(self, sensor: Any, camera: Camera) -> None:
        """Literal lens numbers would be compiled in: one new kernel (0.3-0.6 s) for each photo."""
        params = self._mi.traverse(sensor)
        params["aperture_radius"] = self._dr.opaque(self._mi.Float, camera.aperture_mm / 2)
        params["focus_distance"] = self._dr.opaque(self._mi.Float, camera.focus_mm)
        params.update()


class LoadedStage:
    """A scene in the renderer; drop it to free its memory."""

    def __init__(self, renderer: Renderer, scene: Any, stage: Stage) -> None:
        self._renderer, self._scene, self._opaque = renderer, scene, stage.opaque
        self._brightest = BRIGHTEST * (1.0 + stage.flash_ratio)

    def radiance(self, camera: Camera, samples: int, seed: int) -> Floats:
        """Return height x width x 3 linear radiance with ``samples`` paths a pixel.

        Raises:
            ValueError: the picture holds values that are not finite.
        """
        sensor = self._renderer._sensor(camera, lens=True)
        picture = self._traced(sensor, camera, samples, seed & 0x7FFFFFFF)
        bad = ~np.isfinite(picture)
        if bad.mean() > 1e-3:
            message = "the rendered picture is not finite"
            raise ValueError(message)
        return np.asarray(np.where(bad, 0.0, picture), np.float32)

    def _traced(self, sensor: Any, camera: Camera, samples: int, seed: int) -> Floats:
        path = self._renderer._path
        if not self._renderer._jit:
            return np.asarray(path.render(self._scene, sensor, seed=seed, spp=samples), np.float32)
        mi, dr = self._renderer._mi, self._renderer._dr
        pixels = camera.width * camera.height
        sampler = mi.load_dict({"type": "independent"})
        sampler.seed(seed, pixels * samples)
        ray, index = self._rays(sensor, camera, samples, sampler)
        light, _, _ = path.sample(self._scene, sampler, mi.RayDifferential3f(ray))
        # A path far brighter than the scene is an unlucky one: cutting it off keeps fireflies out.
        light = dr.minimum(light, dr.opaque(mi.Float, self._brightest)) / dr.opaque(mi.Float, float(samples))
        total = dr.zeros(mi.Float, 3 * pixels)
        for channel in range(3):
            dr.scatter_add(total, light[channel], 3 * index + channel)
        return np.asarray(total, np.float32).reshape(camera.height, camera.width, 3)

    def _rays(self, sensor: Any, camera: Camera, samples: int, sampler: Any) -> tuple[Any, Any]:
        """Return one ray for each path and the number of its pixel; sizes are kept out of the kernel."""
        mi, dr = self._renderer._mi, self._renderer._dr
        width, height = (dr.opaque(mi.UInt32, size) for size in (camera.width, camera.height))
        index = dr.arange(mi.UInt32, camera.width * camera.height * samples) // dr.opaque(mi.UInt32, samples)
        row = index // width
        column = index - row * width
        jitter = sampler.next_2d()
        where = mi.Point2f(
            (mi.Float(column) + jitter.x) / mi.Float(width), (mi.Float(row) + jitter.y) / mi.Float(height)
        )
        ray, _ = sensor.sample_ray(0.0, 0.5, where, sampler.next_2d())
        return ray, index

    def first_hits(self, camera: Camera) -> FirstHits:
        """Return parts and depths seen through a pinhole at the lens, without lens distortion."""
        sensor = self._renderer._sensor(camera, lens=False)
        if self._renderer._jit:
            distance, prim, solid = self._met(sensor, camera)
        else:
            channels = np.asarray(self._renderer._hits.render(self._scene, sensor, seed=0, spp=1))
            distance, prim = channels[..., 0], channels[..., 1]
            solid = np.rint(channels[..., 2]) == self._shape_number()
        index = np.clip(np.rint(prim).astype(np.int64), 0, len(self._opaque.face_part) - 1)
        part = np.where((distance > 0) & solid, self._opaque.face_part[index], -1).astype(np.int32)
        return FirstHits(part, np.asarray(distance, np.float32), self._opaque.parts)

    def _met(self, sensor: Any, camera: Camera) -> tuple[Any, Any, Any]:
        mi, dr = self._renderer._mi, self._renderer._dr
        sampler = mi.load_dict({"type": "independent"})
        sampler.seed(0, camera.width * camera.height)
        ray, _ = self._rays(sensor, camera, 1, sampler)
        hit = self._scene.ray_intersect_preliminary(ray, coherent=True)
        met = hit.is_valid()
        distance, prim = dr.select(met, hit.t, 0.0), dr.select(met, hit.prim_index, 0)
        number = dr.select(met, dr.reinterpret_array(mi.UInt32, hit.shape), 0)
        dr.eval(distance, prim, number)
        own = mi.ShapePtr(self._scene.shapes()[self._shape_number() - 1])
        solid = np.array(number) == int(dr.slice(dr.reinterpret_array(mi.UInt32, own)))
        shape = (camera.height, camera.width)
        return np.array(distance).reshape(shape), np.array(prim).reshape(shape), solid.reshape(shape)

    def _shape_number(self) -> int:
        """Shapes are counted from 1 in the order of the scene; 0 is the sky."""
        return 1 + [shape.id() for shape in self._scene.shapes()].index("opaque")


def _flash(stage: Stage) -> dict[str, Any]:
    lit = max(stage.flash.intensity) > 0
    return {
        "type": "point",
        "position": list(stage.flash.position),
        "intensity": {"type": "rgb", "value": list(stage.flash.intensity)},
        "sampling_weight": 0.6 if lit else 0.02,
    }


def _four(rotation: NDArray[np.float64]) -> NDArray[np.float64]:
    matrix = np.eye(4)
    matrix[:3, :3] = rotation
    return matrix


def _attribute(name: str) -> dict[str, str]:
    return {"type": "mesh_attribute", "name": name}


_SURFACE = {
    "type": "principled",
    "base_color": _attribute("vertex_albedo"),
    "roughness": _attribute("vertex_roughness"),
    "metallic": _attribute("vertex_metallic"),
    "specular": 0.5,
}
