"""Parts of one coupler grafted onto another for training (torch, batched): its pin housings and its latch.

Each rendered coupler is the work of one modeller, of one plastic, under one light; a network may tell damage
by what came with it. In a batch with grafts a broken sleeve sits in the face of another maker, and a good one
beside somebody else's melt. Both kinds of part are grafted alike, so that a seam tells nothing. The idea is
CutMix (Yun et al. 2019, arXiv 1905.04899; cited from memory), along the places of the table of families.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import torch
from torch import Tensor

from model.batchwarp import project_batch
from model.dataset import FAMILY_KEYS, MAX_PLACES, USABLE, Targets, family_boxes, family_close_ups
from model.families import FAMILIES, Family
from model.geometry import canonical_to_mm
from model.preprocess import TrainPreset
from model.views import Draw

PLACE_SHARE = 0.35
"""Share of the places of a photo with grafts that are taken from the other one."""
SLEEVE_MARGIN = 1.1
"""A pin housing is taken with so much of its diameter: its rim, and little of the face around it."""
SEAM_MM = 0.35
"""Width over which one picture passes into the other."""
_STATE = ("housing", "housing_weight", "view")
_LATCH = ("latch", "latch_weight", "latch_view")


class Grafts:
    """Callable on the views of a batch, before anything is done to their light and colour."""

    def __init__(self, share: float, preset: TrainPreset, device: torch.device) -> None:
        """``share`` (0..1) of the photos that have a partner of their family get parts of it."""
        self.share = share
        if not share:
            return
        self.on_view, self.on_close = (m.to(device) for m in _masks(preset))
        self.face = _face_masks(preset).to(device)
        self.places = family_boxes(device)[2]

    def __call__(
        self, views: Tensor, closes: Tensor, targets: Targets, draw: Draw
    ) -> tuple[Tensor, Tensor, Targets]:
        """Return views (B,3,S,S), close-ups (B,P+1,3,C,C) and their truth with the grafts in."""
        if not self.share:
            return views, closes, targets
        partner, fits = _partners(targets, draw)
        taken = self._taken(targets, fits, draw)
        family = targets.family.clamp(min=0)
        match = _match(views, views[partner], self.face[family], draw)
        on_view = (taken[:, :, None, None] * self.on_view[family]).amax(1)[:, None]
        on_close = (taken[:, :, None, None, None] * self.on_close[family]).amax(1)[:, :, None]
        views = torch.lerp(views, match(views[partner]), on_view)
        closes = torch.lerp(closes, match(closes[partner]), on_close)
        return views, closes, grafted(targets, partner, taken, self.places[family])

    def _taken(self, targets: Targets, fits: Tensor, draw: Draw) -> Tensor:
        """Return Bx(P+1): the places taken from the partner. A place with melt, or of which none can say,
        stays: melt and soot spread beyond the sleeve, and what is left would be taught as good."""
        count, places = targets.housing.shape[0], MAX_PLACES + 1
        chosen = fits & (draw.uniform((count,), 0, 1) < self.share)
        drawn = draw.uniform((count, places), 0, 1) < PLACE_SHARE
        taken = chosen[:, None] & drawn & self.places[targets.family.clamp(min=0)]
        free = (targets.housing[..., 1] == 0) & (targets.housing_weight[..., 1] > 0)
        return torch.cat([taken[:, :-1] & free, taken[:, -1:]], dim=1)


def grafted(targets: Targets, partner: Tensor, taken: Tensor, places: Tensor) -> Targets:
    """Return the truth of a batch whose places ``taken`` (B,P+1) come from the photos ``partner`` (B).

    ``places`` (B,P+1): which there are. What is true of the whole photo follows from its places."""
    own, changed = targets.__dict__, {}
    for name in _STATE:
        changed[name] = torch.where(taken[:, :-1, None], own[name][partner], own[name])
    for name in _LATCH:
        changed[name] = torch.where(taken[:, -1], own[name][partner], own[name])
    parts, known = places[:, :-1, None], changed["housing_weight"]
    shown = (changed["housing"] * known * parts).amax(1)
    # As in ``dataset``: every housing must be known before the photo may be called free of a damage.
    told = torch.where(shown > 0, 1.0, ((known > 0) | ~parts).all(1).float())
    latch = changed["latch"], changed["latch_weight"]
    photo = torch.cat([latch[0][:, None], shown], dim=1)
    weight = torch.cat([latch[1][:, None], told], dim=1)
    touched = taken.any(1)[:, None]
    changed["photo"] = torch.where(touched, photo, targets.photo)
    changed["photo_weight"] = torch.where(touched, weight, targets.photo_weight)
    return replace(targets, **changed)


def _partners(targets: Targets, draw: Draw) -> tuple[Tensor, Tensor]:
    """Return for each photo another of the batch (B), and whether both are good and of one family (B)."""
    family = targets.family
    order = (family + draw.uniform((len(family),), 0, 0.9)).argsort()
    partner = torch.empty_like(order)
    partner[order] = order.roll(1)
    good = (family >= 0) & (targets.usable == USABLE.index(None))
    other = partner != torch.arange(len(partner), device=partner.device)
    return partner, good & good[partner] & (family == family[partner]) & other


def _match(host: Tensor, guest: Tensor, face: Tensor, draw: Draw) -> Callable[[Tensor], Tensor]:
    """Return what brings a guest's pixels (B,...,3,H,W) towards the tone of the host's face, by a random
    share: some sleeves are of another colour than their face, most are not."""
    (mean, spread), (own_mean, own_spread) = _tone(host, face), _tone(guest, face)
    gain, share = (spread / own_spread).clamp(0.5, 2.0), draw.uniform((len(host), 1), 0, 1)

    def matched(pixels: Tensor) -> Tensor:
        shape = (len(pixels), *(1,) * (pixels.dim() - 4), -1, 1, 1)
        before, after, much, part = (n.view(shape) for n in (own_mean, mean, gain, share))
        return torch.lerp(pixels, (pixels - before) * much + after, part).clamp(0, 1)

    return matched


def _tone(views: Tensor, face: Tensor) -> tuple[Tensor, Tensor]:
    """Return mean and deviation (Bx3) of the pixels that ``face`` (B,1,S,S; 0 or 1) covers."""
    area = face.sum((2, 3)).clamp(min=1)
    mean = (views * face).sum((2, 3)) / area
    square = ((views - mean[:, :, None, None]) ** 2 * face).sum((2, 3)) / area
    return mean, square.sqrt().clamp(min=0.02)


def _masks(preset: TrainPreset) -> tuple[Tensor, Tensor]:
    """Return how much of each pixel belongs to each place (0..1): of the view (F,P+1,S,S) and of each
    close-up (F,P+1,P+1,C,C; the place, then the close-up)."""
    side, small = preset.canonical_pixels, preset.close_pixels
    close_ups = family_close_ups(torch.device("cpu"))
    view = torch.zeros(len(FAMILY_KEYS), MAX_PLACES + 1, side, side)
    close = torch.zeros(len(FAMILY_KEYS), MAX_PLACES + 1, MAX_PLACES + 1, small, small)
    for row, key in enumerate(FAMILY_KEYS):
        to_mm = torch.from_numpy(canonical_to_mm(FAMILIES[key]))
        view[row] = _of_places(FAMILIES[key], _grid(to_mm[None], side))[:, 0]
        close[row] = _of_places(FAMILIES[key], _grid(to_mm @ close_ups[row], small))
    return view, close


def _face_masks(preset: TrainPreset) -> Tensor:
    masks = []
    for key in FAMILY_KEYS:
        family = FAMILIES[key]
        mm = _grid(torch.from_numpy(canonical_to_mm(family))[None], preset.canonical_pixels)
        half = mm.new_tensor([family.nose_width / 2, family.nose_height / 2])
        masks.append((((mm - mm.new_tensor(family.nose_centre)) / half) ** 2).sum(-1) <= 1)
    return torch.stack(masks).float()


def _grid(to_mm: Tensor, side: int) -> Tensor:
    """Return where the pixels of views lie: ``to_mm`` (T,3,3) gives (T,side,side,2) mm."""
    axis = torch.arange(side, dtype=torch.float64) + 0.5
    y, x = torch.meshgrid(axis, axis, indexing="ij")
    points = torch.stack([x, y], dim=-1).view(1, -1, 2).expand(len(to_mm), -1, 2)
    return project_batch(to_mm.double(), points).view(len(to_mm), side, side, 2)


def _of_places(family: Family, mm: Tensor) -> Tensor:
    """Return (P+1,T,H,W): how much of the pixels at ``mm`` (T,H,W,2) belongs to each place."""
    found = torch.zeros(MAX_PLACES + 1, *mm.shape[:3])
    for column, contact in enumerate(family.contacts):
        away = (mm - mm.new_tensor([contact.x, contact.y])).norm(dim=-1)
        found[column] = _soft(SLEEVE_MARGIN * contact.sleeve_diameter / 2 - away)
    if (zone := family.latch_surroundings) is not None:
        x, y = mm.unbind(-1)
        inside = torch.stack([x - zone.left, zone.right - x, y - zone.bottom, zone.top - y]).amin(0)
        found[-1] = _soft(inside)
    return found


def _soft(inside_mm: Tensor) -> Tensor:
    return (inside_mm / SEAM_MM + 0.5).clamp(0, 1).float()
