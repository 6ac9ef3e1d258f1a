"""A coupler face drawn with circles, for tests that need one with known blur, light and place."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from model.families import Family

MARGIN_MM = 10.0
_SUBPIXEL = 4  # OpenCV draws with this many fractional bits


def draw_face(
    family: Family,
    px_per_mm: float,
    *,
    blur_mm: float = 0.0,
    gain: float = 1.0,
    haze: float = 0.0,
    glare_mm: float = 0.0,
    crop_mm: float = 0.0,
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Return (uint8 H x W x 3, homography mm to pixels).

    ``blur_mm`` is a standard deviation, ``gain`` scales the light, ``haze`` adds grey levels, ``glare_mm``
    is the diameter of a washed-out spot at the nose centre, ``crop_mm`` is cut off at the left.
    """
    centre_x, centre_y = family.nose_centre
    left = centre_x - family.nose_width / 2 - MARGIN_MM
    top = centre_y + family.nose_height / 2 + MARGIN_MM
    size = (family.nose_height + 2 * MARGIN_MM, family.nose_width + 2 * MARGIN_MM)
    picture = np.full((round(size[0] * px_per_mm), round(size[1] * px_per_mm), 3), 120, np.uint8)

    def disc(x: float, y: float, width: float, height: float, grey: tuple[int, int, int]) -> None:
        unit = 1 << _SUBPIXEL
        centre = (round(((x - left) * px_per_mm - 0.5) * unit), round(((top - y) * px_per_mm - 0.5) * unit))
        axes = (round(width / 2 * px_per_mm * unit), round(height / 2 * px_per_mm * unit))
        cv2.ellipse(picture, centre, axes, 0, 0, 360, grey, -1, cv2.LINE_AA, _SUBPIXEL)

    disc(centre_x, centre_y, family.nose_width, family.nose_height, (35, 35, 38))
    for contact in family.contacts:
        sleeve, bore = contact.sleeve_diameter, contact.bore_diameter
        disc(contact.x, contact.y, sleeve, sleeve, (70, 70, 74))
        disc(contact.x, contact.y, bore, bore, (12, 12, 12))
        disc(contact.x, contact.y, bore / 2, bore / 2, (170, 165, 150))
    light = picture.astype(np.float32)
    if blur_mm:
        light = cv2.GaussianBlur(light, (0, 0), blur_mm * px_per_mm)
    picture = np.clip(light * gain + haze, 0, 255).astype(np.uint8)
    if glare_mm:
        disc(centre_x, centre_y, glare_mm, glare_mm, (255, 255, 255))
    cut = round(crop_mm * px_per_mm)
    homography = np.array(
        [[px_per_mm, 0.0, -left * px_per_mm - cut], [0.0, -px_per_mm, top * px_per_mm], [0.0, 0.0, 1.0]]
    )
    return np.ascontiguousarray(picture[:, cut:]), homography
