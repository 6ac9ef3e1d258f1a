"""Turn trained weights into a calibrated, checked model file."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import torch

from model.artefact import Card, Model, blank_model, load_model, save_model
from model.calibration import (
    MISS_RATES,
    MOST_CALLED_CLEAR,
    Calibration,
    KindCalibration,
    clear_limit,
    fit_scaling,
    flag_limit,
    sigmoid,
)
from model.compact import round_as_saved
from model.dataset import HOUSING_KINDS, split_of
from model.errors import ManifestError, told_plainly
from model.manifest import LabelledPhoto, read_manifest
from model.predict import Classifier
from model.scorebook import SEVERE_FROM, Scored, load_book, score_labelled
from model.train import pick_split
from model.vocabulary import FindingKind, Place

FALSE_ALARM_RATE = 0.006
"""Share of intact photos that may reach the flag of one damage: under 2 % for all three together."""


def calibrate(book: Sequence[Scored], *, miss_rates: dict[FindingKind, float] = MISS_RATES) -> Calibration:
    """Fit temperatures and limits on scored photos that were not trained on.

    Raises:
        CalibrationError: too few damaged examples of a kind for its miss rate.
    """
    usable = [s for s in book if s.good and s.seen.face is not None]
    return Calibration({kind: _calibrate_kind(usable, kind, miss_rates[kind]) for kind in FindingKind})


def _calibrate_kind(book: list[Scored], kind: FindingKind, rate: float) -> KindCalibration:
    number = list(FindingKind).index(kind)
    applies = [s for s in book if kind is not FindingKind.MISSING_LATCH or _has_latch(s)]
    known = [s for s in applies if s.truth(kind) is not None]
    logits = np.array([float(s.seen.photo[number]) for s in known])
    truth = np.array([bool(s.truth(kind)) for s in known], dtype=bool)
    temperature, shift = fit_scaling(logits, truth)
    place_temperature, place_shift = fit_scaling(*_place_pairs(applies, kind))
    probabilities = sigmoid(logits / temperature + shift) if len(logits) else np.zeros(0)
    # The stated miss rate is that of damage from SEVERE_FROM; what is slighter is found as far as it goes.
    severe = np.array([bool(s.visible_findings(kind, SEVERE_FROM)) for s in known], dtype=bool)
    scores = np.r_[probabilities[severe], np.zeros(_called_clear_of_latches(book, kind))]
    clear = min(clear_limit(scores, rate), MOST_CALLED_CLEAR[kind])
    intact = np.array([not s.label.findings for s in known], dtype=bool)
    flag = flag_limit(probabilities[intact], clear, FALSE_ALARM_RATE)
    return KindCalibration(temperature, shift, place_temperature, place_shift, clear, flag, 0.5)


def _called_clear_of_latches(book: list[Scored], kind: FindingKind) -> int:
    """Count the missing latches on faces that were taken for a family without one: no limit finds them."""
    if kind is not FindingKind.MISSING_LATCH:
        return 0
    return sum(bool(s.visible_findings(kind, SEVERE_FROM)) and not _has_latch(s) for s in book)


def _has_latch(scored: Scored) -> bool:
    return scored.seen.face is not None and scored.seen.face.family.has_latch


def _place_pairs(book: list[Scored], kind: FindingKind) -> tuple[list[float], list[bool]]:
    """Return place logits with their truths, leaving out places whose damage is half visible."""
    logits: list[float] = []
    truths: list[bool] = []
    for scored in book:
        assert scored.seen.face is not None
        if kind is FindingKind.MISSING_LATCH:
            places = [(Place.LATCH, float(scored.seen.latch[0]))]
        else:
            column = HOUSING_KINDS.index(kind)
            family = scored.seen.face.family
            places = [
                (p, float(scored.seen.housing[row, column])) for row, p in enumerate(family.housing_places)
            ]
        sure = {f.place for f in scored.visible_findings(kind)}
        any_there = {f.place for f in scored.label.findings if f.kind is kind}
        for place, logit in places:
            if place in sure or place not in any_there:
                logits.append(logit)
                truths.append(place in sure)
    return logits, truths


def load_trained(folder: Path) -> Model:
    """Load the state dicts that ``model.train`` wrote, uncalibrated, rounded as a model file holds them.

    Raises:
        ManifestError: a file is missing.
    """
    needed = ("config.json", "training.json", "locator.pt", "condition.pt")
    missing = [name for name in needed if not (folder / name).is_file()]
    if missing:
        raise ManifestError(
            f"a folder of a training in {folder}", f"no {', '.join(missing)}", "Train all networks into one."
        )
    config: dict[str, Any] = json.loads((folder / "config.json").read_text(encoding="utf-8"))
    learnt: dict[str, Any] = json.loads((folder / "training.json").read_text(encoding="utf-8"))
    card = Card(config["design"], Calibration.plain(), config=config, **learnt)
    states = {
        path.stem: torch.load(path, map_location="cpu", weights_only=True) for path in folder.glob("*.pt")
    }
    model = blank_model(card, [f"{name}.{key}" for name, state in states.items() for key in state])
    for name, network in model.networks.items():
        network.load_state_dict(states[name])
        round_as_saved(network)
        network.eval().to(memory_format=torch.channels_last)
    return model


def load_any(path: Path | None, device: str = "cpu") -> Model:
    """Load a model file, the folder of a training, or (``None``) the shipped model onto ``device``.

    Raises:
        ArtefactError: not a model file of this version.
        ManifestError: a file is missing in the folder.
    """
    model = load_trained(path) if path is not None and path.is_dir() else load_model(path)
    for network in model.networks.values():
        network.to(device)
    return model


def assemble(
    folder: Path,
    manifest: Path | None,
    out: Path,
    *,
    book: Path | None = None,
    miss_rates: dict[FindingKind, float] = MISS_RATES,
    generator_version: str = "",
    device: str = "cpu",
    threads: int = 2,
) -> Card:
    """Calibrate the weights in ``folder``, or of a model file, on the calibration split of ``manifest`` and
    write ``out``.

    The weights are loaded again, rounded as they will be used, and calibrated as exactly those. ``out`` is
    written once its limits are set: a file without would call damage clear. With a saved ``book``
    (``model.scorebook``) of these weights neither manifest nor photos are needed.

    Raises:
        CalibrationError: too few damaged examples of a kind for its miss rate.
        ManifestError: neither manifest nor book, or a book of other weights.
    """
    if book is None and manifest is None:
        raise ManifestError("a manifest or a scored book", "neither", "Name one of them.")
    trained = load_any(folder)
    card = replace(
        trained.card,
        made_at=datetime.now(UTC).isoformat(timespec="seconds"),
        generator_version=generator_version,
    )
    draft = out.with_name(f"{out.name}.draft")
    try:
        save_model(draft, replace(trained, card=card))
        if book is not None:
            scored = load_book(book, Classifier(load_model(draft)))
            chosen = [s for s in scored if split_of(s.label) == "calibration"]
            done = recalibrate_from(draft, chosen, miss_rates=miss_rates)
        else:
            assert manifest is not None
            labels, root = pick_split(read_manifest(manifest), "calibration"), manifest.parent
            done = recalibrate(draft, labels, root, miss_rates=miss_rates, device=device, threads=threads)
        draft.replace(out)
    finally:
        draft.unlink(missing_ok=True)
    return done


def recalibrate(
    path: Path,
    labels: list[LabelledPhoto],
    root: Path,
    *,
    miss_rates: dict[FindingKind, float] = MISS_RATES,
    device: str = "cpu",
    threads: int = 2,
) -> Card:
    """Set the calibration of the model file at ``path`` anew from ``labels``; returns its new card.

    Raises:
        CalibrationError: too few damaged examples of a kind for its miss rate.
    """
    book = score_labelled(Classifier(load_any(path, device)), labels, root, threads=threads)
    return recalibrate_from(path, book, miss_rates=miss_rates)


def recalibrate_from(
    path: Path, book: Sequence[Scored], *, miss_rates: dict[FindingKind, float] = MISS_RATES
) -> Card:
    """Set the calibration of the model file at ``path`` anew from photos it has scored.

    Raises:
        CalibrationError: too few damaged examples of a kind for its miss rate.
    """
    model = load_model(path)
    metrics = {"calibrated_on": len(book), "miss_rates": {k.value: v for k, v in miss_rates.items()}}
    card = replace(
        model.card, calibration=calibrate(book, miss_rates=miss_rates), metrics=model.card.metrics | metrics
    )
    return save_model(path, replace(model, card=card))


@told_plainly()
def main() -> None:
    """Command line: ``python -m model.assemble (FOLDER | FILE) (MANIFEST | --book BOOK) OUT``."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("manifest", type=Path, nargs="?")
    parser.add_argument("out", type=Path)
    parser.add_argument("--book", type=Path, help="photos that these weights scored (model.scorebook)")
    parser.add_argument("--generator-version", default="")
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--threads", type=int, default=2)
    for kind, rate in MISS_RATES.items():
        parser.add_argument(f"--{kind.value.replace('_', '-')}-misses", type=float, default=rate)
    a = parser.parse_args()
    card = assemble(
        a.folder,
        a.manifest,
        a.out,
        book=a.book,
        miss_rates={kind: getattr(a, f"{kind.value}_misses") for kind in MISS_RATES},
        generator_version=a.generator_version,
        device=a.device,
        threads=a.threads,
    )
    print(card.version)


if __name__ == "__main__":
    main()
