"""What canvas and stage ask of triangles: their normals, and sums over the triangles at each vertex.

Vectors are 3 x N here, one row a coordinate: arithmetic on long rows is several times faster than on
rows of three.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array


def across_faces(vertices: NDArray[np.float32], faces: NDArray[Any]) -> NDArray[np.float32]:
    """Return each triangle's normal (3 x F), twice its area long, from N x 3 vertices and F x 3 faces."""
    rows = np.ascontiguousarray(vertices.T)
    start = rows.take(faces[:, 0], axis=1)
    first, second = rows.take(faces[:, 1], axis=1), rows.take(faces[:, 2], axis=1)
    first -= start
    second -= start
    normals = np.empty_like(first)
    for axis in range(3):
        one, other = (axis + 1) % 3, (axis + 2) % 3
        normals[axis] = first[one] * second[other] - first[other] * second[one]
    return np.asarray(normals, np.float32)


def summed_at_vertices(faces: NDArray[Any], count: int, values: NDArray[Any]) -> NDArray[np.float64]:
    """Return, for each of ``count`` vertices, the sum of ``values`` (K x F) over its faces: K x ``count``."""
    ends = np.arange(0, 3 * len(faces) + 1, 3)
    shares = csc_array((np.ones(3 * len(faces)), faces.reshape(-1), ends), shape=(count, len(faces)))
    return np.ascontiguousarray((shares @ values.T.astype(np.float64)).T)
