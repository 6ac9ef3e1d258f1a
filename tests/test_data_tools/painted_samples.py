"""A labelled set of painted photos, laid out like the rendered one, for tests of what reads such a set."""

from pathlib import Path

from model.manifest import LabelledFinding, LabelledPhoto, write_manifest
from model.vocabulary import FindingKind, Place, Reason
from tests.test_data_tools.paint_judge import painted

_KINDS = {
    "red": (FindingKind.HEAT_MELTED_HOUSING, Place.UPPER_LEFT),
    "blue": (FindingKind.BROKEN_PIN_HOUSING, Place.LOWER_RIGHT),
    "yellow": (FindingKind.MISSING_LATCH, Place.LATCH),
}


def make(folder: Path, intact: int = 8, damaged: int = 3, photos: int = 2) -> Path:
    """Write the set into ``folder`` and return it."""
    folder.mkdir(parents=True, exist_ok=True)
    rows: list[LabelledPhoto] = []

    def add(coupler: str, colour: str, family: str | None, reason: Reason | None = None) -> None:
        findings = (LabelledFinding(*_KINDS[colour]),) if colour in _KINDS else ()
        for number in range(photos):
            name = f"{coupler}-{number}.jpg"
            (folder / name).write_bytes(painted(colour, seed=len(rows)))
            rows.append(LabelledPhoto(name, coupler, family, findings, reason))

    for number in range(intact):
        add(f"intact-{number}", "green", "type1")
        add(f"two-{number}", "green", "type2")
    for colour in _KINDS:
        for number in range(damaged):
            add(f"{colour}-{number}", colour, "type1")
    add("dark", "black", "type1", Reason.TOO_DARK)
    add("inlet", "black", None, Reason.NO_FACE)
    write_manifest(folder / "manifest.jsonl", rows)
    return folder
