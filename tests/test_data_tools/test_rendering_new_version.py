"""One command for a new version: what it starts, on which cores and GPUs, and in which order."""

from __future__ import annotations

import json
import threading
from collections.abc import Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner

pytest.importorskip("skimage")

from data_tools.rendering.course import Course
from data_tools.rendering.domains import Domain
from data_tools.rendering.errand import Errands
from data_tools.rendering.ledger import MANIFEST
from data_tools.rendering.measure_sets import MeasureSet, deal
from data_tools.rendering.new_version import main, merged, new_version
from data_tools.rendering.train_along import held_back
from data_tools.studios.commission import STUDIOS
from model.assemble import load_trained
from model.errors import ManifestError
from model.manifest import read_manifest
from tests.test_model.drawn import write_drawn_set

pytestmark = pytest.mark.render
SETS = [MeasureSet.parse(text) for text in ("test=30@7", "calibration=20@8", "stress=10@9/stress")]


class Noted(Errands):
    """Writes down what would be started."""

    def __init__(self, folder: Path, cores: int) -> None:
        super().__init__(folder, cores, 2, 3, lambda _line: None)
        self.started: dict[str, dict[str, object]] = {}
        self.order: list[str] = []
        self._one = threading.Lock()

    def do(
        self, name: str, module: str, options: Sequence[object], *, gpu: int | None = None, cores: str = ""
    ) -> bool:
        with self._one:
            words = " ".join(map(str, options))
            self.started[name] = {"module": module, "words": words, "gpu": gpu, "cores": cores}
            self.order.append(name)
        return True


def noted(tmp_path: Path, cores: int, gpus: int) -> Noted:
    errands = Noted(tmp_path / "logs", cores)
    new_version(Course(tmp_path, SETS, seed=40, pretrained=tmp_path / "backbone.pt"), errands, gpus)
    return errands


def test_a_set_is_named_with_count_seed_and_world() -> None:
    assert MeasureSet.parse("stress=10@9/stress") == MeasureSet("stress", 10, 9, Domain.STRESS)
    for wrong in ("test", "test=30", "test=a@3", "test=3@3/moon"):
        with pytest.raises(ManifestError, match="NAME=COUNT@SEED"):
            MeasureSet.parse(wrong)


def test_every_set_is_rendered_once_and_scored_by_both_versions(tmp_path: Path) -> None:
    errands = noted(tmp_path, 32, 2)
    wanted = {"condition", "second", "baseline", "assemble", "half", "assemble-half"}
    wanted |= {f"{name}_{lane}" for name in ("train", *STUDIOS) for lane in (0, 1)}
    for s in SETS:
        wanted |= {s.name, *(f"{who}-{s.name}" for who in ("before", "new", "half", "baseline"))}
    assert set(errands.order) == wanted
    assert len(errands.order) == len(wanted)
    assert errands.order[-1] == "assemble-half" or errands.order[-1].startswith("baseline")
    assert errands.order.index("assemble") < errands.order.index("half")
    for s in SETS:
        assert errands.order.index(s.name) < errands.order.index(f"before-{s.name}")
        assert errands.order.index("second") < errands.order.index(f"new-{s.name}")


def test_networks_learn_when_the_sets_are_rendered_and_take_in_all_there_is(tmp_path: Path) -> None:
    errands = noted(tmp_path, 32, 2)
    for part in ("condition", "second"):
        for s in SETS:
            assert errands.order.index(s.name) < errands.order.index(part)
        assert errands.order.index(part) < errands.order.index("baseline")
        assert "--least 40000 --room 40000" in str(errands.started[part]["words"])


def test_the_plain_network_learns_beside_the_others_where_a_gpu_is_left_for_it(tmp_path: Path) -> None:
    errands = noted(tmp_path, 64, 4)
    gpus = [errands.started[part]["gpu"] for part in ("condition", "second", "baseline")]
    assert gpus == [0, 1, 3]
    for s in SETS:
        assert errands.order.index(f"train_{gpus[2]}") < errands.order.index("baseline")
        assert errands.order.index("condition") < errands.order.index(f"new-{s.name}")


