"""What to shoot: which couplers, with which damages, how many photos of each, and what goes wrong in them.

Everything follows from (seed, index of the coupler, number of the photo): the order of work, the number of
processes and the renderer play no part.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from hashlib import sha256

import numpy as np

from data_tools.rendering.camera import Framing
from data_tools.rendering.domains import Domain
from model.vocabulary import FindingKind, Reason

GENERATOR_VERSION = "13"


class Subject(StrEnum):
    """What the photos of one index show."""

    COUPLER = "coupler"
    OTHER = "other"
    PLACE = "place"


@dataclass(frozen=True)
class Mix:
    """Shares of the set. ``others`` and ``places`` are photos without a coupler face; ``intact`` is the
    share of couplers without damage, ``several`` the share of damaged ones with two or three kinds, ``plain``
    the share of training photos that look like pictures of another renderer."""

    others: float = 0.10
    places: float = 0.02
    type1: float = 0.65
    intact: float = 0.32
    several: float = 0.15
    unusable: float = 0.07
    plain: float = 0.16


MIX = Mix()
PHOTOS_OF_ONE = (2, 3, 4, 5)
_NUMBER = {domain: number for number, domain in enumerate(Domain)}
_KIND_ODDS: dict[str, dict[FindingKind, float]] = {
    "type1": {
        FindingKind.MISSING_LATCH: 0.31,
        FindingKind.BROKEN_PIN_HOUSING: 0.43,
        FindingKind.HEAT_MELTED_HOUSING: 0.26,
    },
    "type2": {FindingKind.BROKEN_PIN_HOUSING: 0.6, FindingKind.HEAT_MELTED_HOUSING: 0.4},
}
"""Breaks are the smallest and the hardest to see: they are met most often. A latch can only be lost by
Type 1, but every photo of that shows much the same."""
_UNUSABLE_ODDS: dict[Reason, float] = {
    Reason.TOO_BLURRED: 0.24,
    Reason.TOO_DARK: 0.16,
    Reason.TOO_BRIGHT: 0.13,
    Reason.TOO_SMALL: 0.13,
    Reason.OUT_OF_FRAME: 0.16,
    Reason.HIDDEN: 0.12,
    Reason.SEVERAL_FACES: 0.06,
}
_FRAMING = {Reason.TOO_SMALL: Framing.TOO_SMALL, Reason.OUT_OF_FRAME: Framing.OUT_OF_FRAME}


@dataclass(frozen=True)
class Assignment:
    """One subject and how many photos of it to take; ``before`` more of a damaged one as it was before."""

    seed: int
    index: int
    subject: Subject
    family: str
    kinds: frozenset[FindingKind]
    photos: int
    domain: Domain = Domain.TRAIN
    before: int = 0

    @property
    def undamaged(self) -> Assignment | None:
        """The same coupler before it was damaged, where there are photos to take of that."""
        return replace(self, kinds=frozenset(), before=0) if self.kinds and self.before else None

    @property
    def numbers(self) -> tuple[range, range]:
        """The numbers of its photos, and of those from before the damage."""
        total = self.photos + (self.before if self.undamaged else 0)
        return range(self.photos), range(self.photos, total)

    @property
    def name(self) -> str:
        """The name of the physical thing in the manifest."""
        return f"{self.domain}-{self.seed}-{self.index:06d}"

    @property
    def split(self) -> str | None:
        """The split that the manifest names; None leaves it to whoever trains."""
        return None if self.domain is Domain.TRAIN else self.domain.value

    def random(self, *stream: int) -> np.random.Generator:
        """Return a generator of this subject's own; each stream is independent of the others."""
        return np.random.default_rng([self.seed, _NUMBER[self.domain], self.index, *stream])


@dataclass(frozen=True)
class PhotoPlan:
    """How one photo is taken. ``fault`` is what goes wrong on purpose, ``cover`` how much the props hide.

    ``style`` is ``phone``, or ``plain`` (an even background, no lens, no noise), or ``flat`` (plain, and
    every part in one colour without wear or dirt).
    """

    number: int
    framing: Framing
    fault: Reason | None
    cover: str
    backdrop: bool
    wetness: float
    dust: float
    style: str = "phone"


