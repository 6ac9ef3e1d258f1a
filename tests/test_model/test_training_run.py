"""The whole recipe, tiny, on a CPU: train, assemble, evaluate, fine-tune, compare."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
import torch

from model.artefact import Card, load_model, save_model
from model.assemble import load_trained
from model.baseline import baseline_scores, train_baseline
from model.compare import compare
from model.config import TrainConfig
from model.dataset import USABLE, PhotoBank, family_boxes
from model.errors import ManifestError
from model.evaluate import evaluate_file
from model.finetune import fine_tune
from model.gate import SetName, Verdict
from model.geometry import CANONICAL_PIXELS, CLOSE_PIXELS
from model.losses import Council
from model.manifest import read_manifest, write_manifest
from model.model_card import model_card
from model.network import Backbone, ConditionNet
from model.train import continued_start, pretrained_start, train, train_condition, train_part

from .drawn import write_drawn_set
from .small_model import untrained

TINY = TrainConfig(locator_steps=2, condition_steps=2, locator_batch=4, condition_batch=4, bank_side=320)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_drawn_set(tmp_path_factory.mktemp("set"))


@pytest.fixture(scope="module")
def model_file(drawn: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("trained")
    train(TINY, drawn, folder, device=torch.device("cpu"), log=lambda line: None)
    trained = load_trained(folder)
    save_model(folder / "m.safetensors", replace(trained, card=Card("both", trained.card.calibration)))
    return folder / "m.safetensors"


def test_the_same_seed_gives_the_same_weights(drawn: Path, tmp_path: Path) -> None:
    for name in ("a", "b"):
        train(
            TINY,
            drawn,
            tmp_path / name,
            device=torch.device("cpu"),
            parts=("condition",),
            log=lambda line: None,
        )
    first, second = (torch.load(tmp_path / n / "condition.pt", weights_only=True) for n in ("a", "b"))
    for key, value in first.items():
        torch.testing.assert_close(value, second[key], rtol=1e-3, atol=1e-4)


def test_evaluation_counts_every_photo_and_writes_a_card(model_file: Path, drawn: Path) -> None:
    report = evaluate_file(model_file, drawn, split="train")
    assert report["photos"] == 12
    assert report["good_refused"]["n"] == 12
    assert json.loads(json.dumps(report)) == report
    card = model_card(report)
    assert report["model_version"] in card
    assert "never means safe" in card


def test_fine_tuning_changes_the_late_layers_only_and_keeps_the_live_file(
    model_file: Path, drawn: Path, tmp_path: Path
) -> None:
    before = model_file.read_bytes()
    told: list[tuple[int, int]] = []
    path = fine_tune(
        model_file,
        drawn,
        tmp_path,
        replay=drawn,
        steps=2,
        batch=4,
        progress=lambda done, total: told.append((done, total)),
    )
    assert model_file.read_bytes() == before
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    assert told[-1][0] == told[-1][1]
    live, candidate = load_model(model_file), load_model(path)
    assert candidate.card.parent == live.card.version
    assert candidate.card.version != live.card.version
    old, new = live.condition.state_dict(), candidate.condition.state_dict()
    changed = {key for key in old if not torch.equal(old[key], new[key])}
    assert any(key.startswith("detail.middle") for key in changed)
    assert not any(key.startswith(("backbone.low", "backbone.middle", "detail.low")) for key in changed)
    assert not any("running_" in key for key in changed)


def test_a_model_is_no_better_than_itself(model_file: Path, drawn: Path) -> None:
    result = compare(model_file, model_file, {SetName.HELD_OUT: drawn})
    assert result.verdict is Verdict.NO_BETTER
    assert result.worse == ()
    assert set(result.sets[SetName.HELD_OUT]) >= {"missing latch found", "intact photos called clear"}
    assert result.n == 12


def test_the_baseline_trains_on_the_same_bank(drawn: Path) -> None:
    bank = PhotoBank.load(read_manifest(drawn), drawn.parent, TINY, torch.device("cpu"))
    network = train_baseline(bank, TINY, lambda line: None)
    scores = baseline_scores(network, bank)
    assert scores.shape == (12, 3)
    assert ((scores >= 0) & (scores <= 1)).all()


def test_photos_held_out_for_ever_are_not_learnt(model_file: Path, drawn: Path, tmp_path: Path) -> None:
    labels = [replace(label, split="test") for label in read_manifest(drawn)]
    held = drawn.parent / "held.jsonl"
    write_manifest(held, labels)
    with pytest.raises(Exception, match="at least one labelled photo"):
        fine_tune(model_file, held, tmp_path, steps=1)


def test_of_the_frozen_test_only_the_test_split_counts(model_file: Path, drawn: Path) -> None:
    labels = read_manifest(drawn)
    mixed = drawn.parent / "mixed.jsonl"
    write_manifest(mixed, [replace(p, split="test" if n < 5 else "train") for n, p in enumerate(labels)])
    assert compare(model_file, model_file, {SetName.RENDERED: mixed}).n == 5


@pytest.mark.parametrize("part", [None, "condition", "second"])
def test_training_can_go_on_from_a_model_file(model_file: Path, part: str | None) -> None:
    network = ConditionNet(len(USABLE))
    continued_start(model_file, part)(network)
    known = load_model(model_file).networks[part or "condition"].state_dict()
    assert all(torch.equal(value, known[key]) for key, value in network.state_dict().items())


def test_a_model_without_a_second_network_has_none_to_go_on_with(tmp_path: Path) -> None:
    save_model(tmp_path / "m.safetensors", untrained())
    with pytest.raises(ManifestError, match="second"):
        continued_start(tmp_path / "m.safetensors", "second")


def test_a_teacher_draws_the_answer_towards_its_own(drawn: Path) -> None:
    """Taught by the truth alone and by the teacher alone, a network ends at different answers, and what heeds
    the teacher wholly comes closer to it."""
    bank = PhotoBank.load(read_manifest(drawn), drawn.parent, TINY, torch.device("cpu"))
    teacher = untrained(7).condition
    with torch.no_grad():
        teacher.whole[1].bias.fill_(9.0)
        teacher.mix.copy_(torch.tensor([[0.0, 1.0, 0.0]] * 3))
    answers = {}
    for heed in (0.0, 1.0):
        config = replace(TINY, heed=heed, condition_steps=6, ema=0.5)
        answers[heed] = train_condition(bank, config, lambda line: None, teacher=teacher)
    assert answers[1.0].whole[1].bias.sum() > answers[0.0].whole[1].bias.sum()


def test_a_council_answers_with_the_mean_of_its_members() -> None:
    members = [untrained(seed).condition.eval() for seed in (1, 2)]
    parts, latches, valid = (box[:1] for box in family_boxes(torch.device("cpu")))
    generator = torch.Generator().manual_seed(3)
    view = torch.rand((1, 3, CANONICAL_PIXELS, CANONICAL_PIXELS), generator=generator)
    closes = torch.rand((1, valid.shape[1], 3, CLOSE_PIXELS, CLOSE_PIXELS), generator=generator)
    with torch.inference_mode():
        said = Council(members)(view, closes, parts, latches, valid)
        apart = [member(view, closes, parts, latches, valid) for member in members]
    for name, answer in said.items():
        torch.testing.assert_close(answer, (apart[0][name] + apart[1][name]) / 2)
    assert not torch.equal(apart[0]["photo"], apart[1]["photo"])


@pytest.mark.parametrize("heed", [-0.1, 1.5])
def test_a_teacher_is_heeded_at_most_wholly(heed: float) -> None:
    with pytest.raises(ManifestError, match="0 to 1"):
        TrainConfig(heed=heed)


def test_a_network_of_another_name_is_not_trained(drawn: Path) -> None:
    bank = PhotoBank.load(read_manifest(drawn), drawn.parent, TINY, torch.device("cpu"))
    with pytest.raises(ManifestError, match="locator, condition, second"):
        train_part("third", bank, TINY, lambda line: None)


def test_a_pretrained_backbone_fills_the_one_for_the_view_and_the_one_for_close_ups(tmp_path: Path) -> None:
    known = Backbone().state_dict()
    torch.save(known, tmp_path / "backbone.pt")
    network = ConditionNet(len(USABLE))
    pretrained_start(tmp_path / "backbone.pt")(network)
    for own in (network.backbone.state_dict(), network.detail.state_dict()):
        assert all(torch.equal(value, known[key]) for key, value in own.items())
    assert not any(key.startswith("high") for key in network.detail.state_dict())
