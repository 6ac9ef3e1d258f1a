"""The main job on files as phones write them: every orientation, HEIC, twelve megapixels, through the CLI."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pillow_heif
import pytest
from click.testing import CliRunner
from PIL import Image

from data_tools.cli import main
from model.manifest import read_manifest
from model.vocabulary import FindingKind, Outcome

SAMPLES = Path(__file__).parents[2] / "synthetic_samples" / "manifest.jsonl"
# EXIF 2.3, tag 274: what a viewer must do to show the stored pixels upright, and so, backwards, how a phone
# held that way stores them.
STORED = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


def clear_melt() -> Image.Image:
    """A sample with a gross, fully visible melted housing, enlarged to twelve megapixels."""
    photo = max(
        (p for p in read_manifest(SAMPLES) if p.reason is None and p.family),
        key=lambda p: sum(f.visible for f in p.findings if f.kind is FindingKind.HEAT_MELTED_HOUSING),
    )
    with Image.open(SAMPLES.parent / photo.file) as image:
        scale = 4000 / max(image.size)
        return image.convert("RGB").resize((round(image.width * scale), round(image.height * scale)))


def score(paths: list[Path]) -> list[dict[str, object]]:
    result = CliRunner().invoke(main, ["score", "--json", *map(str, paths)])
    assert result.exit_code == 0, result.output
    lines = [json.loads(line) for line in result.stdout.splitlines() if line.startswith("{")]
    assert [line["file"] for line in lines] == [str(path) for path in paths]
    return lines


@pytest.fixture(scope="module")
def upright() -> Image.Image:
    return clear_melt()


def exif(orientation: int) -> bytes:
    data = Image.Exif()
    data[0x0112] = orientation
    data[0x8825] = {1: "N", 2: (52.0, 30.0, 0.0), 3: "E", 4: (13.0, 20.0, 0.0)}  # invented place
    return data.tobytes()


def test_all_eight_orientations_get_the_same_answer(upright: Image.Image, tmp_path: Path) -> None:
    paths = []
    for orientation, turn in STORED.items():
        path = tmp_path / f"held {orientation}.jpg"
        stored = upright if turn is None else upright.transpose(turn)
        stored.save(path, quality=92, exif=exif(orientation))
        paths.append(path)
    lines = score(paths)
    assert {line["outcome"] for line in lines} == {Outcome.SCORED.value}
    assert {line["label"] for line in lines} == {"heat-melted housing"}
    places = [{f["place"] for f in line["findings"] if f["kind"] == "heat_melted_housing"} for line in lines]  # type: ignore[index, attr-defined]
    assert set.intersection(*places)
    melted = [line["probabilities"]["heat_melted_housing"] for line in lines]  # type: ignore[index, call-overload]
    # The same pixels, but for the JPEG blocks that fall differently on turned pictures.
    assert max(melted) - min(melted) < 0.1


def test_heic_png_webp_and_jpeg_agree(upright: Image.Image, tmp_path: Path) -> None:
    small = upright.resize((upright.width // 2, upright.height // 2))
    heic = pillow_heif.from_pillow(small)
    heic.save(tmp_path / "a.heic", quality=85)
    for name in ("b.png", "c.webp", "d.jpg"):
        small.save(tmp_path / name, quality=92)
    lines = score([tmp_path / name for name in ("a.heic", "b.png", "c.webp", "d.jpg")])
    assert {line["label"] for line in lines} == {"heat-melted housing"}
    assert {line["outcome"] for line in lines} == {Outcome.SCORED.value}


def test_what_is_no_photo_gets_its_line_too_and_order_is_kept(upright: Image.Image, tmp_path: Path) -> None:
    (tmp_path / "1.jpg").write_text("not a photo")
    buffer = io.BytesIO()
    upright.save(buffer, "JPEG")
    (tmp_path / "2.jpg").write_bytes(buffer.getvalue())
    (tmp_path / "3.jpg").write_bytes(buffer.getvalue()[: len(buffer.getvalue()) // 2])
    Image.new("RGB", (4000, 3000), (90, 120, 90)).save(tmp_path / "4.jpg")
    lines = score([tmp_path / f"{n}.jpg" for n in (1, 2, 3, 4, 9)])
    assert [line["outcome"] for line in lines] == [
        "cannot_judge", "scored", "cannot_judge", "cannot_judge", "cannot_judge",
    ]  # fmt: skip
    assert [line["reason"] for line in lines][::2] == ["unreadable_file"] * 3
