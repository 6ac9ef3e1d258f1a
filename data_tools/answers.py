"""What is said of a photo to whoever sent it: one place for the words of command line and screens. Pure.

A photo speaks for its coupler only together with the others: damage that another one shows stays open through
one that looks fine or cannot be judged."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from data_tools.records import IngestedFile, IngestStatus, TrueFinding
from data_tools.standing import GOOD, OPEN, SAID, Stand, State, fold, state_of
from model.judgement import Finding, Judgement
from model.vocabulary import ADVICE, Outcome, Place, Triage

if TYPE_CHECKING:
    from data_tools.open_damage import OpenDamage

STANDS: dict[Stand, str] = {
    Stand.DAMAGED: "A technician saw damage in it: do not use this coupler.",
    Stand.DISPUTED: "A technician saw damage in it, and others have yet to agree: do not use this coupler.",
    Stand.SUSPECTED: "It was flagged: do not use this coupler until a technician has looked.",
    Stand.DOUBTED: "It is in doubt: do not use this coupler until a technician has looked.",
    Stand.NOT_TOLD: "It could not be judged: take another one.",
    Stand.IN_PART: "Take another photo: not all of it is in view.",
    Stand.AS_BEFORE: "In doubt, but no more than earlier, when a technician saw no damage in it. Not a sign "
    "that it is safe.",
    Stand.SEEN_INTACT: "A technician saw no damage in it.",
    Stand.CLEAR: "No visible damage found.",
}
"""What is said of a photo that was here before, or that more than its verdict speaks of (``stand_words``)."""

OPEN_WORDS: dict[Stand, str] = {
    Stand.DAMAGED: "confirmed",
    Stand.DISPUTED: "seen by a technician, not settled yet",
    Stand.SUSPECTED: "not yet confirmed or ruled out",
    Stand.DOUBTED: "not yet confirmed or ruled out",
}
"""How open damage stands."""


def stand_words(state: State) -> str:
    """Return what is said of a photo for which ``state`` stands; of one that is as before, since when."""
    words = STANDS[state.stand]
    if state.stand is Stand.IN_PART:
        return _another_photo(state.unseen)
    if state.stand is Stand.DOUBTED and state.unseen and not state.findings:
        return words.replace("It is in doubt", f"In doubt, as {not_in_view(state.unseen)}")
    return words.replace("than earlier", f"than on {days_before(state)}") if state.before else words


def not_in_view(places: Sequence[Place]) -> str:
    """Return such as "the bottom and lower left pin housings and the latch are not in view"; "" without."""
    housings = [place.value.replace("_", " ") for place in places if place is not Place.LATCH]
    named = [f"{_listed(housings)} pin housing{'s' if housings[1:] else ''}"] if housings else []
    named += ["latch"] if Place.LATCH in places else []
    verb = "are" if len(places) > 1 else "is"
    return f"{_listed([f'the {name}' for name in named])} {verb} not in view" if named else ""


def _listed(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if words[1:] else words)


def _another_photo(unseen: Sequence[Place]) -> str:
    """Ask for another photo. Plastic that has run can pass for something in front of it: whoever stands there
    sees which."""
    which = "any of them" if unseen[1:] else "it"
    look = f"If {which} looks gone, broken or melted to you, do not use this coupler: tell the technician."
    return f"Take another photo: {not_in_view(unseen)}. {look}"


def days_before(state: State) -> str:
    """Return the days of the photos that one is no more suspicious than, such as "3 November 2026"."""
    days = sorted({seen.day for seen in state.before})
    return " and ".join(f"{day.day} {day:%B %Y}" for day in days)


def verdict_words(judgement: Judgement) -> str:
    """Say in one or two sentences what a verdict means for whoever took the photo."""
    if judgement.outcome is Outcome.CANNOT_JUDGE:
        return f"Take it again. {ADVICE[judgement.reason]}" if judgement.reason else "Take it again."
    if judgement.triage is Triage.CLEAR:
        return STANDS[Stand.CLEAR]
    if judgement.in_part:
        return _another_photo(judgement.unseen)
    found, unseen = _named(judgement.findings), not_in_view(judgement.unseen)
    also = f" Also, {unseen}." if unseen else ""
    if judgement.triage is Triage.FLAG:
        return f"Do not use this coupler: {found or 'damage suspected'}. A technician will look.{also}"
    not_sure = ": ".join(part for part in ("Not sure", found or unseen) if part)
    return f"{not_sure}. Do not use this coupler until a technician has looked.{also if found else ''}"


def _named(findings: Iterable[Finding | TrueFinding]) -> str:
    return ", ".join(f"{f.kind.value} at {f.place.value}".replace("_", " ") for f in findings)


def damage_in_short(damage: OpenDamage) -> str:
    """Return open damage in the words of the vocabulary, and how it stands."""
    return f"{_named(damage.findings) or nameless(damage)} ({OPEN_WORDS[damage.stand]})"


def nameless(damage: OpenDamage) -> str:
    """Return what is open where no finding is named: where to look, if that is all that is in doubt."""
    unseen = "" if damage.sure else not_in_view(damage.unseen)
    return f"perhaps damage, as {unseen}" if unseen else "damage suspected"


def state_of_file(file: IngestedFile) -> State | None:
    """Return what stands for an uploaded photo; ``None`` where it has no verdict."""
    if file.state is not None or file.verdict is None:
        return file.state
    return state_of(file.verdict.judgement, fold(()), blind_audit=False)


def said_of(file: IngestedFile) -> str:
    """Return what the answer to a kept photo says of its coupler."""
    state = state_of_file(file)
    if state is None or file.verdict is None:
        return ""
    told = state_of(file.verdict.judgement, fold(()), blind_audit=False)
    by_verdict = file.status is IngestStatus.STORED and state.stand is told.stand
    own = verdict_words(file.verdict.judgement) if by_verdict else stand_words(state)
    other = other_damage(file)
    return other if other and state.stand in GOOD else f"{other} {own}".lstrip()


def other_damage(file: IngestedFile, words: Callable[[OpenDamage], str] = damage_in_short) -> str:
    """Return what other photos of the coupler show, where that is graver than what this one says; else "".

    ``words`` names damage in the words of whoever shows it.
    """
    state, damage = state_of_file(file), file.on_coupler
    if state is None or damage is None:
        return ""
    if state.stand in OPEN and OPEN.index(state.stand) <= OPEN.index(damage.stand):
        return ""
    stop = "do not use this coupler" + ("" if damage.sure else " until a technician has looked")
    if state.stand in GOOD:
        shows = f"an earlier or other one of this coupler shows {words(damage)}"
        return f"{_good_words(state)}, but {shows}: {stop}."
    return f"An earlier or other photo of this coupler shows {words(damage)}: {stop}."


def _good_words(state: State) -> str:
    if state.before:
        return f"This photo is in doubt no more than on {days_before(state)}"
    return "A technician saw no damage in it" if state.stand in SAID else "No damage seen in this photo"


def worded(file: IngestedFile) -> IngestedFile:
    """Return ``file``, a photo of a unit, with the message that its fields give."""
    parts = file.already, said_of(file), file.note
    return replace(file, message=" ".join(part for part in parts if part))
