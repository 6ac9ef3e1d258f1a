"""Describe a produced set: a data card in Markdown and contact sheets for each label and severity.

``python -m data_tools.rendering.data_card --set DIR --out DIR``
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

import click
import cv2
import numpy as np
from numpy.typing import NDArray

from data_tools.rendering import local_make
from data_tools.rendering.produce import MANIFEST
from model.errors import told_plainly
from model.families import family
from model.geometry import project
from model.manifest import LabelledPhoto, read_manifest
from model.vocabulary import FindingKind, Label, Place, summary_label

Pixels = NDArray[np.uint8]
SEVERITIES: tuple[tuple[str, float, float], ...] = (
    ("slight", 0.0, 0.34),
    ("middle", 0.34, 0.67),
    ("gross", 0.67, 1.01),
)
TILE = 240
VISIBLE = 0.02
"""A damage counts as shown when at least this share of its place differs (see ground_truth)."""

NOT_COVERED = (
    "Couplers of real makers: every shape, colour and detail is invented within the family table's"
    " tolerances, which were measured from open drawings (+-0.5 mm) and not read from the standard.",
    "Latches whose hook stands more than 8 mm behind the nose's lip, or lower than 2 mm above it.",
    "Families other than Type 1 and Type 2; the direct-current contacts of combined couplers are shown"
    " only as something else than a coupler face.",
    "Real people, vehicles, places, logos and lettering.",
    "Motion of the coupler, rolling-shutter skew, several exposures merged into one, portrait-mode blur.",
    "Snow cover and thick ice; liquid water is drops and wet surfaces, not films or splashes.",
    "Damage to cable, cord grip and the housing behind the nose; worn or missing contacts and corrosion as"
    " labels.",
)
ASSETS = (
    (
        "Geometry, colours, painted surroundings, hands, props",
        "made by this generator from seeds",
        "own work",
    ),
    (
        "Panoramas of the environment folder, where one was given",
        "their own files",
        "as stated by their source",
    ),
)


def shown_kinds(photo: LabelledPhoto) -> frozenset[FindingKind]:
    """Return the kinds of damage that can be seen in the photo."""
    return frozenset(finding.kind for finding in photo.findings if finding.visible >= VISIBLE)


def write_data_card(set_dir: Path, out_dir: Path) -> Path:
    """Write ``data-card.md`` and the contact sheets of the set into ``out_dir``; return the card's path.

    Raises:
        ManifestError: no readable manifest in ``set_dir``.
    """
    photos = read_manifest(set_dir / MANIFEST)
    out_dir.mkdir(parents=True, exist_ok=True)
    sheets = contact_sheets(photos, set_dir, out_dir)
    path = out_dir / "data-card.md"
    path.write_text("\n".join(_card(photos, sheets)) + "\n", encoding="utf-8")
    return path


def _card(photos: Sequence[LabelledPhoto], sheets: Sequence[Path]) -> list[str]:
    faces = [photo for photo in photos if photo.family]
    usable = [photo for photo in faces if photo.reason is None]
    versions = sorted({f"{p.attributes.get('generator')} (seed {p.attributes.get('seed')})" for p in photos})
    couplers = len({photo.coupler for photo in faces})
    lines = [
        "# Data card: rendered photos of couplers",
        "",
        f"{len(photos)} photos, {len(faces)} of them of {couplers} distinct couplers; {len(usable)} usable."
        f" Generator version {', '.join(versions)}. All rendered; none is a real photo.",
    ]
    lines += ["", "## What is in it", ""]
    lines += _table("label of what can be seen (usable photos)", _counts(_label(p) for p in usable))
    lines += _table("family", _counts(str(p.family) for p in photos))
    lines += _table("reason why a photo cannot be judged", _counts(str(p.reason) for p in photos if p.reason))
    for name in ("domain", "style", "light", "cover", "codec", "curve"):
        lines += _table(name, _counts(str(p.attributes.get(name)) for p in photos))
    lines += _table("confounders", _counts(c for p in usable for c in p.attributes.get("confounders", [])))
    lines += _damage_table(usable)
    lines += _quantile_table(faces)
    shown = {str(photo.attributes.get("domain")) for photo in photos}
    for domain in local_make.TRAITS:
        if domain in shown:
            lines += ["", f"## What the domain {domain} shows and training never does", ""]
            lines += [f"- {trait}" for trait in local_make.TRAITS[domain]]
    lines += ["", "## From which assets", "", "| what | source | licence |", "| --- | --- | --- |"]
    lines += [f"| {what} | {source} | {licence} |" for what, source, licence in ASSETS]
    lines += ["", "## What it does not cover", "", *(f"- {item}" for item in NOT_COVERED)]
    lines += ["", "## Contact sheets", "", *(f"- [{path.stem}]({path.name})" for path in sheets)]
    return lines


def _label(photo: LabelledPhoto) -> str:
    return str(summary_label(shown_kinds(photo)))


def _counts(words: Iterable[str]) -> list[tuple[str, int]]:
    return Counter(words).most_common()


def _table(title: str, rows: Sequence[tuple[str, int]]) -> list[str]:
    return ["", f"| {title} | photos |", "| --- | --- |", *(f"| {word} | {count} |" for word, count in rows)]


def _damage_table(photos: Sequence[LabelledPhoto]) -> list[str]:
    lines = [
        "",
        "| damage | severity | places | not visible | median visible share |",
        "| --- | --- | --- | --- | --- |",
    ]
    for kind in FindingKind:
        for name, low, high in SEVERITIES:
            shares = [
                f.visible for p in photos for f in p.findings if f.kind is kind and low <= f.severity < high
            ]
            if shares:
                hidden = sum(share < VISIBLE for share in shares)
                lines.append(f"| {kind} | {name} | {len(shares)} | {hidden} | {np.median(shares):.2f} |")
    return lines


def _quantile_table(photos: Sequence[LabelledPhoto]) -> list[str]:
    lines = ["", "| measure | 5 % | 25 % | 50 % | 75 % | 95 % |", "| --- | --- | --- | --- | --- | --- |"]
    for name in (
        "px_per_mm",
        "distance_mm",
        "tilt_deg",
        "roll_deg",
        "blur_sd_mm",
        "noise",
        "width",
        "height",
    ):
        values = [p.attributes[name] for p in photos if name in p.attributes]
        if values:
            quantiles = np.quantile(values, [0.05, 0.25, 0.5, 0.75, 0.95])
            lines.append(f"| {name} | " + " | ".join(f"{value:.3g}" for value in quantiles) + " |")
    return lines


def contact_sheets(
    photos: Sequence[LabelledPhoto], set_dir: Path, out_dir: Path, columns: int = 8, rows: int = 3
) -> list[Path]:
    """Write one sheet a label and severity (and one of intact couplers); return their paths.

    Each tile is the face brought upright to the canonical view, the damaged place ringed.
    """
    usable = [photo for photo in photos if photo.family and photo.reason is None]
    groups: dict[str, list[tuple[LabelledPhoto, Place | None]]] = {
        Label.INTACT.replace(" ", "-"): [(p, None) for p in usable if not p.findings]
    }
    for kind in FindingKind:
        for name, low, high in SEVERITIES:
            groups[f"{kind.replace('_', '-')}-{name}"] = [
                (p, f.place)
                for p in usable
                for f in p.findings[:1]
                if f.kind is kind and low <= f.severity < high and f.visible >= VISIBLE
            ]
    return [
        _sheet(name, chosen, set_dir, out_dir, columns, rows) for name, chosen in groups.items() if chosen
    ]


def _sheet(
    name: str,
    chosen: Sequence[tuple[LabelledPhoto, Place | None]],
    set_dir: Path,
    out_dir: Path,
    columns: int,
    rows: int,
) -> Path:
    order = np.random.default_rng(0).permutation(len(chosen))[: columns * rows]
    tiles = [_tile(*chosen[int(index)], set_dir) for index in order]
    blank = np.full((TILE, TILE, 3), 255, np.uint8)
    tiles += [blank] * (-len(tiles) % columns)
    sheet = np.vstack([np.hstack(tiles[i : i + columns]) for i in range(0, len(tiles), columns)])
    path = out_dir / f"sheet-{name}.jpg"
    cv2.imwrite(str(path), sheet, [cv2.IMWRITE_JPEG_QUALITY, 88])
    return path


def _tile(photo: LabelledPhoto, place: Place | None, set_dir: Path) -> Pixels:
    picture = cv2.imread(str(set_dir / photo.file), cv2.IMREAD_COLOR)
    if picture is None or photo.homography is None or photo.family is None:
        return np.full((TILE, TILE, 3), 255, np.uint8)
    shape = family(photo.family)
    corners = shape.canonical_view.corners()
    source = project(np.array(photo.homography).reshape(3, 3), corners).astype(np.float32)
    target = np.array([[0, 0], [TILE, 0], [TILE, TILE], [0, TILE]], np.float32)
    matrix = cv2.getPerspectiveTransform(source, target)
    tile = cv2.warpPerspective(picture, matrix, (TILE, TILE), flags=cv2.INTER_AREA)
    for contact in shape.contacts:
        if contact.place is place:
            view = shape.canonical_view
            scale = TILE / (view.right - view.left)
            centre = (round((contact.x - view.left) * scale), round((view.top - contact.y) * scale))
            cv2.circle(
                tile, centre, round(contact.sleeve_diameter * 0.8 * scale), (60, 220, 255), 1, cv2.LINE_AA
            )
    return np.asarray(tile, np.uint8)


@click.command()
@click.option(
    "--set", "set_dir", type=click.Path(path_type=Path, exists=True, file_okay=False), required=True
)
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), required=True)
@told_plainly()
def main(set_dir: Path, out: Path) -> None:
    """Write the data card and contact sheets of a produced set."""
    click.echo(write_data_card(set_dir, out))


if __name__ == "__main__":
    main()
