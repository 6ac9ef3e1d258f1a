"""Every setting: name, default, help, in one table. Read once into a frozen ``Settings``.

Order of strength: the environment (``ROUNDS_<NAME>``), then ``settings.toml`` in the workspace, then the
default."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from data_tools.access import Role
from data_tools.keys import tidy_name
from model.errors import BadRequestError
from model.vocabulary import FindingKind

ENV_PREFIX = "ROUNDS_"
FILE_NAME = "settings.toml"


def _setting(default: Any, help_text: str) -> Any:
    return field(default=default, metadata={"help": help_text})


@dataclass(frozen=True)
class Settings:
    """The settings of one workspace; each field's help text is its documentation."""

    workspace: Path = _setting(Path("workspace"), "Folder that holds the store: database, photos, models.")
    database_url: str = _setting("", "SQLAlchemy URL of the database; empty: SQLite in the workspace.")
    busy_timeout_s: float = _setting(30.0, "Seconds to wait while another process writes.")
    timezone: str = _setting("UTC", "IANA time zone given to a new site that names none.")
    default_name: str = _setting("", "Name of the local user; empty: the login name of this machine.")
    default_role: Role = _setting(Role.LEAD, "Role of the local user: uploader, technician or lead.")
    people: str = _setting("", "Who may log in when shared: 'email=role' pairs, separated by commas.")
    evidence_first_look: bool = _setting(
        True, "Show the model's evidence only after the technician's first look."
    )
    blind_audit_share: float = _setting(
        0.05,
        "Share (0..1) of clear verdicts mixed into the queue, unmarked, and of unsure ones that are spared.",
    )
    as_before_days: int = _setting(
        60,
        "Days for which a technician's 'no damage' spares the look at unsure photos of the same coupler that "
        "are no more suspicious; it never spares a flag. 0: every unsure photo waits for a technician.",
    )
    cost_missing_latch: float = _setting(
        20.0, "Cost of missing a missing latch, relative to the other kinds."
    )
    cost_broken_pin_housing: float = _setting(30.0, "Cost of missing a broken pin housing.")
    cost_heat_melted_housing: float = _setting(100.0, "Cost of missing a heat-melted housing.")
    queue_unsure_weight: float = _setting(
        2.0, "Factor on the queue priority of photos the model is unsure about."
    )
    queue_out_of_service_weight: float = _setting(
        0.1, "Factor on the queue priority of units out of service."
    )
    max_upload_mb: int = _setting(512, "Largest upload (one zip, or one file in the app), MB.")
    max_photo_mb: int = _setting(64, "Largest single photo file, MB.")
    max_zip_entries: int = _setting(2000, "Most files in one zip; a bigger one is kept aside unopened.")
    max_zip_expanded_mb: int = _setting(8192, "Most MB that one zip may unpack to.")
    oldest_photo_days: int = _setting(
        7,
        "Capture times that are older than this when the photo comes in are not believed (phone clock "
        "wrong): it counts from when it came in. Higher only while old photos are taken in.",
    )
    judge_batch: int = _setting(8, "Photos judged together while a round is taken in.")
    min_confirmed_photos: int = _setting(30, "Confirmed training photos needed before a retrain starts.")
    learn_label_power: float = _setting(
        0.5,
        "How strongly a retrain favours rare labels: 0 counts each photo alike, 1 each label alike, 0.5 is "
        "between, so that many intact photos do not drown a rare damage.",
    )
    learn_site_power: float = _setting(
        0.5,
        "The same for sites: 0 counts each photo alike, 1 lets a small site count as much as a large one.",
    )
    learn_weight_cap: float = _setting(
        4.0, "Most times that one photo is learnt from for each time of the average photo; 1: all alike."
    )
    learn_most_steps: int = _setting(
        400,
        "Most steps of a retrain (at least 40), of eight confirmed and eight rendered photos each, so that "
        "it takes minutes however much was confirmed: half a second to two seconds a step on two cores, for "
        "each of two networks. With more than 400 confirmed photos, more steps learn more.",
    )
    gate_manifest: str = _setting(
        "", "Manifest of rendered photos whose test split no candidate may do worse on; empty: our own."
    )
    replay_manifest: str = _setting(
        "", "Manifest of rendered photos whose train split is replayed while retraining; empty: our own."
    )
    limits_manifest: str = _setting(
        "",
        "Manifest of damaged photos that are neither replayed nor the gate's: a retrained version's limits "
        "fall until no more of them are called clear than before; empty: our own.",
    )

    @property
    def cost_of_miss(self) -> dict[FindingKind, float]:
        """Return the cost of missing each kind, relative to the others."""
        return {
            FindingKind.MISSING_LATCH: self.cost_missing_latch,
            FindingKind.BROKEN_PIN_HOUSING: self.cost_broken_pin_housing,
            FindingKind.HEAT_MELTED_HOUSING: self.cost_heat_melted_housing,
        }

    @property
    def roles_by_email(self) -> dict[str, Role]:
        """Return ``people`` as lower-case email -> role; raises ``BadRequestError`` on a bad pair."""
        pairs = (pair.strip() for pair in self.people.split(","))
        return dict(_person(pair) for pair in pairs if pair)


