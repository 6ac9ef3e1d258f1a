"""Stand-ins for the learning half of a retrain, and a store with decisions to learn from."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from data_tools import model_side
from data_tools.workspace import Workspace
from model.gate import SetName, Verdict
from tests.test_data_tools.store_kit import GreyJudge, decided, furnished


@dataclass(frozen=True)
class Answer:
    verdict: Verdict
    reason: str
    n: int
    notes: tuple[str, ...] = ("None of your held-out couplers shows missing latch yet.",)


@dataclass(frozen=True)
class Checked:
    too_many: bool
    words: str


@dataclass(frozen=True)
class Row:
    words: str


@dataclass(frozen=True)
class Limits:
    rows: tuple[Row, ...]
    artefact: Path | None


def fake_training(monkeypatch: pytest.MonkeyPatch, answer: Answer, calls: list[dict[str, object]]) -> None:
    def tune(live: Path, manifest: Path, out_dir: Path, **options: object) -> Path:
        calls.append({"live": live, "manifest": manifest, **options})
        options["progress"](1, 2)  # type: ignore[operator]
        out_dir.mkdir(parents=True, exist_ok=True)
        (out_dir / "candidate.safetensors").write_text("grey-9")
        return out_dir / "candidate.safetensors"

    def gate(candidate: Path, live: Path, sets: dict[SetName, Path], *, progress: object) -> Answer:
        calls.append({"live": live, "candidate": candidate.read_text(), "sets": sets})
        return answer

    def check(live: Path, manifest: Path, *, progress: object) -> Checked:
        return Checked(False, "No doubtful label among 31 photos.")

    def follow(candidate: Path, held_out: Path, out: Path, *, progress: object) -> Limits:
        return Limits((Row("heat melted housing: 3 of the 99 couplers needed; limit kept"),), None)

    def lower(live: Path, candidate: Path, unlearnt: Path, out: Path, *, progress: object) -> Limits:
        return Limits((), None)

    monkeypatch.setattr(model_side, "fine_tune", tune)
    monkeypatch.setattr(model_side, "lower_limits", lower)
    monkeypatch.setattr(model_side, "compare", gate)
    monkeypatch.setattr(model_side, "check_labels", check)
    monkeypatch.setattr(model_side, "follow_limits", follow)
    monkeypatch.setattr(model_side, "shipped_artefact", lambda: Path("shipped.safetensors"))


def taught_workspace(folder: Path) -> Iterator[Workspace]:
    """Yield a store whose decisions suffice for a retrain; the names of model files are what is in them."""
    workspace = furnished(folder, blind_audit_share=1.0, min_confirmed_photos=10)
    workspace.load_judge = lambda path: GreyJudge(path.read_text() if path else "shipped")
    decided(workspace)
    yield workspace
    workspace.close()
