"""How many damaged couplers the limits between clear and unsure still need before they follow the operator.

Counted are held-out couplers with a confirmed photo that shows a damage: the only ones a limit may be set on,
because no version has learnt from them. However many photos there are of one coupler, it counts once: they
are alike. The number needed follows from the accepted miss rate alone (conformal risk control, see
``model.calibration``).
"""

from __future__ import annotations

from dataclasses import dataclass

from data_tools.access import Actor, Permission
from data_tools.training_set import HELD_OUT, HELD_OUT_SHARE, TRAIN, labelled
from data_tools.workspace import Workspace
from model.calibration import MISS_RATES, needed_examples
from model.vocabulary import LABEL_OF_KIND, FindingKind


@dataclass(frozen=True)
class LimitNeed:
    """One damage: ``have`` of the ``needed`` couplers for a limit at miss rate ``rate``, shown by ``photos``
    photos; ``elsewhere``: couplers with it that are learnt from."""

    kind: FindingKind
    rate: float
    needed: int
    have: int
    photos: int
    elsewhere: int

    @property
    def words(self) -> str:
        """One line in plain words."""
        name = LABEL_OF_KIND[self.kind].value
        if self.have >= self.needed:
            return f"{name}: {self.have} couplers, enough for a limit at {self.rate:.0%} misses"
        more = self.needed - self.have
        return (
            f"{name}: {self.have} of the {self.needed} couplers needed for a limit at {self.rate:.0%} misses "
            f"({self.photos} photos); about {round(more / HELD_OUT_SHARE)} more couplers confirmed with it, "
            "since one in five counts"
        )


@dataclass(frozen=True)
class Learnable:
    """Photos that people decided on: ``learnt`` from, ``held_out`` for ever, and ``left_out`` because people
    differ, a second opinion is awaited, nobody can tell, they were moved to a coupler that forbids it, or
    where the face lies is not known."""

    learnt: int
    held_out: int
    left_out: int


def learnable(ws: Workspace, actor: Actor) -> Learnable:
    """Return how many confirmed photos a retrain would find now."""
    actor.require(Permission.PLAN)
    with ws.read() as session:
        _, counts = labelled(session)
    left = sum(count for why, count in counts.items() if why.startswith("left out"))
    return Learnable(counts[TRAIN], counts[HELD_OUT], left)


def limit_needs(ws: Workspace, actor: Actor) -> tuple[LimitNeed, ...]:
    """Return a row for each damage, in the order of ``FindingKind``."""
    actor.require(Permission.PLAN)
    with ws.read() as session:
        photos, _ = labelled(session)
    rows = []
    for kind in FindingKind:
        showing = [p for p in photos if p.reason is None and any(f.kind is kind for f in p.findings)]
        held_out = [photo.coupler for photo in showing if photo.split == HELD_OUT]
        have, rate = len(set(held_out)), MISS_RATES[kind]
        elsewhere = len({photo.coupler for photo in showing}) - have
        rows.append(LimitNeed(kind, rate, needed_examples(rate), have, len(held_out), elsewhere))
    return tuple(rows)
