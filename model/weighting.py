"""How often each confirmed photo is learnt from, so that neither the many intact photos nor one large site
drowns a rare damage.

Inverse power of the group's size: a photo's weight is (size of its label group) ** -label_power times (size
of its site) ** -site_power. Power 0 counts each photo alike, 1 each group alike; one half, the default, is
the middle way (square-root sampling, as in Mahajan et al. 2018, arXiv 1805.00932; cited from memory). A cap
keeps a handful of rare photos from being learnt by heart. Photos are drawn more or less often rather than
multiplied in the loss: the rare ones come in more different views, and one step's size depends on no group.

Loads no torch, so that settings can be checked before anything heavy starts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from model.errors import BadRequestError
from model.manifest import LabelledPhoto

INTACT, UNUSABLE = "intact", "cannot judge"


@dataclass(frozen=True)
class Weighting:
    """How strongly rare labels and small sites are favoured (0..1 each), and how often, in units of the
    average photo, any one photo may come at most (1 or more; 1 counts each photo alike)."""

    label_power: float = 0.5
    site_power: float = 0.5
    cap: float = 4.0

    def __post_init__(self) -> None:
        """Refuse what would turn the purpose round."""
        if not (0 <= self.label_power <= 1 and 0 <= self.site_power <= 1 and self.cap >= 1):
            raise BadRequestError(
                "powers of 0 to 1 and a cap of 1 or more for the weights", str(self), "Correct the settings."
            )


ALIKE = Weighting(0.0, 0.0, 1.0)
"""Every photo counts alike."""


def photo_weights(labels: Sequence[LabelledPhoto], how: Weighting) -> NDArray[np.float64]:
    """Return N weights with mean 1: how often each photo comes, in units of the average photo.

    A photo with several damages belongs to its rarest one. Photos that cannot be judged are one group,
    whatever the reason. The site is the attribute ``site``; photos without one are of one site.
    """
    if not labels:
        return np.zeros(0)
    groups = [_groups(label) for label in labels]
    label_sizes = Counter(group for own in groups for group in own)
    sites = [str(label.attributes.get("site", "")) for label in labels]
    site_sizes = Counter(sites)
    raw = [
        min(label_sizes[group] for group in own) ** -how.label_power * site_sizes[site] ** -how.site_power
        for own, site in zip(groups, sites, strict=True)
    ]
    return _capped(np.array(raw, dtype=np.float64), how.cap)


def weights_in_words(labels: Sequence[LabelledPhoto], weights: NDArray[np.float64]) -> str:
    """Return one line: how many photos of each label and site there are, and their mean weight."""
    by_label: dict[str, list[float]] = {}
    by_site: dict[str, list[float]] = {}
    for label, weight in zip(labels, weights.tolist(), strict=True):
        for group in _groups(label):
            by_label.setdefault(group, []).append(weight)
        by_site.setdefault(str(label.attributes.get("site", "")) or "no site named", []).append(weight)
    parts = [_listed(by_label), *([_listed(by_site)] if len(by_site) > 1 else [])]
    return f"Weights (photos x mean weight): {'; '.join(parts)}."


def _listed(groups: dict[str, list[float]]) -> str:
    return ", ".join(
        f"{name.replace('_', ' ')} {len(w)} x {sum(w) / len(w):.2f}" for name, w in sorted(groups.items())
    )


def _groups(label: LabelledPhoto) -> tuple[str, ...]:
    if label.reason is not None or label.family is None:
        return (UNUSABLE,)
    return tuple(sorted({finding.kind.value for finding in label.findings})) or (INTACT,)


def _capped(raw: NDArray[np.float64], cap: float) -> NDArray[np.float64]:
    """Scale to mean 1 with none above ``cap``: what the cap takes away goes to the others in proportion."""
    weights = raw / raw.mean()
    for _ in range(len(raw)):
        over = weights > cap
        if not over.any() or over.all():
            break
        free = ~over & (weights < cap)
        weights[over] = cap
        rest = len(raw) - cap * float((~free).sum())
        if rest <= 0 or not free.any():
            break
        weights[free] *= rest / weights[free].sum()
    result: NDArray[np.float64] = np.minimum(weights, cap)
    return result


def dealt(start: int, count: int, weights: NDArray[np.float64], seed: int) -> list[int]:
    """Return positions ``start`` to ``start + count`` of an endless run of shuffled passes over N photos.

    A pass has N positions. In each a photo of weight w comes floor(w) or ceil(w) times, w times on average
    (systematic sampling); with all weights 1 every photo comes once. The same arguments give the same rows.
    """
    photos, rows = len(weights), list[int]()
    while len(rows) < count:
        turn, offset = divmod(start + len(rows), photos)
        rows += _pass(weights, seed * 7919 + turn)[offset : offset + count - len(rows)]
    return rows


def _pass(weights: NDArray[np.float64], seed: int) -> list[int]:
    draw = np.random.default_rng(seed)
    photos = len(weights)
    order = draw.permutation(photos)
    ends = np.cumsum(weights[order])
    # The last end is the number of photos but for rounding; a point beyond it would belong to nobody.
    points = (np.arange(photos) + draw.random()) * ends[-1] / photos
    picked = order[np.minimum(np.searchsorted(ends, points, side="right"), photos - 1)]
    rows: list[int] = picked[draw.permutation(photos)].tolist()
    return rows
