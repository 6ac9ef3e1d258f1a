"""Kills whole retrains, promotions and re-scorings by SIGKILL and looks at what is left each time.

``python -m tests.test_data_tools.retrain_crashes KIND FOLDER KILLS SEED`` prints one line of JSON. KIND is
``quick`` (the networks replaced by a stand-in that takes the same steps on the disk) or ``real`` (drawn
photos, real networks). Kills come at random moments of the whole run and, by turns, right before or after a
flush, a rename or a commit. A run that was killed is started again; one that ended is followed by one with
another seed.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import select

from data_tools import jobs, model_side, registry
from data_tools.database.schema import ModelEventRow, VerdictRow
from data_tools.ingest import UploadSource, ingest
from data_tools.records import DecisionKind, TrueFinding
from data_tools.rescore import rescore
from data_tools.retrain import retrain
from data_tools.review import decide
from data_tools.settings import Settings
from data_tools.sites import add_site, add_unit
from data_tools.verify import verify
from data_tools.workspace import Workspace, init_workspace, open_workspace
from model.gate import Verdict
from model.judgement import Judgement, LocatedFace
from model.manifest import LabelledPhoto, read_manifest, write_manifest
from model.photo import Photo
from model.vocabulary import Outcome, Triage
from tests.test_data_tools.crash_runner import run_child
from tests.test_data_tools.retrain_kit import Answer
from tests.test_data_tools.store_kit import LEAD, TECHNICIAN, GreyJudge, settings_for
from tests.test_model.drawn import write_drawn_set

PHOTOS = 24
SLOWER_S, STEPS = 0.01, 6
"""How long a step of the stand-in takes, and how many it learns."""
MOST_WRITES = {"quick": 76, "real": 100}
"""About how many times a whole run flushes, renames or commits, before and after counted apart."""


class TruthJudge:
    """Knows each photo's truth, but calls every one clear: damage has to be corrected by a person."""

    version = "truth-1"
    decode_side = 640

    def __init__(self, labels: list[LabelledPhoto]) -> None:
        self._labels = iter(labels)

    def judge(self, _photo: Photo) -> Judgement:
        """Judge the next photo."""
        label = next(self._labels)
        assert label.family is not None
        assert label.homography is not None
        face = LocatedFace(label.family, 0.9, label.homography, dict.fromkeys(label.places, True))
        return Judgement(Outcome.SCORED, self.version, triage=Triage.CLEAR, face=face)

    def judge_many(self, photos: Iterator[Photo], batch: int = 16) -> Iterator[Judgement]:
        """Judge photos in order."""
        return map(self.judge, photos)


def furnish(folder: Path) -> None:
    """Make a workspace in which a person has decided on every one of ``PHOTOS`` drawn photos."""
    drawn = folder / "drawn"
    drawn.mkdir(parents=True)
    labels = read_manifest(write_drawn_set(drawn, PHOTOS))
    rendered = [replace(p, split="test" if n % 3 else "train") for n, p in enumerate(labels[:12])]
    write_manifest(drawn / "rendered.jsonl", rendered)
    ws = init_workspace(settings(folder), classifier=TruthJudge(labels))
    add_site(ws, LEAD, "north", "North yard")
    for number, label in enumerate(labels):
        assert label.family is not None
        add_unit(ws, LEAD, "north", f"U{number:02}", family=label.family)
    sources = [UploadSource(f"U{n:02}.png", (drawn / p.file).read_bytes()) for n, p in enumerate(labels)]
    for label, file in zip(labels, ingest(ws, LEAD, sources, "north").files, strict=True):
        assert file.photo is not None
        assert file.verdict is not None
        said = [TrueFinding(f.kind, f.place) for f in label.findings]
        decide(ws, TECHNICIAN, file.photo.id, file.verdict.id, DecisionKind.CORRECTED, said)
    ws.close()


def settings(folder: Path) -> Settings:
    """Settings of the workspace in ``folder``."""
    rendered = str(folder / "drawn" / "rendered.jsonl")
    return settings_for(
        folder, min_confirmed_photos=5, gate_manifest=rendered, replay_manifest=rendered, judge_batch=1
    )