def test_sets_are_dealt_so_that_all_gpus_are_done_at_about_the_same_time() -> None:
    sets = [MeasureSet(name, count, 1) for name, count in
            (("a", 1100), ("b", 1900), ("c", 1500), ("test", 3150), ("calibration", 3000))]  # fmt: skip
    hands = [[m.name for m in hand] for hand in deal(sets, 2)]
    assert hands[0][0] == "calibration"
    assert hands[1][0] == "test"
    assert sorted(name for hand in hands for name in hand) == ["a", "b", "c", "calibration", "test"]
    counts = [sum(m.count for m in hand) for hand in deal(sets, 2)]
    assert abs(counts[0] - counts[1]) < 1100


def test_what_is_learnt_from_is_never_what_is_measured_on(tmp_path: Path) -> None:
    errands = noted(tmp_path, 32, 2)
    seeds = {name: str(row["words"]).split("--seed ")[1].split()[0]
             for name, row in errands.started.items()
             if "--seed" in str(row["words"]) and name.split("_")[0] not in STUDIOS}  # fmt: skip
    assert len(set(seeds.values())) == len(seeds) == 5
    assert "--split calibration" in str(errands.started["calibration"]["words"])
    assert "--split test" in str(errands.started["test"]["words"])
    assert "--domain stress" in str(errands.started["stress"]["words"])


def test_part_of_what_is_learnt_from_is_by_other_hands(tmp_path: Path) -> None:
    errands = noted(tmp_path, 32, 2)
    for lane in (0, 1):
        words = [str(errands.started[f"{name}_{lane}"]["words"]) for name in ("train", *STUDIOS)]
        seconds = [float(line.split("--max-seconds ")[1].split()[0]) for line in words]
        assert sum(seconds) == pytest.approx(480, abs=2)
        assert max(seconds[1:]) - min(seconds[1:]) < 0.5
        assert seconds[0] == pytest.approx(240, abs=2)
    folders = [f"{name}_{lane}" for name in ("train", *STUDIOS) for lane in (0, 1)]
    assert all(str(tmp_path / name) in str(errands.started["condition"]["words"]) for name in folders)
    alone = Noted(tmp_path / "logs", 32)
    new_version(Course(tmp_path, SETS, seed=40, studio_share=0.0), alone, 1)
    assert not {name for name in alone.order if name.split("_")[0] in STUDIOS}


def test_whoever_follows_a_set_that_failed_is_not_left_waiting(tmp_path: Path) -> None:
    class Failing(Noted):
        def do(self, name: str, *rest: object, **more: object) -> bool:
            (tmp_path / name).mkdir(exist_ok=True)
            return name != f"{STUDIOS[0]}_0"

    new_version(Course(tmp_path, SETS, seed=40), Failing(tmp_path / "logs", 2), 1)
    assert (tmp_path / f"{STUDIOS[0]}_0" / MANIFEST).read_text() == ""
    assert not (tmp_path / f"{STUDIOS[1]}_0" / MANIFEST).exists()


def test_what_is_learnt_from_may_not_be_measured_on(tmp_path: Path) -> None:
    errands = Noted(tmp_path / "logs", 32)
    course = Course(tmp_path, [*SETS, MeasureSet.parse("other=5@41")], seed=40)
    with pytest.raises(ManifestError, match="other of seed 41"):
        new_version(course, errands, 2)
    with pytest.raises(ManifestError, match="different names"):
        new_version(Course(tmp_path, [*SETS, SETS[0]], seed=40), errands, 2)
    assert not errands.order


