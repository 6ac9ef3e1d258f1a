"""The settings table: documented, read from file and environment, refusing what is wrong."""

from pathlib import Path

import pytest

from data_tools.access import Role
from data_tools.settings import SETTINGS, load_settings
from model.errors import BadRequestError


def test_every_setting_is_documented() -> None:
    for setting in SETTINGS:
        assert setting.help.endswith("."), setting.name
        assert setting.variable == f"ROUNDS_{setting.name.upper()}"


def test_environment_beats_file_beats_default(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text(
        'blind_audit_share = 0.2\nmax_photo_mb = 7\ndefault_role = "uploader"\n'
    )
    settings = load_settings(tmp_path, {"ROUNDS_MAX_PHOTO_MB": "9", "ROUNDS_EVIDENCE_FIRST_LOOK": "no"})
    assert (settings.blind_audit_share, settings.max_photo_mb) == (0.2, 9)
    assert settings.default_role is Role.UPLOADER
    assert settings.evidence_first_look is False
    assert settings.timezone == "UTC"


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("no_such_thing = 1", "no_such_thing"),
        ("blind_audit_share = 1.5", "blind_audit_share"),
        ('max_photo_mb = "many"', "max_photo_mb"),
        ('default_role = "king"', "default_role"),
        ("broken", "TOML"),
    ],
)
def test_wrong_settings_are_refused_in_words(tmp_path: Path, text: str, word: str) -> None:
    (tmp_path / "settings.toml").write_text(text)
    with pytest.raises(BadRequestError, match=word):
        load_settings(tmp_path, {})


def test_people_map_to_roles(tmp_path: Path) -> None:
    people = "Ann@Example.org=lead, ben@example.org=technician"
    roles = load_settings(tmp_path, {"ROUNDS_PEOPLE": people}).roles_by_email
    assert roles == {"ann@example.org": Role.LEAD, "ben@example.org": Role.TECHNICIAN}
    with pytest.raises(BadRequestError, match="people"):
        _ = load_settings(tmp_path, {"ROUNDS_PEOPLE": "ann=boss"}).roles_by_email
