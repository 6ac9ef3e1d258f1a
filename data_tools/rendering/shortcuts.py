"""Look for shortcuts in a produced set: can the labels be told from what should not tell them?

Two deliberately blind classifiers are trained on half of the couplers and tested on the other half: one sees
only the colour histogram of the face, the other only the background with the coupler blacked out. For each
kind of damage their area under the ROC curve should stay near 0.5.

``python -m data_tools.rendering.shortcuts --set DIR``
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import click
import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from scipy.stats import rankdata

from data_tools.rendering.data_card import VISIBLE, shown_kinds
from data_tools.rendering.produce import MANIFEST
from model.errors import told_plainly
from model.families import family
from model.geometry import project
from model.manifest import LabelledPhoto, read_manifest
from model.vocabulary import FindingKind

Features = NDArray[np.float32]
LIMIT = 0.65
_SIDE = 24
_MARGIN = 1.25
"""The blacked-out square is this much wider than the canonical view, so that no part of the nose shows."""


@dataclass(frozen=True)
class ShortcutResult:
    """Area under the ROC curve of one blind classifier for one damage, with a 95 % bootstrap interval over
    couplers."""

    sees: str
    kind: FindingKind
    auroc: float
    low: float
    high: float
    photos: int
    positive: int


def face_histogram(photo: LabelledPhoto, set_dir: Path) -> Features:
    """Return the colour histogram (Lab, 8 x 8 x 8 bins, square roots of shares) of the canonical view."""
    picture, square = _picture_and_square(photo, set_dir, 1.0)
    side = 96
    target = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32)
    face = cv2.warpPerspective(picture, cv2.getPerspectiveTransform(square, target), (side, side))
    lab = cv2.cvtColor(face, cv2.COLOR_BGR2LAB).reshape(-1, 3)
    counts, _ = np.histogramdd(lab, bins=(8, 8, 8), range=((0, 256), (64, 192), (64, 192)))
    return np.asarray(np.sqrt(counts.ravel() / max(counts.sum(), 1)), np.float32)


def background(photo: LabelledPhoto, set_dir: Path) -> Features:
    """Return the photo at 24 x 24 pixels with the coupler's face blacked out."""
    picture, square = _picture_and_square(photo, set_dir, _MARGIN)
    blind = cv2.fillConvexPoly(picture.copy(), np.round(square).astype(np.int32), (0, 0, 0))
    small = cv2.resize(blind, (_SIDE, _SIDE), interpolation=cv2.INTER_AREA)
    return np.asarray(small.ravel() / 255.0, np.float32)


SEES: dict[str, Callable[[LabelledPhoto, Path], Features]] = {
    "face colours": face_histogram,
    "background": background,
}


def find_shortcuts(set_dir: Path, workers: int = 1, most: int = 8000) -> list[ShortcutResult]:
    """Train and test the blind classifiers on (at most ``most`` photos of) a set.

    Raises:
        ManifestError: no readable manifest in ``set_dir``.
    """
    photos = [p for p in read_manifest(set_dir / MANIFEST) if p.family and p.homography and not p.reason][
        :most
    ]
    results = []
    for sees, feature in SEES.items():
        with get_context("spawn").Pool(workers) as pool:
            features = np.stack(pool.map(partial(_seen, feature, set_dir), photos, chunksize=32))
        for kind in FindingKind:
            chosen = [n for n, p in enumerate(photos) if _counts_for(p, kind)]
            results.append(_result(sees, kind, [photos[n] for n in chosen], features[chosen]))
    return results


def _seen(
    feature: Callable[[LabelledPhoto, Path], Features], set_dir: Path, photo: LabelledPhoto
) -> Features:
    cv2.setNumThreads(1)
    return feature(photo, set_dir)


def _counts_for(photo: LabelledPhoto, kind: FindingKind) -> bool:
    """A family without a latch, and damage that is there but too faint to see, tell nothing."""
    if kind is FindingKind.MISSING_LATCH and photo.family and not family(photo.family).has_latch:
        return False
    faint = any(f.kind is kind and f.visible < VISIBLE for f in photo.findings)
    return kind in shown_kinds(photo) or not faint


