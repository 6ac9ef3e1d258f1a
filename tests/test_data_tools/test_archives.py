"""Uploads to files: nothing escapes, nothing explodes, nothing is dropped without a word."""

from __future__ import annotations

import errno
import io
import os
import struct
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_tools.archives import Upload, UploadSource, clean_name, expand_sources
from data_tools.settings import Settings
from tests.hostile_files import locked, zip_of


def _expand(*sources: UploadSource, **limits: object) -> list[Upload]:
    return list(expand_sources(sources, Settings(**limits)))  # type: ignore[arg-type]


def _data(upload: Upload) -> bytes:
    assert upload.read is not None, upload.problem
    return upload.read()


def test_bytes_files_folders_and_zips_come_out_in_order(tmp_path: Path) -> None:
    folder = tmp_path / "round"
    (folder / "inner").mkdir(parents=True)
    (folder / "b.jpg").write_bytes(b"b")
    (folder / "inner" / "a.jpg").write_bytes(b"a")
    (folder / ".DS_Store").write_bytes(b"litter")
    sources = [
        UploadSource("x.jpg", b"x"),
        UploadSource("round", folder),
        UploadSource("z.zip", zip_of({"z.jpg": b"z"})),
    ]
    assert [(u.name, _data(u)) for u in _expand(*sources)] == [
        ("x.jpg", b"x"), ("b.jpg", b"b"), ("a.jpg", b"a"), ("z.jpg", b"z"),
    ]  # fmt: skip


def test_names_in_a_zip_reach_nothing(tmp_path: Path) -> None:
    names = ["../../evil.jpg", "/etc/evil.jpg", "C:\\evil.jpg", "..\\evil.jpg", "a/../../evil.jpg"]
    before = sorted(tmp_path.rglob("*"))
    uploads = _expand(UploadSource("z.zip", zip_of({name: name.encode() for name in names})))
    assert [u.name for u in uploads] == ["evil.jpg"] * 5
    assert [_data(u) for u in uploads] == [name.encode() for name in names]
    assert sorted(tmp_path.rglob("*")) == before


def test_a_zip_in_a_zip_is_kept_but_not_opened() -> None:
    inner = zip_of({"deep.jpg": b"deep"})
    nested, photo = _expand(UploadSource("z.zip", zip_of({"inner.zip": inner, "ok.jpg": b"ok"})))
    assert "inside a zip" in nested.problem
    assert nested.kept is not None
    assert nested.kept() == inner
    assert _data(photo) == b"ok"


def test_ten_thousand_entries_are_refused_by_the_stated_limit() -> None:
    big = zip_of({f"{n}.jpg": b"" for n in range(10_000)})
    (refused,) = _expand(UploadSource("big.zip", big))
    assert "10000 files; at most 2000" in refused.problem
    assert refused.kept is not None
    assert refused.kept() == big
    assert len(_expand(UploadSource("big.zip", big), max_zip_entries=10_000)) == 10_000


def test_a_locked_zip_is_kept_whole_and_said() -> None:
    data = locked(zip_of({"a.jpg": b"secret"}))
    (refused,) = _expand(UploadSource("locked.zip", data))
    assert "password" in refused.problem
    assert refused.kept is not None
    assert refused.kept() == data


def test_a_zip_bomb_is_stopped_by_what_is_read_not_by_what_the_header_says() -> None:
    bomb = bytearray(zip_of({"bomb.jpg": b"\0" * 5_000_000}))
    at = bomb.find(b"PK\x01\x02")
    struct.pack_into("<I", bomb, at + 24, 10)  # uncompressed size in the directory: a lie
    (refused,) = _expand(UploadSource("bomb.zip", bytes(bomb)), max_photo_mb=1)
    assert refused.problem
    (honest,) = _expand(UploadSource("b.zip", zip_of({"b.jpg": b"\0" * 5_000_000})), max_photo_mb=1)
    assert "Larger" in honest.problem


def test_all_files_of_a_zip_together_have_a_limit() -> None:
    many = zip_of({f"{n}.jpg": bytes(600_000) for n in range(4)})
    first, *others = _expand(UploadSource("z.zip", many), max_zip_expanded_mb=1)
    assert not first.problem
    assert all("unpacks to more than 1 MB" in other.problem for other in others)


def _list_of(count: int) -> bytes:
    """Return a zip of nothing but its list of files, which says in its end that it holds one."""
    entry = struct.pack("<4s6H3I5H2I", b"PK\x01\x02", 20, 20, 0, 0, 0, 33, 0, 0, 0, 4, 0, 0, 0, 0, 0, 0)
    names = b"".join(entry + b"%04x" % (n & 0xFFFF) for n in range(count))
    start = b"PK\x03\x04" + bytes(26)
    end = struct.pack("<4s4H2IH", b"PK\x05\x06", 0, 0, 1, 1, len(names), len(start), 0)
    return start + names + end


