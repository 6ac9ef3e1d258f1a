"""The model file: what goes in comes out, and anything else is refused with a reason."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import torch
from safetensors import safe_open
from safetensors.torch import load_file, save_file

import model.artefact as artefact
from model.artefact import load_model, read_card, save_model
from model.compact import round_as_saved
from model.errors import ArtefactError

from .small_model import untrained


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    model = untrained()
    path = tmp_path_factory.mktemp("model") / "m.safetensors"
    save_model(path, model)
    return path


def test_weights_and_card_come_back(saved: Path) -> None:
    model, original = load_model(saved), untrained()
    round_as_saved(original.condition)
    assert model.card.version.startswith("2026-01-02-")
    assert read_card(saved) == model.card
    for key, value in original.condition.state_dict().items():
        assert torch.equal(model.condition.state_dict()[key], value), key


def test_a_second_network_comes_back_where_there_was_one(saved: Path, tmp_path: Path) -> None:
    model = untrained(second=True)
    assert model.second is not None
    save_model(tmp_path / "m.safetensors", model)
    back = load_model(tmp_path / "m.safetensors").second
    assert back is not None
    round_as_saved(model.second)
    for key, value in model.second.state_dict().items():
        assert torch.equal(back.state_dict()[key], value), key
    assert load_model(saved).second is None


def test_what_half_precision_cannot_hold_is_kept_whole(tmp_path: Path) -> None:
    model = untrained()
    variance = model.condition.pyramid.smooth[1].running_var
    variance[:2] = torch.tensor([70_000.0, 186_000.0])
    save_model(tmp_path / "m.safetensors", model)
    kept = load_model(tmp_path / "m.safetensors").condition.pyramid.smooth[1].running_var
    assert torch.equal(kept, variance)


def test_rounding_as_saved_gives_what_comes_back(tmp_path: Path) -> None:
    model = untrained()
    model.condition.pyramid.smooth[1].running_var[0] = 186_000.0
    save_model(tmp_path / "m.safetensors", model)
    round_as_saved(model.condition)
    back = load_model(tmp_path / "m.safetensors").condition.state_dict()
    for key, value in model.condition.state_dict().items():
        assert torch.equal(back[key], value), key


def test_no_shipped_weight_is_infinite() -> None:
    model = load_model()
    for network in (model.locator, model.condition):
        assert all(value.isfinite().all() for value in network.state_dict().values())


def test_the_same_weights_have_the_same_version(saved: Path, tmp_path: Path) -> None:
    model = load_model(saved)
    again = save_model(tmp_path / "again.safetensors", model)
    assert again.version == model.card.version


def test_the_file_fits_the_repository(saved: Path) -> None:
    assert saved.stat().st_size < 20_000_000


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ArtefactError, match="no file"):
        load_model(tmp_path / "none.safetensors")


@pytest.mark.parametrize("kept", [0, 10, 5000, 4_000_000])
def test_a_cut_file_is_refused(saved: Path, tmp_path: Path, kept: int) -> None:
    cut = tmp_path / "cut.safetensors"
    cut.write_bytes(saved.read_bytes()[:kept])
    with pytest.raises(ArtefactError):
        load_model(cut)


def test_one_changed_weight_is_refused(saved: Path, tmp_path: Path) -> None:
    data = bytearray(saved.read_bytes())
    data[-1000] ^= 0x40
    changed = tmp_path / "changed.safetensors"
    changed.write_bytes(data)
    with pytest.raises(ArtefactError, match="checksum"):
        load_model(changed)


def _with_record(saved: Path, path: Path, change: Callable[[dict[str, Any]], object]) -> Path:
    with safe_open(saved, framework="pt") as file:
        record = json.loads(file.metadata()["coupler_rounds"])
    changed = change(record)
    save_file(load_file(saved), path, metadata={"coupler_rounds": json.dumps(changed or record)})
    return path


def test_limits_changed_under_the_same_name_are_refused(saved: Path, tmp_path: Path) -> None:
    def clear_everything(record: dict[str, Any]) -> None:
        for kind in record["card"]["calibration"]["kinds"].values():
            kind.update(clear_below=1.0, flag_from=2.0)

    with pytest.raises(ArtefactError, match="do not match the version's name"):
        load_model(_with_record(saved, tmp_path / "m.safetensors", clear_everything))


@pytest.mark.parametrize(
    "change",
    [
        lambda record: record.pop("card"),
        lambda record: record["card"].update(more=1),
        lambda record: record["card"].update(calibration=[]),
        lambda record: [record],
    ],
)
def test_a_damaged_record_is_refused_in_words(
    saved: Path, tmp_path: Path, change: Callable[[dict[str, Any]], object]
) -> None:
    def damage(record: dict[str, Any]) -> object:
        changed = change(record)
        return changed if isinstance(changed, list) else None

    with pytest.raises(ArtefactError, match="damaged"):
        load_model(_with_record(saved, tmp_path / "m.safetensors", damage))


def test_a_strangers_file_is_refused(saved: Path, tmp_path: Path) -> None:
    stranger = tmp_path / "stranger.safetensors"
    save_file(load_file(saved), stranger)
    with pytest.raises(ArtefactError, match="record"):
        load_model(stranger)


@pytest.mark.parametrize("what", ["format", "geometry", "canonical_pixels", "close_pixels"])
def test_a_file_for_other_geometry_is_refused(
    saved: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    other = {**artefact.interface(), what: "another"}
    monkeypatch.setattr(artefact, "interface", lambda: other)
    with pytest.raises(ArtefactError, match=rf"for another {what}\. "):
        load_model(saved)
