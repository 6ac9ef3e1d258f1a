"""May a candidate take over? A verdict from paired counts alone; the words are made from the verdict.

Paired and exact: of each set of photos, by itself, those are counted that only one of the two versions gets
right, and the one-sided sign test (the exact form of McNemar's test) says whether losing more than gaining
could be chance, by photos and by couplers (``model.paired``). A gain on one set, damage or measure does not
pay for a loss on another. What is right is asked as people feel it: damage that is missed or called clear can
hurt somebody; damage that is no longer flagged is looked at later; an intact coupler that is flagged, refused
or left to a person costs a walk or a look, every week.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from model.paired import SIGNIFICANCE, Paired, Rule
from model.vocabulary import FindingKind

UNSEEN_FROM = 0.03
"""A damage shown by so few couplers that a loss of this share could pass unseen is named (fewer than 99)."""
INTACT = "intact"
MOST_TOLD = 8
"""So many gains or losses are told one by one, the surest first."""


class SetName(StrEnum):
    """Photos that two versions are compared on, each set by itself, named as reasons name them."""

    HELD_OUT = "your held-out couplers"
    NEVER_REGRESS = "the never-regress list"
    RENDERED = "the rendered test"


class Verdict(StrEnum):
    """The gate's answer; only ``PROMOTE`` lets a candidate go live."""

    PROMOTE = "promote"
    WORSE = "worse"
    UNPROVEN = "unproven"
    UNCALIBRATED = "uncalibrated"
    NO_BETTER = "no_better"


class Measure(StrEnum):
    """What is right of a photo: the first three where a damage shows, the others where none does."""

    FOUND = "found"
    NOT_CLEARED = "not called clear"
    FLAGGED = "flagged"
    NOT_FLAGGED = "not flagged"
    CLEARED = "called clear"
    JUDGED = "not refused"


OF_DAMAGE = (Measure.FOUND, Measure.NOT_CLEARED, Measure.FLAGGED)
OF_INTACT = (Measure.NOT_FLAGGED, Measure.CLEARED, Measure.JUDGED)


RULES: Mapping[Measure, Rule] = {
    Measure.FOUND: Rule(0.005, True),
    Measure.NOT_CLEARED: Rule(0.005, True),
    Measure.FLAGGED: Rule(0.03, False),
    Measure.NOT_FLAGGED: Rule(0.01, True),
    Measure.CLEARED: Rule(0.20, False, least=1 / 3),
    Measure.JUDGED: Rule(0.02, False),
}
"""A miss can hurt somebody, so that hardly any fall of what is found passes, even one that could be chance; a
false alarm is a visit for nothing. Damage that is unsure instead of flagged is not to be used either, and is
looked at second. An intact coupler left to a person waits for one look and one key: the price of limits that
are lowered so that less damage is called clear. Two measured retrains that halved it left five more of a
hundred photos at their site to people; and limits lowered as far as in another (0.56 and 0.75 logits,
``data_tools/trials/MEASURED.md``) alone clear 52 instead of 74 of the 110 intact photos of our rendered test,
a fifth of them, which passes. A version that is unsure of everything loses two thirds there, and one that
creeps to it in steps is held once it would clear less than a third. A refusal is another walk to the
coupler, and no retrain has a reason for it."""


class Asked(NamedTuple):
    """A damage (or ``INTACT``) by its word, and what is right of it."""

    what: str
    measure: Measure

    @property
    def words(self) -> str:
        """Both in plain words."""
        what = "intact photos" if self.what == INTACT else self.what.replace("_", " ")
        return f"{what} {self.measure}"


Counts = dict[Asked, Paired]
Sets = Mapping[SetName, Counts]
"""For each set of photos what was counted on it."""


class Case(NamedTuple):
    """What was counted of one thing on one set."""

    where: SetName
    asked: Asked
    pair: Paired

    @property
    def words(self) -> str:
        """The counts before and after, in plain words."""
        pair = self.pair
        counts = f"{pair.after} of {pair.n}, before {pair.before} ({pair.chance_words})"
        return f"{self.asked.words} on {self.where}: {counts}"


@dataclass(frozen=True)
class Decision:
    """The verdict and what it rests on. ``tolerated`` fell too, by more than the margin or beyond chance, but
    not both where both are asked; ``lacking`` names what nothing shows, or what is out of calibration."""

    verdict: Verdict
    worse: tuple[Case, ...]
    better: tuple[Case, ...]
    tolerated: tuple[Case, ...]
    lacking: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def reason(self) -> str:
        """Why, in plain words, for whoever looks after the model."""
        return _REASONS[self.verdict].format(
            lacking=_words(self.lacking), worse=_told(self.worse, losses=True), better=_told(self.better)
        )


_REASONS = {
    Verdict.PROMOTE: "Promoted: no damage is missed or called clear more often, none is flagged less often, "
    "and intact photos are not flagged, refused or left to people more often, beyond the margins. {better}.",
    Verdict.WORSE: "Held: the candidate is worse. {worse}.",
    Verdict.UNPROVEN: "Held: no photo to compare on shows {lacking}, neither of your held-out couplers nor "
    "in the rendered test. Name a rendered test that does (setting gate_manifest), or confirm some.",
    Verdict.UNCALIBRATED: "Held: its probabilities are no longer right for {lacking}.",
    Verdict.NO_BETTER: "Held: no better than the live version on any damage or on intact photos.",
}


