"""Hypothesis sends whatever it likes; afterwards the store is sound and everything sent can be found."""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from data_tools.ingest import UploadSource, ingest, list_rejected
from data_tools.records import IngestStatus
from data_tools.verify import verify
from data_tools.workspace import Workspace
from tests.hostile_files import HOSTILE, ODD, zip_of
from tests.test_data_tools.store_kit import CLEAR, DARK, LEAD, MELTED, UPLOADER, furnished, picture

_HOSTILE = [make() for make in HOSTILE.values()]
_ODD = [make() for make in ODD.values()]
_NAMES = st.one_of(
    st.text(max_size=40), st.sampled_from(["P3-07.jpg", "p3-08__A_x.png", "P3-07__Z.jpg", "=1+1.jpg"])
)
_CONTENT = st.one_of(
    st.binary(max_size=300),
    st.sampled_from(_HOSTILE),
    st.sampled_from(_ODD),
    st.builds(picture, st.sampled_from([CLEAR, MELTED, DARK]), st.integers(0, 40)),
)
_ENTRY_NAMES = st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1, max_size=30)
_ZIPS = st.builds(zip_of, st.dictionaries(_ENTRY_NAMES.map(lambda n: f"d/{n}x"), _CONTENT, max_size=4))
_SOURCES = st.builds(UploadSource, _NAMES, st.one_of(_CONTENT, _ZIPS))


@pytest.fixture(scope="module")
def shared() -> Workspace:  # type: ignore[misc]
    """One store for all examples: it must stay sound whatever came before."""
    with tempfile.TemporaryDirectory() as folder:
        ws = furnished(Path(folder))
        yield ws  # type: ignore[misc]
        ws.close()


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
@given(st.lists(_SOURCES, min_size=1, max_size=4))
def test_whatever_is_sent_is_answered_and_can_be_found(
    shared: Workspace, sources: list[UploadSource]
) -> None:
    report = ingest(shared, UPLOADER, sources, "north")
    assert report.files
    for file in report.files:
        assert file.message
        assert file.file_name.isprintable()
        assert file.status is not IngestStatus.NOT_RECEIVED
    rejected = {row.sha256 for row in list_rejected(shared, LEAD, limit=100_000)}
    for source in sources:
        assert isinstance(source.content, bytes)
        sha256 = hashlib.sha256(source.content).hexdigest()
        zipped = source.content.startswith((b"PK\x03\x04", b"PK\x05\x06"))
        assert zipped or shared.photos.has(sha256) or sha256 in rejected
    assert verify(shared, LEAD).ok
