"""Who is asking, and what each role may do. Checked inside the verbs, not only in the menus."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from model.errors import NotAllowedError


class Role(StrEnum):
    """The three people the product serves."""

    UPLOADER = "uploader"
    TECHNICIAN = "technician"
    LEAD = "lead"


class Permission(StrEnum):
    """One right; each verb names the one it needs."""

    SEE = "see rosters, histories and verdicts"
    SEND = "send photos"
    DECIDE = "decide on verdicts"
    ACT = "take units out of service, replace, return"
    PLAN = "see trends and reports"
    MANAGE_SITES = "add sites and units"
    MANAGE_MODELS = "retrain, promote and go back"


_UPLOADER = frozenset({Permission.SEE, Permission.SEND})
_TECHNICIAN = _UPLOADER | {Permission.DECIDE, Permission.ACT}
RIGHTS: dict[Role, frozenset[Permission]] = {
    Role.UPLOADER: _UPLOADER,
    Role.TECHNICIAN: _TECHNICIAN,
    Role.LEAD: _TECHNICIAN | {Permission.PLAN, Permission.MANAGE_SITES, Permission.MANAGE_MODELS},
}


@dataclass(frozen=True)
class Actor:
    """A person (or the command line on their behalf) with a role."""

    name: str
    role: Role

    def may(self, permission: Permission) -> bool:
        """Whether this actor's role holds ``permission``."""
        return permission in RIGHTS[self.role]

    def require(self, permission: Permission) -> None:
        """Raise ``NotAllowedError`` unless the role holds ``permission``."""
        if not self.may(permission):
            raise NotAllowedError(
                f"a role that may {permission.value}", f"{self.name} as {self.role.value}", "Ask your lead."
            )
