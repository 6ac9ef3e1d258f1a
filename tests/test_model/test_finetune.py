"""Fine-tuning: bounded stretches, the same truth beside every view, and going on after a kill."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest
import torch

from model.artefact import Card, load_model, save_model
from model.checkpoint import load_checkpoint
from model.config import TrainConfig
from model.dataset import MAX_PLACES, USABLE, Targets, family_boxes, mirror_order
from model.errors import ManifestError
from model.features import (
    MAPPED,
    VIEW_BYTES,
    Features,
    early,
    frozen_front,
    kept_features,
    load_bank,
    make_features,
)
from model.finetune import CANDIDATE, CHECKPOINT, fine_tune
from model.geometry import CANONICAL_PIXELS, CLOSE_PIXELS
from model.manifest import read_manifest, write_manifest
from model.network import ConditionNet
from model.schedule import plan
from model.tuner import OLD, OWN, TAKEN, Tuner

from .drawn import write_drawn_set
from .small_model import awake, untrained

CONFIG = TrainConfig(bank_side=320)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_drawn_set(tmp_path_factory.mktemp("set"))


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("live") / "m.safetensors"
    model = untrained(second=True)
    save_model(path, replace(model, card=Card("both", model.card.calibration)))
    return path


@pytest.fixture(scope="module")
def live_one(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A live version of one condition network: half the work where a test looks at that one alone."""
    path = tmp_path_factory.mktemp("live_one") / "m.safetensors"
    save_model(path, untrained())
    return path


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_drawn_set(tmp_path_factory.mktemp("few"), 4)


def test_features_give_the_answers_that_the_whole_network_gives() -> None:
    """The folded early layers followed by the late ones are the network itself, but for half precision."""
    torch.manual_seed(1)
    network = ConditionNet(len(USABLE))
    views = torch.rand(2, 3, CANONICAL_PIXELS, CANONICAL_PIXELS)
    closes = torch.rand(2, MAX_PLACES + 1, 3, CLOSE_PIXELS, CLOSE_PIXELS)
    boxes = family_boxes(torch.device("cpu"))  # a photo of each family, in the order of their keys
    awake(network, views, closes, *boxes)
    front = frozen_front(network)
    truth = Targets(**dict.fromkeys(Targets.__annotations__, torch.arange(2)))
    with torch.no_grad():
        kept = early(front, views, closes, truth, boxes[2])
        short = network.late(*(map_.float() for map_ in kept), *boxes)
        whole = network(views, closes, *boxes)
        other = network(views, closes.flip(0), *boxes)
    assert (whole["photo"] - other["photo"]).abs().max() > 0.1, "the close-ups tell nothing here"
    assert {map_.dtype for map_ in kept} == {torch.float16}
    assert sum(map_[0].nbytes for map_ in kept) == VIEW_BYTES
    for name, value in whole.items():
        torch.testing.assert_close(short[name], value, rtol=0.02, atol=0.02)


def test_a_replay_without_photos_to_learn_from_is_refused(live: Path, drawn: Path, tmp_path: Path) -> None:
    photos = read_manifest(drawn)
    write_manifest(drawn.parent / "for_test.jsonl", [replace(photo, split="test") for photo in photos])
    with pytest.raises(ManifestError, match="split train to replay in for_test.jsonl"):
        fine_tune(live, drawn, tmp_path, replay=drawn.parent / "for_test.jsonl")
    assert not any(tmp_path.iterdir())


