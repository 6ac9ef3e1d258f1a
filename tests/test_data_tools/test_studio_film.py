"""The film that studios share: what one bad path may do to a picture."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("mitsuba")

from data_tools.rendering.renderer import VARIANTS, Renderer
from data_tools.studios import film

pytestmark = pytest.mark.render


@pytest.mark.parametrize("variant", [v for v in ("scalar_rgb", "llvm_ad_rgb") if v in VARIANTS])
def test_light_that_is_no_number_leaves_the_rest_of_the_picture(variant: str) -> None:
    try:
        Renderer(variant, 1)
    except ImportError as error:  # no LLVM here
        pytest.skip(str(error))
    import mitsuba as mi

    glow = np.ones((2, 2, 3), np.float32)
    glow[0, 0] = np.nan
    lamp = {
        "type": "rectangle",
        "emitter": {
            "type": "area",
            "radiance": {"type": "bitmap", "bitmap": mi.Bitmap(glow), "raw": True, "filter_type": "nearest"},
        },
    }
    scene = film.load({"integrator": {"type": "path", "max_depth": 2}, "lamp": lamp})
    view = {
        "type": "perspective",
        "fov": 30.0,
        "to_world": mi.ScalarTransform4f().look_at(origin=[0, 0, 4], target=[0, 0, 0], up=[0, 1, 0]),
    }
    picture = film.expose(scene, film.lens(view, (16, 16)), (16, 16), 4, seed=1)
    assert np.isfinite(picture).all()
    assert picture.max() > 0.9
    assert (picture[:6, :6] < 0.1).all() or (picture[-6:, :6] < 0.1).all()