def assign(seed: int, index: int, mix: Mix = MIX, domain: Domain = Domain.TRAIN) -> Assignment:
    """Return what coupler number ``index`` of a run is."""
    rng = np.random.default_rng([seed, _NUMBER[domain], index, 0])
    what = rng.random()
    family = "type1" if rng.random() < mix.type1 else "type2"
    photos = int(rng.choice(PHOTOS_OF_ONE))
    intact, several = rng.random() < mix.intact, rng.random() < mix.several
    kinds = _kinds(rng, family, 0 if intact else int(rng.choice([2, 3], p=[0.75, 0.25])) if several else 1)
    if what < mix.others + mix.places:
        subject = Subject.OTHER if what < mix.others else Subject.PLACE
        photos = 2 if subject is Subject.OTHER else 1 + photos % 2
        return Assignment(seed, index, subject, family, frozenset(), photos, domain)
    return Assignment(seed, index, Subject.COUPLER, family, kinds, photos, domain)


def _kinds(rng: np.random.Generator, family: str, count: int) -> frozenset[FindingKind]:
    possible = list(_KIND_ODDS[family])
    odds = np.array(list(_KIND_ODDS[family].values()))
    drawn = rng.choice(len(possible), min(count, len(possible)), replace=False, p=odds / odds.sum())
    return frozenset(possible[int(number)] for number in drawn)


def assignments(
    seed: int, count: int, mix: Mix = MIX, domain: Domain = Domain.TRAIN, before: int = 0
) -> list[Assignment]:
    """Return the subjects whose photos add up to exactly ``count`` (the last one may be cut short), those
    from before a damage not counted."""
    chosen: list[Assignment] = []
    total = 0
    while total < count:
        item = assign(seed, len(chosen), mix, domain)
        photos = min(item.photos, count - total)
        chosen.append(replace(item, photos=photos, before=before))
        total += photos
    return chosen


def plan_photo(assignment: Assignment, number: int, mix: Mix = MIX) -> PhotoPlan:
    """Return how photo ``number`` of a subject is taken; independent of its damages."""
    rng = assignment.random(1, number)
    fault = None
    if assignment.subject is Subject.COUPLER and rng.random() < mix.unusable:
        reasons = list(_UNUSABLE_ODDS)
        fault = reasons[int(rng.choice(len(reasons), p=list(_UNUSABLE_ODDS.values())))]
    ordinary = Framing.LOW_RESOLUTION if rng.random() < 0.1 else Framing.ORDINARY
    cover = str(rng.choice(["none", "beside", "partly"], p=[0.42, 0.36, 0.22]))
    if fault is Reason.HIDDEN:
        cover = "hidden"
    taken = PhotoPlan(
        number=number,
        framing=_FRAMING.get(fault, ordinary) if fault else ordinary,
        fault=fault,
        cover=cover,
        backdrop=bool(rng.random() < 0.45),
        wetness=float(rng.uniform(0.2, 1.0)) if rng.random() < 0.12 else 0.0,
        dust=float(rng.uniform(0.05, 0.5)) if rng.random() < 0.15 else 0.0,
    )
    plain = rng.random() < mix.plain and fault is None and assignment.domain is Domain.TRAIN
    return _plain(rng, taken) if plain else taken


def _plain(rng: np.random.Generator, taken: PhotoPlan) -> PhotoPlan:
    """Return the photo as another renderer would show it: mostly nothing but the coupler."""
    return replace(
        taken,
        style=str(rng.choice(["flat", "plain"])),
        cover=taken.cover if rng.random() < 0.25 else "none",
        backdrop=False,
        wetness=0.0,
        dust=0.0,
    )


def photo_file(assignment: Assignment, number: int) -> str:
    """Return the photo's path inside the set, spread over 256 folders."""
    digest = sha256(f"{GENERATOR_VERSION}/{assignment.name}/{number}".encode()).hexdigest()
    return f"photos/{digest[:2]}/{digest[2:14]}.jpg"