def test_mirrored_views_keep_mirrored_truths(drawn: Path) -> None:
    """Each view's truth is its photo's truth or the mirror image of it, and both occur."""
    photos = [(label, drawn.parent) for label in read_manifest(drawn)]
    rows = [row for row in range(len(photos)) for _ in range(2)]
    front = frozen_front(ConditionNet(len(USABLE)))
    features = make_features(front, photos, rows, 5, CONFIG)
    truth = load_bank(photos, CONFIG).targets
    order = mirror_order()
    plain = mirrored = 0
    for number, row in enumerate(rows):
        given, own = features.targets.housing[number], truth.housing[row]
        other = own[order[truth.family[row]]]
        assert torch.equal(given, own) or torch.equal(given, other)
        if not torch.equal(own, other):
            plain += torch.equal(given, own)
            mirrored += torch.equal(given, other)
    assert plain > 0
    assert mirrored > 0
    few = [make_features(front, photos, [3, 0], 5, CONFIG) for _ in range(2)]
    assert torch.equal(few[0].low, few[1].low)
    assert torch.equal(few[0].near, few[1].near)
    assert torch.equal(few[0].targets.housing, few[1].targets.housing)
    low, _, near, targets = features.take(torch.tensor([3, 0]))
    torch.testing.assert_close(low[0], features.low[3].float())
    torch.testing.assert_close(near[0], features.near[3].float())
    assert torch.equal(targets.housing[1], features.targets.housing[0])


CHILD = """
import sys
from pathlib import Path
from model import finetune, tuner
tuner.CHECKPOINT_EVERY = 2
live, manifest, out = map(Path, sys.argv[1:])
finetune.fine_tune(live, manifest, out, replay=manifest, steps=8, batch=4)
"""


class EnoughError(Exception):
    """Stops a run from its progress."""


def _weights(path: Path) -> dict[str, torch.Tensor]:
    return load_model(path).condition.state_dict()


def test_after_a_kill_nothing_is_half_written_and_the_work_goes_on(
    live: Path, few: Path, tmp_path: Path
) -> None:
    drawn = few
    command = [sys.executable, "-c", CHILD, str(live), str(drawn), str(tmp_path)]
    child = subprocess.Popen(command)
    try:
        deadline = time.monotonic() + 120
        while not (tmp_path / "condition" / CHECKPOINT).is_file():
            assert time.monotonic() < deadline
            assert child.poll() is None
            time.sleep(0.01)
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()
    assert not (tmp_path / CANDIDATE).exists()
    reached = torch.load(tmp_path / "condition" / CHECKPOINT, weights_only=True)
    assert 2 <= reached["done"] < 8
    assert load_checkpoint(tmp_path / "condition" / CHECKPOINT, reached["fingerprint"]) is not None
    assert load_checkpoint(tmp_path / "condition" / CHECKPOINT, "another run") is None
    told: list[int] = []
    path = fine_tune(
        live, drawn, tmp_path, replay=drawn, steps=8, batch=4, progress=lambda done, _: told.append(done)
    )
    assert told[0] >= reached["done"], "it began anew instead of going on"
    assert load_model(path).card.parent == load_model(live).card.version