def _gate(number: int) -> Answer:
    """What the gate says of that retrain: it alternates."""
    if number % 3 != 2:
        return Answer(Verdict.PROMOTE, "Promoted: a trial.", 7)
    return Answer(Verdict.WORSE, "Held: a trial.", 7)  # so that half of it is tried too


def use_real(folder: Path) -> None:
    """Real networks, small: a few steps; only the gate's answer is ours."""
    import torch

    from model import schedule, tuner
    from model.compare import compare
    from model.predict import Classifier

    torch.set_num_threads(1)
    schedule.FEWEST_STEPS, schedule.PASSES, tuner.CHECKPOINT_EVERY = 8, 1, 2
    model_side.shipped_artefact = lambda: folder / "live.safetensors"  # type: ignore[assignment]
    model_side.load_judge = lambda path: Classifier.load(path or folder / "live.safetensors")  # type: ignore[assignment,return-value]

    def gate(*arguments: Any, **options: Any) -> Answer:
        compare(*arguments, **options)
        return _gate(int((folder / "cycle").read_text()))

    model_side.compare = gate


def use_quick(folder: Path) -> None:
    """A stand-in for the networks: the same files in the same order, without the arithmetic."""

    # Loaded here, once: it takes longer than all else that a child does, and most kills would fall
    # into that.
    import model.serving  # noqa: F401
    from model.checkpoint import Checkpoint, load_checkpoint, save_checkpoint

    def tune(_live: Path, manifest: Path, out: Path, *, progress: Any, seed: int, **_options: Any) -> Path:
        name = f"{hashlib.sha256(manifest.read_bytes()).hexdigest()} {seed}"
        kept = load_checkpoint(out / "checkpoint.pt", name)
        if kept is None:
            (out / "candidate.safetensors").unlink(missing_ok=True)
        for step in range(kept.done if kept else 0, STEPS):
            time.sleep(SLOWER_S)
            save_checkpoint(out / "checkpoint.pt", Checkpoint(name, step + 1, 0, {}, {}, {}))
            progress(step + 1, STEPS)
        part = out / "candidate.part"
        part.write_text(f"grey-{seed + 10}")
        part.replace(out / "candidate.safetensors")
        return out / "candidate.safetensors"

    def between(_live: Path, candidate: Path, out: Path) -> Path:
        time.sleep(SLOWER_S)
        out.write_text(candidate.read_text() + "-half")
        return out

    def slowly(answer: Any) -> Callable[..., Any]:
        def work(*_arguments: Any, progress: Any = None, **_options: Any) -> Any:
            for step in range(5):
                time.sleep(SLOWER_S)
                progress(step + 1, 5)
            return answer()

        return work

    model_side.fine_tune = tune
    model_side.half_way = between
    model_side.check_labels = slowly(lambda: _Words())
    model_side.compare = slowly(lambda: _gate(int((folder / "cycle").read_text())))
    model_side.lower_limits = model_side.follow_limits = slowly(lambda: _Limits())
    model_side.shipped_artefact = lambda: folder / "live.safetensors"  # type: ignore[assignment]
    model_side.load_judge = lambda path: GreyJudge(path.read_text() if path else "shipped")  # type: ignore[assignment]


@dataclass(frozen=True)
class _Words:
    too_many: bool = False
    words: str = "No doubtful label."


@dataclass(frozen=True)
class _Limits:
    rows: tuple[object, ...] = ()
    artefact: Path | None = None


def whole(folder: Path, cycle: int) -> Callable[[Workspace, int], None]:
    """A child that retrains and judges again, and reports each stage as it enters it."""

    def work(ws: Workspace, pipe: int) -> None:
        ws.settings = settings(folder)
        ws.load_judge = model_side.load_judge
        seen = ""

        def tell(_share: float, stage: str) -> None:
            nonlocal seen
            if stage != seen:
                seen = stage
                os.write(pipe, f"{stage}\n".encode())

        jobs.DEAD_AFTER = timedelta(0)  # the one killed before this one counts as dead at once
        try:
            retrain(ws, LEAD, progress=tell, seed=cycle)
            tell(1.0, "judging again")
            rescore(ws, LEAD, progress=lambda _n, _name: time.sleep(SLOWER_S))
        except BaseException:
            traceback.print_exc()  # the child ends without a word
            raise

    return work