def test_a_list_of_files_too_long_to_count_is_not_read(monkeypatch: pytest.MonkeyPatch) -> None:
    assert len(_expand(UploadSource("z.zip", _list_of(2000)))) == 2000
    bomb = _list_of(60_000)
    zip64 = struct.pack("<4sQ2H2I4Q", b"PK\x06\x06", 44, 45, 45, 0, 0, 1, 1, 60_000 * 50, 30)
    zip64 += struct.pack("<4sIQI", b"PK\x06\x07", 0, len(bomb) - 22, 1)
    monkeypatch.setattr(zipfile, "ZipFile", None)
    for data in (bomb, bomb[:-22] + zip64 + struct.pack("<4s4H2IH", b"PK\x05\x06", 0, 0, 1, 1, 50, 30, 0)):
        (refused,) = _expand(UploadSource("bomb.zip", data))
        assert "at most 2000" in refused.problem
        assert refused.kept is not None
        assert refused.kept() == data


@pytest.mark.parametrize("cut", [4, 30, 60, 100])
def test_a_cut_zip_is_kept_and_said(cut: int) -> None:
    data = zip_of({"a.jpg": b"a" * 100})[:cut]
    (refused,) = _expand(UploadSource("cut.zip", data))
    assert "damaged" in refused.problem.lower()
    assert refused.kept is not None
    assert refused.kept() == data


def test_an_empty_zip_is_said() -> None:
    (refused,) = _expand(UploadSource("empty.zip", zip_of({})))
    assert "no file in it" in refused.problem


def test_a_damaged_entry_costs_only_itself() -> None:
    data = bytearray(zip_of({"bad.jpg": os.urandom(200), "good.jpg": b"good"}))
    data[60] ^= 0xFF
    bad, good = _expand(UploadSource("z.zip", bytes(data)))
    assert "Damaged" in bad.problem
    assert _data(good) == b"good"


def test_files_that_cannot_be_read_stay_where_they_are(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    missing, pipe = _expand(UploadSource("no", tmp_path / "no.jpg"), UploadSource("p", tmp_path / "pipe"))
    assert "left where it is" in missing.problem
    assert "left where it is" in pipe.problem
    assert missing.kept is pipe.kept is None


def test_a_folder_that_cannot_be_read_costs_only_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a", "b/locked", "c"):
        (tmp_path / "round" / name).mkdir(parents=True)
        (tmp_path / "round" / name / "x.jpg").write_bytes(name.encode())
    scandir = os.scandir

    def denied(folder: str) -> object:
        if Path(folder).name == "locked":
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(folder))
        return scandir(folder)

    monkeypatch.setattr(os, "scandir", denied)
    monkeypatch.chdir(tmp_path)
    for folder in (tmp_path / "round", Path("round")):
        a, shut, c = _expand(UploadSource("round", folder))
        assert (_data(a), _data(c)) == (b"a", b"c")
        assert shut.kept is None
        assert shut.problem.startswith("The folder round/b/locked cannot be read (permission denied)")
    monkeypatch.setattr(os, "scandir", lambda _folder: denied("locked"))
    (itself,) = _expand(UploadSource(".", Path()))
    assert "cannot be read" in itself.problem


def test_an_entry_without_a_name_is_taken_out_or_said() -> None:
    data = zip_of({"x.jpg": b"photo", "y.jpg": b"other"}).replace(b"x.jpg", b"\0.jpg")
    nameless, other = _expand(UploadSource("z.zip", data))
    assert nameless.name == "unnamed"
    assert nameless.problem or _data(nameless) == b"photo"
    assert _data(other) == b"other"


def test_too_large_a_file_is_said(tmp_path: Path) -> None:
    (tmp_path / "big.jpg").write_bytes(bytes(1_100_000))
    on_disk, sent = _expand(
        UploadSource("d", tmp_path / "big.jpg"), UploadSource("s", bytes(1_100_000)), max_photo_mb=1
    )
    assert "left where it is" in on_disk.problem
    assert sent.kept is not None


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=400))
def test_any_name_can_be_shown_and_stored(name: str) -> None:
    shown = clean_name(name)
    assert 0 < len(shown) <= 200
    assert shown.isprintable()
    assert not set(shown) & {"/", "\\"}
    shown.encode("utf-8")


@settings(max_examples=150, deadline=None)
@given(
    st.dictionaries(st.text(min_size=1, max_size=60), st.binary(max_size=200), max_size=6),
    st.lists(st.tuples(st.integers(0, 2000), st.integers(0, 255)), max_size=4),
    st.booleans(),
)
def test_no_zip_makes_it_fail_or_drop_a_file(
    entries: dict[str, bytes], flips: list[tuple[int, int]], store_only: bool
) -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED if store_only else zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries.items():
            archive.writestr("x" + name.encode("utf-8", "replace").decode(), data)
    damaged = bytearray(buffer.getvalue())
    for at, value in flips:
        damaged[at % len(damaged)] = value
    uploads = _expand(UploadSource("fuzz.zip", bytes(damaged)))
    for upload in uploads:
        assert (upload.read is None) == bool(upload.problem)
        assert upload.read is not None or upload.kept is not None