def test_a_stopped_run_ends_with_the_weights_of_one_that_was_not(
    live_one: Path, few: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    live, drawn = live_one, few
    monkeypatch.setattr("model.tuner.CHECKPOINT_EVERY", 2)
    budget = 8 * VIEW_BYTES  # so small that the six steps take several stretches
    options = {"replay": drawn, "steps": 6, "batch": 4, "budget": budget}
    straight = _weights(fine_tune(live, drawn, tmp_path / "a", **options))  # type: ignore[arg-type]

    calls = 0

    def stop(_done: int, _total: int) -> None:
        nonlocal calls
        kept = tmp_path / "b" / "condition" / CHECKPOINT
        calls += kept.is_file() and torch.load(kept, weights_only=True)["done"] >= 4
        if calls:
            raise EnoughError

    with pytest.raises(EnoughError):
        fine_tune(live, drawn, tmp_path / "b", progress=stop, **options)  # type: ignore[arg-type]
    assert not (tmp_path / "b" / CANDIDATE).exists()
    told: list[int] = []
    path = fine_tune(live, drawn, tmp_path / "b", progress=lambda d, _: told.append(d), **options)  # type: ignore[arg-type]
    for key, value in _weights(path).items():
        torch.testing.assert_close(value, straight[key], rtol=1e-3, atol=1e-4)
    assert told[0] >= 4, "it began anew instead of going on"
    before = path.read_bytes()
    told.clear()
    assert fine_tune(live, drawn, tmp_path / "b", progress=lambda d, _: told.append(d), **options) == path  # type: ignore[arg-type]
    assert (path.read_bytes(), told) == (before, []), "a finished run is not done twice"


def test_other_photos_or_a_damaged_checkpoint_start_anew(live_one: Path, few: Path, tmp_path: Path) -> None:
    live, drawn = live_one, few
    first = fine_tune(live, drawn, tmp_path, steps=2, batch=4)
    version = load_model(first).card.version
    fine_tune(live, drawn, tmp_path, steps=2, batch=4, seed=1)
    assert load_model(first).card.version != version
    (tmp_path / "condition" / CHECKPOINT).write_bytes(b"cut off")
    fine_tune(live, drawn, tmp_path, steps=2, batch=4)
    assert load_model(first).card.version == version


def test_a_candidate_of_another_run_is_not_taken_for_the_one_that_was_killed(
    live_one: Path, few: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Killed between its last checkpoint and its candidate, a run must not hand out the earlier one."""
    live, drawn = live_one, few
    fine_tune(live, drawn, tmp_path, steps=2, batch=4)
    other = (tmp_path / CANDIDATE).read_bytes()
    with monkeypatch.context() as patch:
        patch.setattr("model.finetune._write", _killed)
        with pytest.raises(EnoughError):
            fine_tune(live, drawn, tmp_path, steps=2, batch=4, seed=1)
    assert fine_tune(live, drawn, tmp_path, steps=2, batch=4, seed=1).read_bytes() != other


def _killed(*_arguments: object) -> None:
    raise EnoughError


def test_features_are_taken_up_again_after_a_kill_and_gone_after_the_run(
    live_one: Path, few: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    live, drawn = live_one, few
    options = {"replay": few, "steps": 2, "batch": 4}
    with monkeypatch.context() as patch:
        patch.setattr("model.tuner.Tuner._step", _killed)
        with pytest.raises(EnoughError):
            fine_tune(live, drawn, tmp_path, **options)  # type: ignore[arg-type]
    assert (tmp_path / "condition" / OWN / "targets.pt").is_file()
    made: list[object] = []
    monkeypatch.setattr("model.tuner.make_features", lambda *_a: made.append(1))
    fine_tune(live, drawn, tmp_path, **options)  # type: ignore[arg-type]
    assert not made
    assert not (tmp_path / "condition" / OWN).exists()
    assert not (tmp_path / "condition" / OLD).exists()


def test_features_that_are_cut_off_or_of_another_stretch_are_made_again(tmp_path: Path) -> None:
    made: list[Path] = []
    path = write_drawn_set(tmp_path, 2)
    photos = [(label, tmp_path) for label in read_manifest(path)]
    front = frozen_front(ConditionNet(len(USABLE)))

    def make(folder: Path) -> Features:
        made.append(folder)
        return make_features(front, photos, [0, 1], 5, CONFIG, folder=folder)

    first = kept_features(tmp_path / "kept", "a 0", make)
    again = kept_features(tmp_path / "kept", "a 0", make)
    assert torch.equal(first.low, again.low)
    assert torch.equal(first.middle, again.middle)
    assert torch.equal(first.near, again.near)
    assert torch.equal(first.targets.photo, again.targets.photo)
    assert len(made) == 1
    kept_features(tmp_path / "kept", "a 1", make)
    for times, name in enumerate(MAPPED, 3):
        (tmp_path / "kept" / name).write_bytes(b"cut off")
        kept_features(tmp_path / "kept", "a 1", make)
        assert len(made) == times


def test_the_candidate_lies_between_the_live_and_the_learnt_weights() -> None:
    network = ConditionNet(len(USABLE))
    start = {name: value.clone() for name, value in network.state_dict().items()}
    tuner = Tuner(network, plan(10, 0, 2, 4), CONFIG, None, "")
    with torch.no_grad():
        for weight in tuner.averaged.network.parameters():
            weight.add_(2.0)
    result = tuner.result()
    moved = dict(result.named_parameters())
    for name, value in result.state_dict().items():
        torch.testing.assert_close(value, start[name] + 2.0 * TAKEN if name in moved else start[name])
    assert not result.training