def decide(sets: Sets, uncalibrated: tuple[str, ...] = ()) -> Decision:
    """Decide from counts alone; ``uncalibrated``: damages whose probabilities are not right."""
    cases = [Case(where, *entry) for where, counts in sets.items() for entry in counts.items()]
    worse = [case for case in cases if case.pair.worse(RULES[case.asked.measure])]
    fell = [case for case in cases if case.pair.fell(RULES[case.asked.measure]) and case not in worse]
    better = [case for case in cases if case.pair.drop < 0]
    unproven = _never_seen(sets)
    if unproven:
        verdict, lacking = Verdict.UNPROVEN, unproven
    elif worse:
        verdict, lacking = Verdict.WORSE, ()
    elif uncalibrated:
        verdict, lacking = Verdict.UNCALIBRATED, uncalibrated
    else:
        verdict, lacking = Verdict.PROMOTE if better else Verdict.NO_BETTER, ()
    notes = (*_rendered_alone(sets), *_blind(sets), *_let_pass(fell))
    return Decision(verdict, tuple(worse), tuple(better), tuple(fell), lacking, notes)


def _told(cases: tuple[Case, ...], *, losses: bool = False) -> str:
    by_weight = sorted(cases, key=lambda case: case.pair.worse_p if losses else case.pair.better_p)
    more = f"; and {len(cases) - MOST_TOLD} more" if len(cases) > MOST_TOLD else ""
    return "; ".join(case.words for case in by_weight[:MOST_TOLD]) + more


def _of_what(counts: Counts, what: str) -> int:
    """Return how many photos of a set show ``what``."""
    return max((pair.n for asked, pair in counts.items() if asked.what == what), default=0)


def _couplers_of(counts: Counts, what: str) -> int:
    """Return how many couplers of a set show ``what``; where that is not known, how many photos do."""
    pairs = (pair for asked, pair in counts.items() if asked.what == what)
    return max((pair.n if pair.couplers is None else pair.couplers for pair in pairs), default=0)


def _never_seen(sets: Sets) -> tuple[str, ...]:
    everything = (*FindingKind, INTACT)
    return tuple(str(w) for w in everything if not any(_of_what(counts, w) for counts in sets.values()))


def _rendered_alone(sets: Sets) -> Iterator[str]:
    """Say which damages only the rendered test speaks for: that is enough, but the operator should know."""
    own = [counts for where, counts in sets.items() if where is not SetName.RENDERED]
    lacking = tuple(str(w) for w in (*FindingKind, INTACT) if own and not any(_of_what(c, w) for c in own))
    if lacking and SetName.RENDERED in sets:
        yield (
            f"None of your held-out couplers shows {_words(lacking)} yet: for that the comparison rests on "
            "rendered photos alone, until such a coupler is among the one in five that are held out."
        )


def _blind(sets: Sets) -> Iterator[str]:
    """Say how large a loss could have passed unseen, where a damage is shown by too few photos to tell.
    The never-regress list does not count: its photos may have been learnt from, and were chosen.

    Of n drawn alike none is lost with a chance of (1 - share)^n, whatever share would be in the long run: the
    largest one that leaves ``SIGNIFICANCE`` (the exact bound of Clopper and Pearson for 0 of n). Photos of
    one coupler are alike: n counts couplers.
    """
    drawn_alike = [counts for where, counts in sets.items() if where is not SetName.NEVER_REGRESS]
    seen = {kind.value: sum(_of_what(counts, kind) for counts in drawn_alike) for kind in FindingKind}
    apart = {kind.value: sum(_couplers_of(counts, kind) for counts in drawn_alike) for kind in FindingKind}
    bounds = {what: 1 - SIGNIFICANCE ** (1 / n) for what, n in apart.items() if n}
    few = {what: bound for what, bound in bounds.items() if bound > UNSEEN_FROM}
    if few:
        shown = {w: f"{n} photos" + f" of {apart[w]} couplers" * (apart[w] < n) for w, n in seen.items()}
        told = ", ".join(f"{_words((what,))} {b:.0%} ({shown[what]})" for what, b in few.items())
        yield (
            "So few photos were compared that a version could lose this share of a damage and the comparison "
            f"would hardly show it: {told}. Render a larger test and name it (setting gate_manifest)."
        )


def _let_pass(fell: list[Case]) -> Iterator[str]:
    """Say what was lost and let pass, and why."""
    for case in fell:
        margin = RULES[case.asked.measure].margin
        chance = case.pair.worse_p >= SIGNIFICANCE
        why = "could be chance" if chance else f"at most {margin:.0%} of the photos, which is the margin"
        yield f"Lost, and let pass: {case.words}; {why}."


def _words(names: tuple[str, ...]) -> str:
    return ", ".join("an intact coupler" if n == INTACT else n.replace("_", " ") for n in names)
