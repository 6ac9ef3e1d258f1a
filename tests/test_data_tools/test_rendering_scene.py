"""Scene: merging meshes, smooth and creased normals, refusals, wet and dusty surfaces."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from data_tools.rendering.facets import across_faces, summed_at_vertices
from data_tools.rendering.scene import Creases, combine, flattened, merge, soiled, split_at_creases
from data_tools.rendering.spec import Mesh


def _mesh(solid: trimesh.Trimesh, part: str, material: str = "plastic") -> Mesh:
    count = len(solid.vertices)
    attributes = {
        "albedo": np.full((count, 3), 0.2, np.float32),
        "roughness": np.full((count, 1), 0.5, np.float32),
        "metallic": np.zeros((count, 1), np.float32),
    }
    vertices = np.asarray(solid.vertices, np.float32)
    return Mesh(part, material, vertices, np.asarray(solid.faces, np.uint32), attributes)


def test_a_box_keeps_flat_sides_and_a_ball_is_smooth() -> None:
    box = trimesh.creation.box([2, 2, 2])
    source, normals, faces = split_at_creases(box.vertices.astype(np.float32), box.faces.astype(np.uint32))
    corner_normals = normals[faces]
    assert np.allclose(corner_normals, box.face_normals[:, None, :], atol=1e-5)
    ball = trimesh.creation.icosphere(3, 1.0)
    source, normals, faces = split_at_creases(ball.vertices.astype(np.float32), ball.faces.astype(np.uint32))
    assert len(source) == len(ball.vertices)
    assert np.allclose(normals, ball.vertices, atol=0.02)


def test_a_cylinder_has_round_sides_and_flat_ends() -> None:
    solid = trimesh.creation.cylinder(5, 4, sections=48)
    _, normals, faces = split_at_creases(solid.vertices.astype(np.float32), solid.faces.astype(np.uint32))
    end = np.abs(solid.face_normals[:, 2]) > 0.9
    assert np.allclose(np.abs(normals[faces[end]][..., 2]), 1, atol=1e-4)
    assert np.abs(normals[faces[~end]][..., 2]).max() < 1e-4


def test_merging_keeps_every_face_and_names_its_part() -> None:
    box, ball = _mesh(trimesh.creation.box(), "shell"), _mesh(trimesh.creation.icosphere(1), "floor")
    opaque, glass = merge([box, ball, _mesh(trimesh.creation.box(), "drop", "glass")])
    assert opaque.parts == ("shell", "floor")
    assert np.bincount(opaque.face_part).tolist() == [len(box.faces), len(ball.faces)]
    assert len(glass.faces) == 12
    triangles = opaque.vertices[opaque.faces[:12]]
    assert np.allclose(triangles, box.vertices[box.faces])


def test_what_was_worked_out_for_a_shared_mesh_is_taken_over() -> None:
    ball, box = (
        _mesh(trimesh.creation.icosphere(2, 1.0), "ball"),
        _mesh(trimesh.creation.box([1, 2, 3]), "box"),
    )
    known: Creases = {}
    merge([ball], known)
    before = dict(known)
    taken, alone = merge([ball, box], known)[0], merge([ball, box])[0]
    assert all(known[key] is result for key, result in before.items())
    for name in ("vertices", "normals", "faces", "albedo"):
        assert np.array_equal(getattr(taken, name), getattr(alone, name)), name


def test_faces_are_measured_and_summed_at_their_vertices() -> None:
    solid = trimesh.creation.cylinder(2, 3, sections=12)
    across = across_faces(solid.vertices.astype(np.float32), solid.faces)
    assert np.allclose(across.T, solid.face_normals * 2 * solid.area_faces[:, None], atol=1e-5)
    summed = summed_at_vertices(solid.faces, len(solid.vertices) + 1, across)
    expected = np.zeros((len(solid.vertices) + 1, 3))
    np.add.at(expected, solid.faces.ravel(), np.repeat(across.T, 3, axis=0))
    assert np.allclose(summed.T, expected, atol=1e-5)


def test_without_water_the_glass_is_a_speck_out_of_sight() -> None:
    _, glass = merge([_mesh(trimesh.creation.box(), "shell")])
    assert len(glass.faces) == 1
    assert glass.vertices[:, 2].max() < -1000


def test_combining_counts_parts_on() -> None:
    first, _ = merge([_mesh(trimesh.creation.box(), "shell")])
    second, _ = merge([_mesh(trimesh.creation.icosphere(1), "hand")])
    both = combine(first, second)
    assert both.parts == ("shell", "hand")
    assert set(both.face_part.tolist()) == {0, 1}
    assert both.faces.max() == len(both.vertices) - 1


def test_unfit_meshes_are_refused() -> None:
    bad = _mesh(trimesh.creation.box(), "shell")
    bad.vertices[0, 0] = np.nan
    with pytest.raises(ValueError, match="shell"):
        merge([bad])
    short = _mesh(trimesh.creation.box(), "rim")
    short.attributes["albedo"] = short.attributes["albedo"][:-1]
    with pytest.raises(ValueError, match="rim"):
        merge([short])


def test_wet_is_darker_and_glossier_and_dust_is_brighter_and_dull() -> None:
    dry, _ = merge([_mesh(trimesh.creation.icosphere(2), "shell")])
    dark, _ = merge([_mesh(trimesh.creation.icosphere(2), "shell")])
    wet = soiled(dry, 1.0, 0.0)
    assert wet.albedo.max() < dry.albedo.min()
    assert wet.roughness.max() < dry.roughness.min()
    dusty = soiled(dark, 0.0, 1.0)
    assert dusty.albedo.mean() > dark.albedo.mean()
    assert dusty.roughness.mean() > dark.roughness.mean()
    assert soiled(dry, 0.0, 0.0) is dry


def test_a_flat_picture_has_one_colour_for_each_part() -> None:
    first, second = (_mesh(trimesh.creation.box((2, 2, 2)), part) for part in ("shell", "floor"))
    first.attributes["albedo"][:, 0] = np.linspace(0.1, 0.5, len(first.vertices))
    merged = merge([first, second])[0]
    flat = flattened(merged)
    for number in range(2):
        own = np.unique(merged.faces[merged.face_part == number])
        assert np.ptp(flat.albedo[own], axis=0).max() < 1e-6
        assert np.allclose(flat.albedo[own[0]], merged.albedo[own].mean(axis=0), atol=1e-5)
    assert np.array_equal(flat.vertices, merged.vertices)
