"""Registry, frozen training sets, retraining, judging again: nothing is rewritten, one pointer moves."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import select

from data_tools import jobs, model_side, registry
from data_tools.conditions import replace_coupler
from data_tools.database.schema import VerdictRow
from data_tools.ingest import ingest
from data_tools.records import DecisionKind, TrueFinding
from data_tools.rescore import rescore
from data_tools.retrain import retrain, run_job
from data_tools.review import decide, queue, withdraw
from data_tools.sites import add_unit
from data_tools.training_set import HELD_OUT, HELD_OUT_SHARE, TRAIN, FrozenSet, freeze, is_held_out
from data_tools.verify import verify
from data_tools.workspace import Workspace, open_workspace
from model.errors import ArtefactError, BadRequestError, ConflictError, NotAllowedError, NotFoundError
from model.manifest import read_manifest
from model.photo import open_photo
from model.vocabulary import FindingKind, Place, Reason
from tests.test_data_tools.store_kit import (
    CLEAR,
    DARK,
    LEAD,
    MELTED,
    OTHER_TECHNICIAN,
    TECHNICIAN,
    THIRD_TECHNICIAN,
    UPLOADER,
    GreyJudge,
    furnished,
    upload,
)

NO_LATCH = TrueFinding(FindingKind.MISSING_LATCH, Place.LATCH)


@pytest.fixture
def versions(ws: Workspace, tmp_path: Path) -> list[Path]:
    """Two model files; their content is their version."""
    ws.load_judge = lambda path: GreyJudge(path.read_text() if path else "shipped")
    files = [tmp_path / "one.safetensors", tmp_path / "two.safetensors"]
    for number, file in enumerate(files, 1):
        file.write_text(f"grey-{number + 1}")
    return files


def _live(ws: Workspace) -> str:
    return registry.live_version(ws).version


def test_versions_are_kept_promoted_and_gone_back_from(ws: Workspace, versions: list[Path]) -> None:
    one, two = (
        registry.register(ws, LEAD, file, "fine-tuned", metrics={"n": 3}).version for file in versions
    )
    assert (_live(ws), ws.classifier().version) == (registry.SHIPPED, "shipped")
    registry.promote(ws, LEAD, one, "better")
    assert (_live(ws), ws.classifier().version) == ("grey-2", "grey-2")
    registry.promote(ws, LEAD, two, "better still")
    assert registry.go_back(ws, LEAD, "worse in rain").version == one
    assert registry.go_back(ws, LEAD, "worse in sun").version == registry.SHIPPED
    assert ws.classifier().version == "shipped"
    with pytest.raises(ConflictError, match="earlier version"):
        registry.go_back(ws, LEAD, "again")
    assert [v.version for v in registry.list_versions(ws, UPLOADER)] == [registry.SHIPPED, one, two]
    registry.promote(ws, LEAD, two, "after all")
    assert [v.live for v in registry.list_versions(ws, LEAD)] == [False, False, True]
    assert (ws.folder / registry.live_version(ws).path).read_text() == "grey-3"


def test_registering_twice_enters_once_and_another_file_of_the_same_name_is_refused(
    ws: Workspace, versions: list[Path]
) -> None:
    registry.register(ws, LEAD, versions[0], "first")
    registry.register(ws, LEAD, versions[0], "second")
    assert len(registry.list_versions(ws, LEAD)) == 2
    ws.load_judge = lambda _path: GreyJudge("grey-2")
    with pytest.raises(ConflictError, match="names another file"):
        registry.register(ws, LEAD, versions[1], "impostor")


def test_an_altered_or_missing_file_never_goes_live(ws: Workspace, versions: list[Path]) -> None:
    one, two = (registry.register(ws, LEAD, file, "x") for file in versions)
    (ws.folder / one.path).write_text("altered")
    (ws.folder / two.path).unlink()
    for version in (one.version, two.version):
        with pytest.raises(ArtefactError):
            registry.promote(ws, LEAD, version, "x")
    assert _live(ws) == registry.SHIPPED
    assert {p.kind for p in verify(ws, LEAD).problems} == {"model"}


def test_promoting_what_is_live_or_unknown_or_without_a_reason_is_refused(
    ws: Workspace, versions: list[Path]
) -> None:
    version = registry.register(ws, LEAD, versions[0], "x").version
    registry.promote(ws, LEAD, version, "x")
    with pytest.raises(ConflictError):
        registry.promote(ws, LEAD, version, "x")
    with pytest.raises(NotFoundError):
        registry.promote(ws, LEAD, "v9", "x")
    with pytest.raises(BadRequestError):
        registry.go_back(ws, LEAD, " ")
    with pytest.raises(NotAllowedError):
        registry.go_back(ws, TECHNICIAN, "x")


def _decided(ws: Workspace) -> dict[str, int]:
    """Send photos of many units and decide on some; return file name -> photo number."""
    for number in range(30):
        add_unit(ws, LEAD, "north", f"U{number:02}")
    greys = [MELTED if n % 2 else CLEAR for n in range(30)]
    ingest(ws, UPLOADER, [upload(f"U{n:02}.png", grey, n) for n, grey in enumerate(greys)], "north")
    ingest(ws, UPLOADER, [upload("P3-07_dark.png", DARK, 99)], "north")
    with ws.read() as session:
        rows = {row.photo_id: row.id for row in session.scalars(select(VerdictRow))}
    names = {}
    for photo_id, verdict_id in rows.items():
        names[photo_id] = verdict_id
        decide(ws, TECHNICIAN, photo_id, verdict_id, DecisionKind.CONFIRMED)
    return names


def test_the_same_decisions_freeze_to_the_same_bytes_and_the_originals_come_along(tmp_path: Path) -> None:
    ws = furnished(tmp_path, blind_audit_share=1.0)
    _decided(ws)
    first, second = freeze(ws, LEAD, tmp_path / "a"), freeze(ws, LEAD, tmp_path / "b")
    assert first.digest == second.digest
    assert first.manifest.read_bytes() == second.manifest.read_bytes()
    photos = read_manifest(first.manifest)
    assert len(photos) == 31
    assert [p.file for p in photos] == sorted(p.file for p in photos)
    for photo in photos:
        assert open_photo(first.manifest.parent / photo.file).sha256 == Path(photo.file).name
    refused = [p for p in photos if p.reason is not None]
    assert [(p.reason, p.findings, p.family) for p in refused] == [(Reason.TOO_DARK, (), "type1")]
    assert photos[0].attributes["confirmed_by"] == ["Tom"]
    assert photos[0].homography is not None
    assert freeze(ws, LEAD, tmp_path / "a").digest == first.digest
    assert list((tmp_path / "a").glob(".*")) == []
    ws.close()


def test_held_out_couplers_are_held_out_for_ever_and_about_one_in_five(tmp_path: Path) -> None:
    share = sum(is_held_out(f"north/U{n}/A/1") for n in range(5000)) / 5000
    assert abs(share - HELD_OUT_SHARE) < 5 * (0.2 * 0.8 / 5000) ** 0.5
    ws = furnished(tmp_path, blind_audit_share=1.0)
    _decided(ws)
    frozen = freeze(ws, LEAD)
    photos, held = read_manifest(frozen.manifest), read_manifest(frozen.held_out)
    assert {p.coupler for p in held} == {p.coupler for p in photos if p.split == HELD_OUT}
    assert not {p.coupler for p in held} & {p.coupler for p in photos if p.split == TRAIN}
    assert frozen.counts[TRAIN] + frozen.counts[HELD_OUT] == 31
    assert 1 <= len(held) <= 15
    ws.close()


def test_rules_for_conflicts_second_opinions_cannot_tell_and_replaced_couplers(ws: Workspace) -> None:
    greys = [MELTED] * 5
    ingest(ws, UPLOADER, [upload(f"P3-07_{n}.png", grey, n) for n, grey in enumerate(greys)], "north")
    conflict, settled, asked, cannot, taken_back = sorted(
        queue(ws, TECHNICIAN), key=lambda i: i.photo.file_name
    )

    def say(who: object, item: object, kind: DecisionKind, *findings: TrueFinding) -> int:
        return decide(ws, who, item.photo.id, item.verdict.id, kind, findings).id  # type: ignore[arg-type,attr-defined]

    for item in (conflict, settled):
        say(TECHNICIAN, item, DecisionKind.CONFIRMED)
        say(OTHER_TECHNICIAN, item, DecisionKind.CORRECTED)
    say(THIRD_TECHNICIAN, settled, DecisionKind.CORRECTED, NO_LATCH)
    say(TECHNICIAN, asked, DecisionKind.CONFIRMED)
    say(TECHNICIAN, asked, DecisionKind.SECOND_OPINION)
    say(TECHNICIAN, cannot, DecisionKind.CANNOT_TELL)
    withdraw(ws, TECHNICIAN, say(TECHNICIAN, taken_back, DecisionKind.CONFIRMED))
    frozen = freeze(ws, LEAD)
    (only,) = read_manifest(frozen.manifest)
    assert only.file == f"photos/{settled.photo.sha256}"
    assert [(f.kind, f.place) for f in only.findings] == [(FindingKind.MISSING_LATCH, Place.LATCH)]
    assert only.attributes["confirmed_by"] == ["Tess"]
    left_out = {name: count for name, count in frozen.counts.items() if name.startswith("left out")}
    assert left_out == {
        "left out: people differ": 1, "left out: second opinion awaited": 1, "left out: cannot tell": 1,
    }  # fmt: skip
    say(OTHER_TECHNICIAN, asked, DecisionKind.CONFIRMED)
    replace_coupler(ws, TECHNICIAN, "P3-07", "A", "PN-2", "melted")
    ingest(ws, UPLOADER, [upload("P3-07_new.png", MELTED, 77)], "north")
    say(TECHNICIAN, queue(ws, TECHNICIAN)[0], DecisionKind.CONFIRMED)
    say(
        TECHNICIAN,
        next(i for i in queue(ws, TECHNICIAN) if i.photo.file_name == "P3-07_new.png"),
        DecisionKind.CONFIRMED,
    )
    couplers = {p.coupler for p in read_manifest(freeze(ws, LEAD).manifest)}
    assert couplers == {"north/P3-07/A/1", "north/P3-07/A/2"}


def test_damage_that_was_called_clear_joins_the_never_regress_list(tmp_path: Path) -> None:
    ws = furnished(tmp_path, blind_audit_share=1.0)
    ingest(ws, UPLOADER, [upload("P3-07.png", CLEAR, 1), upload("P3-08.png", CLEAR, 2)], "north")
    first, second = queue(ws, TECHNICIAN)
    decide(ws, TECHNICIAN, first.photo.id, first.verdict.id, DecisionKind.CORRECTED, [NO_LATCH])
    decide(ws, TECHNICIAN, second.photo.id, second.verdict.id, DecisionKind.CONFIRMED)
    frozen = freeze(ws, LEAD)
    assert [p.file for p in read_manifest(frozen.never_regress)] == [f"photos/{first.photo.sha256}"]
    assert frozen.counts["never_regress"] == 1
    ws.close()


@dataclass(frozen=True)
class _Answer:
    promote: bool
    reason: str
    n: int


def _fake_training(monkeypatch: pytest.MonkeyPatch, answer: _Answer, calls: list[dict[str, object]]) -> None:
    def tune(live: Path, manifest: Path, out_dir: Path, **options: object) -> Path:
        calls.append({"live": live, "manifest": manifest, **options})
        options["progress"](1, 2)  # type: ignore[operator]
        out_dir.mkdir(parents=True, exist_ok=True)
        (out_dir / "candidate.safetensors").write_text("grey-9")
        return out_dir / "candidate.safetensors"

    def gate(candidate: Path, live: Path, manifests: list[Path]) -> _Answer:
        calls.append({"candidate": candidate, "live": live, "manifests": manifests})
        return answer

    monkeypatch.setattr(model_side, "fine_tune", tune)
    monkeypatch.setattr(model_side, "compare", gate)
    monkeypatch.setattr(model_side, "shipped_artefact", lambda: Path("shipped.safetensors"))


@pytest.fixture
def taught(tmp_path: Path) -> Iterator[Workspace]:
    workspace = furnished(tmp_path, blind_audit_share=1.0, min_confirmed_photos=10)
    workspace.load_judge = lambda path: GreyJudge(path.read_text() if path else "shipped")
    _decided(workspace)
    yield workspace
    workspace.close()


def test_retraining_promotes_what_is_not_worse(taught: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[dict[str, object]] = []
    _fake_training(monkeypatch, _Answer(True, "Promoted: fewer misses.", 7), calls)
    seen: list[tuple[float, str]] = []
    outcome = retrain(taught, LEAD, progress=lambda share, stage: seen.append((share, stage)))
    assert (outcome.promoted, outcome.candidate, outcome.reason) == (
        True,
        "grey-9",
        "Promoted: fewer misses.",
    )
    assert _live(taught) == taught.classifier().version == "grey-9"
    assert calls[0]["live"] == calls[1]["live"] == Path("shipped.safetensors")
    assert calls[1]["manifests"] == [outcome.training_set.held_out, outcome.training_set.never_regress]
    assert [stage for _, stage in seen] == [
        "freezing the training set",
        "learning",
        "comparing with the live version",
    ]
    version = registry.live_version(taught)
    assert version.metrics["compared_on"] == 7
    assert version.note == "Promoted: fewer misses."


def test_retraining_holds_what_is_worse_with_the_reason(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    _fake_training(monkeypatch, _Answer(False, "Held: it misses more melted housings.", 7), [])
    outcome = retrain(taught, LEAD)
    assert not outcome.promoted
    assert _live(taught) == registry.SHIPPED
    (held,) = [v for v in registry.list_versions(taught, LEAD) if v.version == "grey-9"]
    assert (held.status, held.note) == ("held", "Held: it misses more melted housings.")


def test_too_few_confirmed_photos_are_told(ws: Workspace) -> None:
    with pytest.raises(BadRequestError, match="at least 30 confirmed"):
        retrain(ws, LEAD)
    with pytest.raises(NotAllowedError):
        retrain(ws, TECHNICIAN)


def test_a_job_shows_its_progress_its_end_and_stops_when_asked(
    taught: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    _fake_training(monkeypatch, _Answer(True, "Promoted.", 7), [])
    job = jobs.open_job(taught, LEAD, "retrain")
    assert job.alive
    with pytest.raises(ConflictError, match="Lea"):
        jobs.open_job(taught, LEAD, "retrain")
    jobs.ask_stop(taught, LEAD, job.id)
    with pytest.raises(jobs.StopAskedError):
        run_job(taught, LEAD, job.id)
    stopped = jobs.latest_job(taught, UPLOADER)
    assert stopped is not None
    assert not stopped.alive
    assert "nothing has changed" in stopped.message
    assert _live(taught) == registry.SHIPPED
    run_job(taught, LEAD, jobs.open_job(taught, LEAD, "retrain").id)
    done = jobs.latest_job(taught, UPLOADER)
    assert done is not None
    assert (done.message, done.alive) == ("Promoted.", False)
    with pytest.raises(NotFoundError):
        jobs.ask_stop(taught, LEAD, 99)


def test_a_job_that_was_killed_counts_as_dead_after_a_minute(
    ws: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    jobs.open_job(ws, LEAD, "retrain")
    now = datetime.now(UTC)
    monkeypatch.setattr(jobs, "now_or", lambda _now: now + 2 * jobs.DEAD_AFTER)
    dead = jobs.latest_job(ws, LEAD)
    assert dead is not None
    assert not dead.alive
    assert jobs.open_job(ws, LEAD, "retrain").alive


def test_judging_again_adds_verdicts_and_changes_none(ws: Workspace) -> None:
    ingest(ws, UPLOADER, [upload("P3-07.png", MELTED, 1), upload("P3-08.png", CLEAR, 2)], "north")
    with ws.read() as session:
        before = [json.dumps(row.judgement, sort_keys=True) for row in session.scalars(select(VerdictRow))]
    newer = open_workspace(ws.settings, classifier=GreyJudge("grey-2"))
    assert rescore(newer, LEAD) == 2
    assert rescore(newer, LEAD) == 0
    with ws.read() as session:
        rows = list(session.scalars(select(VerdictRow).order_by(VerdictRow.id)))
    assert [json.dumps(row.judgement, sort_keys=True) for row in rows[:2]] == before
    assert [row.model_version for row in rows] == ["grey-1", "grey-1", "grey-2", "grey-2"]
    assert queue(ws, TECHNICIAN)[0].verdict.model_version == "grey-2"
    assert verify(ws, LEAD).ok
    newer.close()


def test_counts_say_what_is_in_the_set(taught: Workspace) -> None:
    frozen: FrozenSet = freeze(taught, LEAD)
    assert frozen.counts["intact"] == 15
    assert frozen.counts["heat-melted housing"] == 15
    assert frozen.counts["cannot judge: too_dark"] == 1
