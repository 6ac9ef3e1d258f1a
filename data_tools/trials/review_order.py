"""Does the proposed order of review teach faster than a random one?

``python -m data_tools.trials.review_order MANIFEST OUT``: the couplers of a labelled set are dealt into a
pool and a test. The live model judges the pool; from it photos are taken in the proposed order
(``model.choose``) or at random, labelled with their truth and learnt from with the steps of a retrain, and
the error on the test couplers is measured. Repeated over several deals, so that each order meets the same
pools and tests. Every order is learnt from at the sizes at which chosen labels are held against twice as many
random ones.

The error is the share of (photo, damage) pairs on the wrong side of one half; the log loss stands beside it.
Faces are taken where they truly lie, so that only the learnt part differs, and photos that the live model
refuses are not in the pool, as in the product. ``chosen`` is drawn up once, before the first label;
``renewed`` is drawn up again after ``RENEWED_AT`` labels, from what the model that learnt them says, as
happens in the product once that model is live and has judged anew.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np
from numpy.typing import NDArray
from scipy import stats
from tqdm import tqdm

from data_tools import model_side
from data_tools.next_photos import suspected
from data_tools.trials.operator import SEEN_FROM
from model.choose import order_to_learn, suspicion
from model.errors import ManifestError, told_plainly
from model.judgement import Judgement
from model.manifest import LabelledPhoto, read_manifest
from model.vocabulary import FindingKind, Outcome

if TYPE_CHECKING:
    from model.artefact import Model
    from model.features import Features

SIZES = {"chosen": (15, 30, 60), "random": (30, 60, 120), "renewed": (60,)}
"""After how many labels each order is learnt from."""
RENEWED_AT = 30
"""A retrain needs as many confirmed photos (setting ``min_confirmed_photos``)."""
VIEWS = 4
"""Views made of each photo of the pool; a retrain of few photos uses as many."""
PASSES, FEWEST_STEPS = 8, 40


@dataclass(frozen=True)
class Deal:
    """Photos to choose from with the live model's judgements, and photos to measure on."""

    pool: list[LabelledPhoto]
    judged: list[Judgement]
    test: list[LabelledPhoto]


def usable(labels: Sequence[LabelledPhoto]) -> list[LabelledPhoto]:
    """Return the photos that ought to be judged and whose truth is plain."""
    return [
        p
        for p in labels
        if p.family
        and p.homography
        and p.reason is None
        and all(not 0 < f.visible < SEEN_FROM for f in p.findings)
    ]