def test_trainings_have_cores_that_nobody_else_may_use(tmp_path: Path) -> None:
    errands = noted(tmp_path, 32, 2)
    own = {str(errands.started[part]["cores"]) for part in ("condition", "second")}
    assert own == {"29-31", "26-28"}
    others = {
        str(errands.started[name]["cores"]) for name in ("train_0", "train_1", "before-test", "baseline")
    }
    assert others == {"0-12", "13-25", "0-25"}
    assert {errands.started[part]["gpu"] for part in ("condition", "second")} == {0, 1}
    assert errands.started["new-test"]["gpu"] is None
    assert "--device cpu" in str(errands.started["new-test"]["words"])


def test_at_the_end_every_set_is_scored_on_cores_of_its_own(tmp_path: Path) -> None:
    errands = noted(tmp_path, 32, 2)
    used: list[int] = []
    for s in SETS:
        row = errands.started[f"new-{s.name}"]
        first, last = map(int, str(row["cores"]).split("-"))
        assert str(row["words"]).endswith(f"--threads {last - first + 1}")
        used += range(first, last + 1)
    assert sorted(used) == list(range(32))
    assert [threads for threads, _ in errands.deal_cores([4500, 3150, 10])] == [18, 13, 1]


def test_a_small_machine_shares_its_cores(tmp_path: Path) -> None:
    errands = noted(tmp_path, 2, 0)
    assert {row["cores"] for row in errands.started.values()} == {""}
    assert {row["gpu"] for row in errands.started.values()} <= {None, 0}


def test_several_sets_are_one_manifest_split_by_coupler(tmp_path: Path) -> None:
    for number, name in enumerate(("train_0", "train_1")):
        (tmp_path / name).mkdir()
        write_drawn_set(tmp_path / name, seed=number)
    labels = read_manifest(merged([tmp_path / "train_0", tmp_path / "train_1"], tmp_path / "all.jsonl"))
    assert {label.file.split("/")[0] for label in labels} == {"train_0", "train_1"}
    assert all((tmp_path / label.file).is_file() for label in labels)
    assert all((label.split == "calibration") == held_back(label) for label in labels)


def test_a_program_that_fails_is_named_and_the_others_go_on(tmp_path: Path) -> None:
    told: list[str] = []
    errands = Errands(tmp_path / "logs", 2, 2, 3, told.append)
    assert not errands.do("wrong", "no.such.module", [])
    assert errands.do("right", "this", [], gpu=3)
    assert errands.failed == ["wrong"]
    assert "No module named" in (tmp_path / "logs" / "wrong.txt").read_text()
    assert [line.split(" s ")[1] for line in told] == ["wrong FAILED", "right done"]


def test_a_calibration_set_is_asked_for(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, [str(tmp_path / "out"), "--measure", "test=4@3"])
    assert result.exit_code == 1
    assert result.output.startswith("Wanted a set called calibration")


@pytest.mark.slow
def test_a_new_version_is_made_on_a_cpu(tmp_path: Path) -> None:
    """All but the limits, for which so few photos cannot be enough."""
    small = ["--scale", "0.4", "--samples", "2", "--photos", "16", "--learn-seconds", "20"]
    learn = ["--set", "condition_batch=2", "--set", "bank_side=320"]
    sets = ["--measure", "calibration=6@71", "--measure", "test=6@72"]
    result = CliRunner().invoke(main, [str(tmp_path), *sets, *small, *learn, "--render-seconds", "60"])
    assert "Not all was done: assemble, assemble-half." in result.output, result.output
    assert json.loads((tmp_path / "run" / "training.json").read_text())["trained_on"] > 4
    for part in ("locator", "condition", "second"):
        assert (tmp_path / "run" / f"{part}.pt").is_file()
    for when in ("before", "new", "half"):
        assert (tmp_path / "books" / f"{when}-test.jsonl.gz").stat().st_size > 500
    assert load_trained(tmp_path / "run").networks.keys() == {"locator", "condition", "second"}
