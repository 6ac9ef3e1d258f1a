"""Have the photos themselves changed? Two questions on what the network sees in them.

``drift`` asks whether couplers look other than before (a permutation test), ``unlike`` whether they lie
farther from a reference set than its own couplers lie from each other.

For ``drift`` the same couplers are compared with themselves: which photos of a coupler are "now" is shuffled
within the coupler, so that a site's own walls and light, or a coupler's own scratches, are no change. Exact
if the photos of one coupler could have come in any order; p counts the observed order as one of
the shuffles (Phipson and Smyth 2010, (b + 1) / (m + 1)).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import scipy  # its parts are loaded when first used: the command line need not wait for them
from numpy.typing import ArrayLike, NDArray

SHUFFLES = 9999


@dataclass(frozen=True)
class Drift:
    """``p`` of a change at least this large by chance; ``distance``: how far the mean moved, in standard
    deviations of one photo of a coupler around its own mean. Counted are photos of couplers with both."""

    p: float
    distance: float
    now: int
    before: int
    couplers: int


@dataclass(frozen=True)
class Unlike:
    """``unlike`` of ``couplers`` lie farther from the couplers of the ``reference`` than all but ``LEVEL`` of
    those lie from each other; ``p`` of so many by chance. Without a usable reference 0 and 1."""

    couplers: int = 0
    unlike: int = 0
    reference: int = 0
    p: float = 1.0


LEVEL = 0.05
LEAST_REFERENCE = 40
"""With fewer couplers the rank of a distance is too coarse (common practice, no source)."""


def unlike(
    vectors: ArrayLike, blocks: Sequence[str], reference: ArrayLike, reference_blocks: Sequence[str]
) -> Unlike:
    """Count the couplers whose photos (NxD) are unlike every photo of the reference (MxD) of another coupler.

    Photos of one coupler are alike: each coupler counts once, by its middle photo. That one's distance from
    its nearest reference photo is ranked among the same distances of the reference's couplers: a conformal p
    value, (1 + number at least as far) / (couplers + 1), valid for a coupler drawn as the reference was (Vovk
    et al. 2005). All are ranked in the same reference, so that how many of them pass ``LEVEL`` by chance is
    beta-binomial (Vovk 2012, proposition 2a: the chance to pass varies with the reference as a beta does).
    ``blocks`` name the couplers.
    """
    x, known = np.asarray(vectors, np.float64), np.asarray(reference, np.float64)
    couplers, least = len(set(blocks)), len(set(reference_blocks))
    if least < LEAST_REFERENCE or not couplers:
        return Unlike(couplers, 0, least, 1.0)
    spread = np.where(known.std(0) > 1e-9, known.std(0), 1.0)
    far = _nearest(x / spread, blocks, known / spread, reference_blocks)
    usual = _nearest(known / spread, reference_blocks, known / spread, reference_blocks)
    ranks = (1 + (usual[None, :] >= far[:, None]).sum(1)) / (least + 1)
    count = int((ranks <= LEVEL).sum())
    passing = int((np.arange(1, least + 2) / (least + 1) <= LEVEL).sum())
    p = scipy.stats.betabinom.sf(count - 1, couplers, passing, least + 1 - passing)
    return Unlike(couplers, count, least, float(p))


def _nearest(
    x: NDArray[np.float64], blocks: Sequence[str], known: NDArray[np.float64], known_blocks: Sequence[str]
) -> NDArray[np.float64]:
    """The distance of each coupler's middle photo (the nearer of two) to the nearest of another coupler."""
    names = np.asarray(blocks)
    same = names[:, None] == np.asarray(known_blocks)[None, :]
    photos = np.where(same, np.inf, scipy.spatial.distance.cdist(x, known)).min(1)
    each = (np.sort(photos[names == name]) for name in np.unique(names))
    return np.array([distances[(len(distances) - 1) // 2] for distances in each])


def drift(
    vectors: ArrayLike, is_now: ArrayLike, blocks: Sequence[str], *, shuffles: int = SHUFFLES, seed: int = 0
) -> Drift:
    """Test whether the photos marked ``is_now`` (N) look other than the rest of their block.

    ``vectors`` NxD, ``blocks`` N names (of couplers). Blocks with only one sort say nothing and are left out;
    with none left p is 1.
    """
    x, now, names = np.asarray(vectors, np.float64), np.asarray(is_now, bool), np.asarray(blocks)
    both = np.array([0 < now[names == name].mean() < 1 for name in names], dtype=bool)
    x, now = x[both], now[both]
    _, block = np.unique(names[both], return_inverse=True)
    if not len(x):
        return Drift(1.0, 0.0, 0, 0, 0)
    count = int(block.max()) + 1
    sizes = np.bincount(block, minlength=count)
    means = np.zeros((count, x.shape[1]))
    np.add.at(means, block, x)
    centred = x - (means / sizes[:, None])[block]
    spread = centred.std(0)
    centred = centred[:, spread > 1e-9] / spread[spread > 1e-9]
    observed = float(((now @ centred) ** 2).sum())
    # A shuffle that gives the same marks must count, whatever the order of the sum made of its last digit.
    reached = sum(
        float(((shuffled @ centred) ** 2).sum()) >= observed * (1 - 1e-9)
        for shuffled in _shuffled(now, block, shuffles, seed)
    )
    # Centring takes away the block's mean, to which "now" has itself contributed.
    weight = float((sizes * _shares(now, block, count) * (1 - _shares(now, block, count))).sum())
    distance = float(np.sqrt(observed / max(1, centred.shape[1]))) / weight
    return Drift((reached + 1) / (shuffles + 1), distance, int(now.sum()), int((~now).sum()), count)


def _shares(now: NDArray[np.bool_], block: NDArray[np.intp], count: int) -> NDArray[np.float64]:
    shares: NDArray[np.float64] = np.bincount(block, now, count) / np.bincount(block, minlength=count)
    return shares


def _shuffled(
    now: NDArray[np.bool_], block: NDArray[np.intp], shuffles: int, seed: int
) -> Iterator[NDArray[np.bool_]]:
    """Yield the marks dealt anew within each block, ``shuffles`` times."""
    rng = np.random.default_rng(seed)
    slots = np.argsort(block, kind="stable")
    for _ in range(shuffles):
        order = np.lexsort((rng.random(len(block)), block))
        marks = np.empty_like(now)
        marks[order] = now[slots]
        yield marks