def deal(labels: Sequence[LabelledPhoto], judged: Sequence[Judgement], seed: int) -> Deal:
    """Deal the couplers into halves; what the live model refused leaves the pool."""
    names = sorted({photo.coupler for photo in labels})
    random.Random(seed).shuffle(names)
    pooled = set(names[: len(names) // 2])
    pool = [
        (p, j)
        for p, j in zip(labels, judged, strict=True)
        if p.coupler in pooled and j.outcome is Outcome.SCORED
    ]
    return Deal([p for p, _ in pool], [j for _, j in pool], [p for p in labels if p.coupler not in pooled])


def orders(dealt: Deal, seed: int) -> dict[str, list[int]]:
    """Return the whole pool in the proposed and in a random order."""
    shuffled = list(range(len(dealt.pool)))
    random.Random(1000 + seed).shuffle(shuffled)
    return {"chosen": proposed(dealt, [suspected(j) for j in dealt.judged]), "random": shuffled}


def proposed(dealt: Deal, suspicions: Sequence[float], before: Sequence[int] = ()) -> list[int]:
    """Return the pool in the proposed order, after the photos ``before`` that are labelled already."""
    couplers = [photo.coupler for photo in dealt.pool]
    left = [n for n in range(len(dealt.pool)) if n not in set(before)]
    order = order_to_learn(
        [suspicions[n] for n in left],
        [couplers[n] for n in left],
        len(left),
        decided=[couplers[n] for n in before],
    )
    return [*before, *(left[n] for n in order)]


def truths(labels: Sequence[LabelledPhoto]) -> NDArray[np.bool_]:
    """Return NxK: which damage is visible."""
    rows = [
        [any(f.kind is k and f.visible >= SEEN_FROM for f in p.findings) for k in FindingKind] for p in labels
    ]
    return np.array(rows, dtype=bool).reshape(len(labels), len(FindingKind))


def errors(probabilities: NDArray[np.float64], truth: NDArray[np.bool_]) -> dict[str, float]:
    """Return the share of wrong pairs at one half and the mean log loss."""
    p = np.clip(probabilities, 1e-6, 1 - 1e-6)
    loss = -np.where(truth, np.log(p), np.log1p(-p))
    return {"wrong": float(((p >= 0.5) != truth).mean()), "log_loss": float(loss.mean())}


class Bench:
    """Features of all photos, made once: views to learn from, straight looks to measure on."""

    def __init__(
        self, artefact: Path, labels: Sequence[LabelledPhoto], root: Path, replay: Path | None
    ) -> None:
        from model.artefact import load_model
        from model.config import TrainConfig
        from model.embedding import straight_features
        from model.features import frozen_front, make_features
        from model.tuner import BANK_SIDE

        self.model: Model = load_model(artefact)
        self.labels = list(labels)
        front, config = frozen_front(self.model.condition), TrainConfig(bank_side=BANK_SIDE)
        rows = [n for n in range(len(labels)) for _ in range(VIEWS)]
        with tqdm(total=len(rows), desc="views", disable=None) as bar:
            told = lambda n: bar.update(n - bar.n)  # noqa: E731
            self.views = make_features(front, [(p, root) for p in labels], rows, 7, config, told)
        self.straight = straight_features(self.model, [(p, root) for p in labels])
        self.replayed: Features | None = None
        if replay is not None:
            old = [(p, replay.parent) for p in read_manifest(replay) if p.split in (None, "train")]
            self.replayed = make_features(
                front, old, [n for n in range(len(old)) for _ in range(2)], 8, config
            )

    def learnt(self, numbers: Sequence[int], seed: int) -> Model:
        """Return the live model after it has learnt from these photos (numbers of ``labels``)."""
        from dataclasses import replace

        import torch

        from model.tuner import tune_features

        rows = torch.tensor([n * VIEWS + view for n in numbers for view in range(VIEWS)])
        half = 8 if self.replayed is not None else 16
        steps = max(FEWEST_STEPS, -(-PASSES * len(numbers) // half))
        network = tune_features(self.model.condition, self.views.some(rows), self.replayed, steps, seed=seed)
        return replace(self.model, condition=network)

    def measured(self, model: Model, numbers: Sequence[int]) -> dict[str, float]:
        """Return the errors of a model on photos (numbers of ``labels``), looking straight at their faces."""
        import torch

        from model.embedding import probabilities

        found = probabilities(model, self.straight.some(torch.tensor(numbers)))
        return errors(found, truths([self.labels[n] for n in numbers]))

    def suspicions(self, model: Model, numbers: Sequence[int]) -> list[float]:
        """Return what ``data_tools.next_photos.suspected`` would make of a model's verdicts on photos."""
        import torch

        from model.dataset import HOUSING_KINDS, family_boxes

        boxes, kinds = family_boxes(torch.device("cpu")), model.card.calibration.kinds
        found = []
        for number in numbers:
            low, middle, near, targets = self.straight.take(torch.tensor([number]))
            parts, latch, valid = (box[targets.family] for box in boxes)
            with torch.inference_mode():
                out = model.condition.late(low, middle, near, parts, latch, valid)
            given = [
                kinds[kind].place_probability(float(row[n]))
                for row in out["housing"][0, valid[0, :-1]]
                for n, kind in enumerate(HOUSING_KINDS)
            ]
            if valid[0, -1]:
                given.append(kinds[FindingKind.MISSING_LATCH].place_probability(float(out["latch"][0, 0])))
            found.append(suspicion(given))
        return found


def compare_orders(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """For each order and size: is it with half the labels as good as random with all of them?

    The difference is paired by deal; its interval is Student's (95 %).
    """
    found = []
    sizes = sorted({(row["order"], row["labels"]) for row in rows if row["order"] in ("chosen", "renewed")})
    for order, labels in sizes:
        size = 2 * labels
        half = [(r["deal"], r["wrong"]) for r in rows if (r["order"], r["labels"]) == (order, labels)]
        full = {r["deal"]: r["wrong"] for r in rows if r["order"] == "random" and r["labels"] == size}
        pairs = np.array([wrong - full[number] for number, wrong in half if number in full])
        if len(pairs) < 2:
            continue
        mean, error = float(pairs.mean()), float(stats.sem(pairs))
        wide = float(stats.t.ppf(0.975, len(pairs) - 1)) * error
        found.append(
            {"order": order, "chosen_labels": labels, "random_labels": size, "deals": len(pairs),
             "more_wrong": mean, "low": mean - wide, "high": mean + wide}
        )  # fmt: skip
    return found


@click.command()
@click.argument("manifest", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.argument("out", type=click.Path(path_type=Path, file_okay=False))
@click.option("--model", "artefact", type=click.Path(path_type=Path, exists=True), help="Default: shipped.")
@click.option("--replay", type=click.Path(path_type=Path, exists=True), help="Rendered photos to replay.")
@click.option("--deals", type=int, default=5, show_default=True, help="How often couplers are dealt anew.")
@told_plainly()
def main(manifest: Path, out: Path, artefact: Path | None, replay: Path | None, deals: int) -> None:
    """Compare the proposed order of review with a random one on the labelled photos of MANIFEST."""
    labels = usable(read_manifest(manifest))
    if not labels:
        raise ManifestError("usable labelled photos", "none", "Check the manifest.")
    live = artefact or model_side.shipped_artefact()
    judged = judgements(live, labels, manifest.parent)
    bench = Bench(live, labels, manifest.parent, replay)
    rows: list[dict[str, Any]] = []
    with tqdm(total=deals * sum(map(len, SIZES.values())), desc="retrains", disable=None) as bar:
        for number in range(deals):
            for row in learnt_in_turn(bench, deal(labels, judged, number), number):
                rows.append(row)
                write(out, rows, len(labels))
                bar.update(row["labels"] > 0)
    click.echo((out / "review-order.json").read_text(encoding="utf-8"))


def learnt_in_turn(bench: Bench, dealt: Deal, number: int) -> Iterator[dict[str, Any]]:
    """Yield what the model has wrong before it learns, and after each size of each order."""
    number_of = {photo.file: n for n, photo in enumerate(bench.labels)}
    pool, test = ([number_of[photo.file] for photo in part] for part in (dealt.pool, dealt.test))

    def row(order: str, photos: Sequence[int], model: Model) -> dict[str, Any]:
        damaged = int(truths([dealt.pool[n] for n in photos]).any(1).sum())
        told = {"deal": number, "order": order, "labels": len(photos), "damaged": damaged}
        return told | bench.measured(model, test)

    yield row("none", [], bench.model)
    known = orders(dealt, number)
    for order, sizes in SIZES.items():
        for size in sizes:
            model = bench.learnt([pool[n] for n in known[order][:size]], number)
            if (order, size) == ("chosen", RENEWED_AT):
                known["renewed"] = proposed(dealt, bench.suspicions(model, pool), known[order][:size])
            yield row(order, known[order][:size], model)


def write(out: Path, rows: Sequence[dict[str, Any]], photos: int) -> None:
    """Write the report so far."""
    out.mkdir(parents=True, exist_ok=True)
    report = {"photos": photos, "half_the_labels": compare_orders(rows), "runs": list(rows)}
    (out / "review-order.json").write_text(json.dumps(report, indent=1), encoding="utf-8")


def judgements(artefact: Path, labels: Sequence[LabelledPhoto], root: Path) -> list[Judgement]:
    """Return what a model file says of each photo."""
    from model.predict import Classifier
    from model.scorebook import score_labelled

    return [scored.judgement for scored in score_labelled(Classifier.load(artefact), labels, root)]


if __name__ == "__main__":
    main()