@dataclass(frozen=True)
class Setting:
    """One row of the settings table."""

    name: str
    default: Any
    help: str

    @property
    def variable(self) -> str:
        """Name of the environment variable."""
        return ENV_PREFIX + self.name.upper()


SETTINGS: tuple[Setting, ...] = tuple(
    Setting(f.name, f.default, f.metadata["help"]) for f in fields(Settings)
)


def _person(pair: str) -> tuple[str, Role]:
    email, _, role = pair.partition("=")
    try:
        return tidy_name(email).lower(), Role(role.strip())
    except ValueError:
        roles = ", ".join(Role)
        raise BadRequestError(
            f"email=role with a role of {roles} in the people setting", repr(pair), "Correct it."
        ) from None


def load_settings(workspace: Path | None = None, environ: Mapping[str, str] | None = None) -> Settings:
    """Read the settings for ``workspace`` (default: ``ROUNDS_WORKSPACE`` or ``./workspace``).

    Raises:
        BadRequestError: an unknown name in ``settings.toml``, or a value of the wrong kind.
    """
    env = os.environ if environ is None else environ
    given = {s.name: env[s.variable] for s in SETTINGS if s.variable in env}
    if workspace is not None:
        given["workspace"] = str(workspace)
    folder = Path(given.get("workspace", Settings.workspace))
    values: dict[str, Any] = {**_from_file(folder / FILE_NAME), **given, "workspace": folder}
    return replace(Settings(), **{name: _converted(name, value) for name, value in values.items()})


def _from_file(path: Path) -> dict[str, Any]:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as error:
        raise BadRequestError(f"a settings file at {path}", str(error), "Correct or remove it.") from error
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadRequestError(f"valid TOML in {path}", str(error), "Correct that line.") from error
    unknown = sorted(set(values) - {s.name for s in SETTINGS})
    if unknown:
        raise BadRequestError(
            f"known settings in {path}", ", ".join(unknown), "See `rounds settings` for the names."
        )
    return values


def _converted(name: str, value: Any) -> Any:
    kind = type(getattr(Settings, name))
    try:
        if kind is bool and not isinstance(value, bool):
            return {"1": True, "true": True, "yes": True, "0": False, "false": False, "no": False}[
                str(value).lower()
            ]
        converted = kind(value)
        if name.endswith("_share") and not 0 <= converted <= 1:
            raise ValueError
    except (KeyError, TypeError, ValueError):
        raise BadRequestError(
            f"a {kind.__name__} for the setting {name}", repr(value), "Correct it."
        ) from None
    return converted
