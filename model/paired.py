"""Two models on the same cases: what only one of them gets right, and whether that could be chance.

Photos of one coupler are alike, so that by photos alone a few couplers with many photos look like much
evidence, and one of them that gains hides many others that lose. Each coupler therefore counts once too, as
worse or better by the sum over its photos. A fall is held to be chance only where it could be chance by both
counts: of fewer than five couplers none is beyond chance by couplers, whatever their photos lost.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

import scipy  # its parts are loaded when first used

SIGNIFICANCE = 0.05


class Rule(NamedTuple):
    """When a fall holds a candidate back: ``strict``, if it is larger than ``margin`` (a share of the photos)
    or beyond chance; otherwise only if it is both. Below ``least`` every fall beyond chance does."""

    margin: float
    strict: bool
    least: float = 0.0


@dataclass(frozen=True)
class Paired:
    """How two models did on the same cases: right by both, by one only, by neither; ``couplers``: how many
    these photos show, and of them ``worse_on`` and ``better_on``, where more of a coupler's photos were lost
    than gained and the other way round; ``None`` where it is not known."""

    both: int
    only_live: int
    only_candidate: int
    neither: int
    couplers: int | None = field(default=None, compare=False)
    worse_on: int | None = field(default=None, compare=False)
    better_on: int | None = field(default=None, compare=False)

    @property
    def n(self) -> int:
        """Number of cases."""
        return self.both + self.only_live + self.only_candidate + self.neither

    @property
    def before(self) -> int:
        """How many the live version gets right."""
        return self.both + self.only_live

    @property
    def after(self) -> int:
        """How many the candidate gets right."""
        return self.both + self.only_candidate

    @property
    def worse_p(self) -> float:
        """One-sided exact p that the candidate loses as many or more by chance alone: the smaller one of that
        by photos and that by couplers."""
        return min(_sign_test(lost, gained) for lost, gained in self._counts)

    @property
    def better_p(self) -> float:
        """One-sided exact p that the candidate gains as many or more by chance alone: the larger one."""
        return max(_sign_test(gained, lost) for lost, gained in self._counts)

    @property
    def coupler_p(self) -> float:
        """Two-sided exact p by couplers: so many or more of those that changed did so one way by chance."""
        _, *couplers = self._counts
        lost, gained = couplers[0] if couplers else (0, 0)
        return min(1.0, 2 * _sign_test(max(lost, gained), min(lost, gained)))

    @property
    def drop(self) -> float:
        """Fall of the share right from live to candidate; negative when the candidate is better."""
        return (self.before - self.after) / self.n if self.n else 0.0

    @property
    def chance_words(self) -> str:
        """The exact p by photos and, where couplers have several, by couplers, in the direction of each."""
        photos, *couplers = (min(_sign_test(a, b), _sign_test(b, a)) for a, b in self._counts)
        if not couplers or self.couplers == self.n:
            return f"exact {p_words(photos)}"
        on = f"worse on {self.worse_on}, better on {self.better_on} of {self.couplers} couplers"
        return f"{on}; exact {p_words(photos)} by photo, {p_words(couplers[0])} by coupler"

    @property
    def _counts(self) -> list[tuple[int, int]]:
        """Lost and gained by photos and, where it is known, by couplers."""
        by_photos = (self.only_live, self.only_candidate)
        if self.worse_on is None or self.better_on is None:
            return [by_photos]
        return [by_photos, (self.worse_on, self.better_on)]

    def fell(self, rule: Rule) -> bool:
        """Whether it fell by more than the margin, or beyond chance."""
        return self.drop > rule.margin or self.worse_p < SIGNIFICANCE

    def worse(self, rule: Rule) -> bool:
        """Whether the fall holds the candidate back by this rule."""
        if rule.strict or not self.fell(rule):
            return self.fell(rule)
        far = self.drop > rule.margin or self.after < rule.least * self.n
        return far and self.worse_p < SIGNIFICANCE


def paired(cases: Iterable[tuple[bool, bool, str]]) -> Paired:
    """Count cases and couplers; each case as (candidate right, live version right, coupler)."""
    seen: Counter[tuple[bool, bool]] = Counter()
    gained: Counter[str] = Counter()
    for new, old, coupler in cases:
        seen[new, old] += 1
        gained[coupler] += new - old
    by_coupler = len(gained), sum(n < 0 for n in gained.values()), sum(n > 0 for n in gained.values())
    return Paired(seen[True, True], seen[False, True], seen[True, False], seen[False, False], *by_coupler)


def p_words(p: float) -> str:
    """Return a p value (0..1) as "p 0.031"; rounding never puts it on the other side of 0.05, nor on it."""
    if p < 0.001:
        return "p < 0.001"
    rounded = f"{p:.3f}"
    if float(rounded) == SIGNIFICANCE != p:
        return f"p {'<' if p < SIGNIFICANCE else '>'} {SIGNIFICANCE}"
    return f"p {rounded}"


def _sign_test(lost: int, gained: int) -> float:
    discordant = lost + gained
    return float(scipy.stats.binom.sf(lost - 1, discordant, 0.5)) if discordant else 1.0
