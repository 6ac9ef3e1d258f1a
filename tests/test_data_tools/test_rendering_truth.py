"""Truth: contacts recovered from rendered part maps, places in view, visibility, reasons."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from data_tools.rendering import ground_truth as truth
from data_tools.rendering import light, phone_look
from data_tools.rendering.camera import Array, Camera, sample_camera
from data_tools.rendering.renderer import FirstHits, Renderer
from data_tools.rendering.sampling import sample_coupler
from data_tools.rendering.scene import Flash, Stage, combine, merge
from data_tools.rendering.spec import Mesh
from model.families import FAMILIES, family
from model.geometry import project
from model.vocabulary import Place, Reason

pytestmark = pytest.mark.render
geometry = pytest.importorskip("data_tools.rendering.geometry")
pytest.importorskip("mitsuba")


@pytest.fixture(scope="module")
def renderer() -> Renderer:
    return Renderer("scalar_rgb", threads=2)


def _stage(meshes: list[Mesh], camera: Camera) -> Stage:
    opaque, glass = merge(meshes)
    sky = np.ones((16, 32, 3), np.float32)
    return Stage(opaque, glass, sky, np.eye(3), Flash((0.0, 0.0, 500.0), (0.0, 0.0, 0.0)), camera)


@pytest.mark.parametrize("key", list(FAMILIES))
def test_contacts_recovered_from_rendered_masks_agree_with_the_homography(
    key: str, renderer: Renderer
) -> None:
    """Within 0.3 mm. A round bore shows as the pixels that meet something below its (plain) mouth."""
    shape, checked = family(key), 0
    for seed in range(3):
        spec = sample_coupler(np.random.default_rng([seed, 5]), key)
        spec = replace(spec, build=spec.build | {"mouths": []})
        camera = _frontal(sample_camera(np.random.default_rng([seed, 6]), shape), tilt=0.05 * seed)
        solid = [
            m
            for m in geometry.build_coupler(spec)
            if m.part.startswith(("sleeve", "contact", "floor", "rim"))
        ]
        hits = renderer.load(_stage(solid, camera)).first_hits(camera)
        plane, below = _where_met(camera, hits)
        chamfer = float(spec.build["mouth_chamfer"])
        for number, contact in enumerate(shape.contacts):
            if spec.build["bore_shape"][number] != "round":
                continue
            centre = np.array([contact.x, contact.y]) + spec.build["offsets"][number]
            near = np.linalg.norm(plane - centre, axis=2) < contact.sleeve_diameter / 2
            hole = near & (below < -chamfer - 0.05)
            row, column = np.nonzero(hole)
            pixel = np.array([[column.mean() + 0.5, row.mean() + 0.5]])
            found = project(np.linalg.inv(camera.homography(shape)), pixel)[0]
            assert np.linalg.norm(found - centre) < 0.3
            checked += 1
    assert checked >= 5


def _where_met(camera: Camera, hits: FirstHits) -> tuple[Array, Array]:
    """Return where each ray crosses the face plane (H x W x 2, mm), and the height z it meets (H x W)."""
    row, column = np.mgrid[0 : camera.height, 0 : camera.width]
    x = (column + 0.5 - camera.width / 2) / camera.focal_px
    y = (camera.height / 2 - row - 0.5) / camera.focal_px
    rays = x[..., None] * camera.axes[0] + y[..., None] * camera.axes[1] + camera.axes[2]
    rays /= np.linalg.norm(rays, axis=2, keepdims=True)
    crossing = camera.position - rays * (camera.position[2] / rays[..., 2:3])
    return crossing[..., :2], camera.position[2] + rays[..., 2] * hits.distance


def test_a_covered_place_is_not_in_view(renderer: Renderer) -> None:
    shape = family("type1")
    meshes = geometry.build_coupler(sample_coupler(np.random.default_rng(3), "type1"))
    points = truth.place_points(shape, meshes)
    camera = _frontal(sample_camera(np.random.default_rng(4), shape))
    free = truth.places_in_view(points, camera, renderer.load(_stage(meshes, camera)).first_hits(camera))
    assert min(free[place] for place in shape.housing_places) > 0.9
    contact = shape.contacts[0]
    plate = _plate(contact.x, contact.y, 5.0, 6.5)
    covered = renderer.load(_stage([*meshes, plate], camera)).first_hits(camera)
    seen = truth.places_in_view(points, camera, covered)
    assert seen[contact.place] < 0.2
    assert seen[Place.BOTTOM] > 0.9


def _frontal(camera: Camera, tilt: float = 0.0) -> Camera:
    cosine, sine = np.cos(tilt), np.sin(tilt)
    axes = np.array([[cosine, 0, sine], [0, 1, 0], [sine, 0, -cosine]])
    return replace(
        camera, position=-140.0 * axes[2], axes=axes, width=384, height=384, focal_px=500.0,
        distance_mm=140.0, focus_mm=140.0, distortion=0.0,
    )  # fmt: skip


def _plate(x: float, y: float, z: float, half: float) -> Mesh:
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half + [x, y]
    vertices = np.column_stack([corners, np.full(4, z)]).astype(np.float32)
    attributes = {"albedo": np.full((4, 3), 0.5, np.float32), "roughness": np.full((4, 1), 0.5, np.float32)}
    return Mesh("hand", "skin", vertices, np.array([[0, 1, 2], [0, 2, 3]], np.uint32), attributes)


def _look() -> phone_look.PhoneLook:
    return replace(phone_look.sample_look(np.random.default_rng(0), 0.0), motion_px=0.0, haze=0.0)


def test_visibility_is_the_share_of_the_place_that_differs() -> None:
    shape = family("type1")
    camera = _frontal(sample_camera(np.random.default_rng(4), shape))
    points = {
        c.place: np.column_stack([
            [c.x, c.y] + c.sleeve_diameter / 2 * _ring(),
            np.zeros(40),
        ])
        for c in shape.contacts
    }  # fmt: skip
    same = np.full((384, 384, 3), 0.3, np.float32)
    place = shape.contacts[0].place
    mask, area = truth.region_of(place, points, camera)
    assert np.isclose(mask.sum(), area, rtol=0.1)
    expected_mm = np.pi * (shape.contacts[0].sleeve_diameter * truth.FACE_PLANE_MARGIN / 2) ** 2
    assert np.isclose(area / camera.px_per_mm**2, expected_mm, rtol=0.05)
    other = same.copy()
    rows = np.arange(384)[:, None] < np.mean(np.nonzero(mask)[0])
    other[mask & rows] = 0.02
    places = [place, Place.BOTTOM]
    half, none = truth.visibility(places, (same, other), camera, _look(), points, 1.0)
    assert 0.4 < half < 0.65
    assert none == 0.0
    assert truth.visibility(places[:1], (same, same), camera, _look(), points, 1.0) == [0.0]


def test_a_difference_below_the_noise_is_not_visible() -> None:
    shape = family("type1")
    camera = _frontal(sample_camera(np.random.default_rng(4), shape))
    contact = shape.contacts[0]
    points = {
        contact.place: np.array(
            [[contact.x + dx, contact.y + dy, 0] for dx, dy in ((-5, -5), (5, -5), (5, 5), (-5, 5))]
        )
    }
    first = np.full((384, 384, 3), 0.3, np.float32)
    second = first * 2
    calm = replace(_look(), noise=0.002, smear=0.0)
    noisy = replace(calm, noise=0.2)
    seen = truth.visibility([contact.place], (first, second), camera, calm, points, 1.0)
    lost = truth.visibility([contact.place], (first, second), camera, noisy, points, 1.0)
    assert seen[0] > 0.1
    assert lost == [0.0]


def test_hidden_means_fewer_than_half_of_the_places() -> None:
    assert truth.is_hidden({Place.LATCH: 1.0, Place.CENTRE: 0.1, Place.LEFT: 0.2})
    assert not truth.is_hidden({Place.LATCH: 1.0, Place.CENTRE: 0.9, Place.LEFT: 0.2})
    assert truth.first_reason([(False, Reason.TOO_DARK), (True, Reason.HIDDEN)]) is Reason.HIDDEN


def test_surroundings_are_finite_named_and_repeatable() -> None:
    for number in range(4):
        place = light.surroundings(f"painted-{number:04d}")
        assert place.radiance.shape == (512, 1024, 3)
        assert np.isfinite(place.radiance).all()
        assert place.radiance.min() >= 0
        light.surroundings.cache_clear()
        assert np.array_equal(place.radiance, light.surroundings(f"painted-{number:04d}").radiance)


def test_stage_parts_keep_their_names_when_combined() -> None:
    plate = _plate(0, 0, 0, 1)
    both = combine(merge([plate])[0], merge([plate])[0])
    assert both.parts == ("hand", "hand")


def _ring() -> Array:
    angles = np.linspace(0, 2 * np.pi, 40)
    return np.column_stack([np.cos(angles), np.sin(angles)])