def _result(
    sees: str, kind: FindingKind, photos: Sequence[LabelledPhoto], features: Features
) -> ShortcutResult:
    labels = np.array([kind in shown_kinds(photo) for photo in photos])
    names, coupler = np.unique([photo.coupler for photo in photos], return_inverse=True)
    held_out = np.random.default_rng(0).random(len(names))[coupler] < 0.5
    scores = _trained(features[~held_out], labels[~held_out])(features[held_out])
    truth, groups = labels[held_out], coupler[held_out]
    low, high = _interval(scores, truth, groups)
    return ShortcutResult(sees, kind, auroc(scores, truth), low, high, len(truth), int(truth.sum()))


def _trained(features: Features, labels: NDArray[np.bool_]) -> Callable[[Features], NDArray[np.float64]]:
    """Return the score function of a small two-layer network fitted to the features."""
    torch.manual_seed(0)
    mean, spread = features.mean(axis=0), features.std(axis=0) + 1e-3
    inputs = torch.from_numpy((features - mean) / spread)
    target = torch.from_numpy(labels.astype(np.float32))
    network = torch.nn.Sequential(
        torch.nn.Linear(inputs.shape[1], 64), torch.nn.ReLU(), torch.nn.Dropout(0.5), torch.nn.Linear(64, 1)
    )
    optimiser = torch.optim.AdamW(network.parameters(), lr=1e-3, weight_decay=0.1)
    loss = torch.nn.BCEWithLogitsLoss(pos_weight=(1 - target.mean()) / target.mean().clamp(min=1e-3))
    for _ in range(12):
        order = torch.randperm(len(inputs))
        for start in range(0, len(order), 128):
            batch = order[start : start + 128]
            optimiser.zero_grad()
            loss(network(inputs[batch])[:, 0], target[batch]).backward()
            optimiser.step()

    def score(new: Features) -> NDArray[np.float64]:
        network.eval()
        with torch.no_grad():
            return np.asarray(network(torch.from_numpy((new - mean) / spread))[:, 0].numpy(), np.float64)

    return score


def auroc(scores: NDArray[np.float64], truth: NDArray[np.bool_]) -> float:
    """Return the area under the ROC curve as the Mann-Whitney statistic; NaN with one class only."""
    positive, negative = int(truth.sum()), int((~truth).sum())
    if not positive or not negative:
        return float("nan")
    ranks = rankdata(scores)
    return float((ranks[truth].sum() - positive * (positive + 1) / 2) / (positive * negative))


def _interval(
    scores: NDArray[np.float64], truth: NDArray[np.bool_], groups: NDArray[np.int64]
) -> tuple[float, float]:
    rng = np.random.default_rng(0)
    members = [np.flatnonzero(groups == group) for group in np.unique(groups)]
    draws = []
    for _ in range(200):
        rows = np.concatenate([members[n] for n in rng.integers(len(members), size=len(members))])
        draws.append(auroc(scores[rows], truth[rows]))
    low, high = np.nanquantile(draws, [0.025, 0.975])
    return float(low), float(high)


def _picture_and_square(
    photo: LabelledPhoto, set_dir: Path, margin: float
) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    picture = cv2.imread(str(set_dir / photo.file), cv2.IMREAD_COLOR)
    if picture is None or photo.homography is None or photo.family is None:
        message = f"no usable photo at {photo.file}"
        raise ValueError(message)
    corners = family(photo.family).canonical_view.corners()
    corners = corners.mean(axis=0) + margin * (corners - corners.mean(axis=0))
    square = project(np.array(photo.homography).reshape(3, 3), corners)
    return np.asarray(picture, np.uint8), square.astype(np.float32)


@click.command()
@click.option(
    "--set", "set_dir", type=click.Path(path_type=Path, exists=True, file_okay=False), required=True
)
@click.option("--workers", type=click.IntRange(1), default=1, show_default=True)
@click.option("--most", type=click.IntRange(50), default=8000, show_default=True, help="Photos to use.")
@told_plainly()
def main(set_dir: Path, workers: int, most: int) -> None:
    """Report how well blind classifiers tell the damages of a produced set."""
    for result in find_shortcuts(set_dir, workers, most):
        verdict = "ok" if result.auroc < LIMIT else "SHORTCUT"
        click.echo(
            f"{result.sees:13s} {result.kind:20s} AUROC {result.auroc:.3f} ({result.low:.3f} to"
            f" {result.high:.3f}) on {result.photos} photos, {result.positive} positive: {verdict}"
        )


if __name__ == "__main__":
    main()
