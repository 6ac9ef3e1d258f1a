"""The studio ``cedar``: couplers of voxels, broken along Voronoi cells and melted by a crude viscous flow,
photographed in rural and winter places. Modelled from the published geometry alone."""

from __future__ import annotations

import numpy as np

from data_tools.studios.shot import Shot

STUDIO_SALT = 3003


def photograph(seed: int, number: int, samples: int, scale: float = 1.0) -> list[Shot]:
    """Return 1 to 3 photos of subject ``number``: the same arguments give the same labels.

    ``samples`` are paths a pixel; ``scale`` shrinks the pictures (1: 512 to 1,000 pixels on the long side).
    A Mitsuba variant must be set before.
    """
    from data_tools.studios.cedar.shoot import NAME, photographs

    rng = np.random.default_rng([STUDIO_SALT, seed, number])
    return photographs(rng, f"{NAME}-{seed}-{number:06d}", samples, scale)


__all__ = ["STUDIO_SALT", "photograph"]