def faults_in(folder: Path) -> list[str]:
    """Return what is half done, lost or untrue in the workspace after a kill."""
    ws = open_workspace(settings(folder), classifier=GreyJudge())
    found = verify(ws, LEAD, repair=True, leftover_age_s=-1.0)
    faults = [f"{p.kind} {p.subject}: {p.message}" for p in found.problems if not p.repaired]
    faults += [f"left after repair: {p.kind}" for p in verify(ws, LEAD, leftover_age_s=-1.0).problems]
    live = registry.live_version(ws)
    if live.path and live.status != "live":
        faults.append(f"the live version is {live.status}")
    entered = [v for v in registry.list_versions(ws, LEAD) if v.status == "registered"]
    faults += [f"{v.version} was entered and neither promoted nor held" for v in entered]
    with ws.read() as session:
        verdicts = session.execute(select(VerdictRow.photo_id, VerdictRow.model_version)).all()
    if len(set(verdicts)) != len(verdicts):
        faults.append("a photo was judged twice by one version")
    for manifest in ws.training_sets.glob("*.jsonl"):
        digest = hashlib.sha256(manifest.read_bytes()).hexdigest()
        if "-" not in manifest.stem and not digest.startswith(manifest.stem):
            faults.append(f"the training set {manifest.name} is not what its name says")
    ws.close()
    return faults


def _next_cycle(folder: Path) -> str:
    """Start over from the shipped version; return what became of the last candidate."""
    ws = open_workspace(settings(folder), classifier=GreyJudge())
    with ws.read() as session:
        last = session.scalars(select(ModelEventRow).order_by(ModelEventRow.id.desc()).limit(1)).one()
        became = last.kind.value
    if registry.live_version(ws).path:
        registry.go_back(ws, LEAD, "the next trial")
    shutil.rmtree(ws.runs, ignore_errors=True)
    ws.close()
    return became


def crashes(kind: str, folder: Path, kills_wanted: int, seed: int) -> dict[str, object]:
    """Kill until ``kills_wanted`` hit; return by stage where they hit, what was wrong and what ended well."""
    furnish(folder)
    {"quick": use_quick, "real": use_real}[kind](folder)
    chance = random.Random(seed)
    cycle, faults, ends = 0, list[str](), list[str]()
    stages: Counter[str] = Counter()
    whole_s = 0.0
    while stages.total() < kills_wanted and not faults:
        (folder / "cycle").write_text(str(cycle))
        start = time.perf_counter()
        by_write = bool(ends) and (stages.total() + cycle) % 2 == 0
        kill_at = chance.randint(1, MOST_WRITES[kind]) if by_write else None
        after_s = chance.uniform(0, whole_s) if ends and not by_write else None
        reported, killed = run_child(folder, whole(folder, cycle), kill_at, after_s)
        if not killed:
            took = time.perf_counter() - start
            whole_s = min(whole_s, took) if ends else took
        faults += faults_in(folder)
        if killed:
            stages[(reported.decode().split("\n")[:-1] or ["starting"])[-1]] += 1
        else:
            ends.append(_next_cycle(folder))
            cycle += 1
    return {
        "kills": stages.total(),
        "stages": dict(stages),
        "faults": faults,
        "ends": ends,
        "whole_s": whole_s,
    }


if __name__ == "__main__":
    kind, where, kills, seed = sys.argv[1:]
    place = Path(where)
    if kind == "real":
        from model.artefact import Card, save_model
        from tests.test_model.small_model import untrained

        place.mkdir(parents=True, exist_ok=True)
        model = untrained(second=True)
        save_model(place / "live.safetensors", replace(model, card=Card("both", model.card.calibration)))
    print(json.dumps(crashes(kind, place, int(kills), int(seed))))
