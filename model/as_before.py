"""When an unsure photo looks no more suspicious than photos in which a person saw no damage. Pure: no torch.

The same couplers are photographed each week, and what makes the model unsure of one (its make, dirt, light)
is there the next week too. What a person has ruled on need not be looked at again for a while.

It spares a look, never a flag, and it is no sign that a coupler is safe. Whoever calls sees to it that the
references are earlier photos of the very same coupler in which a person saw no damage.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from model.judgement import Judgement
from model.vocabulary import FindingKind, Outcome, Place, Triage

MARGIN = 0.5
"""How much more of a damage (log odds) the whole photo may show than the reference it is compared with."""
PLACE_MARGIN = 1.0
"""The same for each place that is in doubt: a doubt somewhere else is a new one. Wider, because what is at
one place varies more from photo to photo. What both cost and spare: ``model/MEASURED.md``."""
REVISION = 1
"""Raised with each change of the rule, so that stores fold again what was told by it; the margins count by
themselves."""


def as_before(judgement: Judgement, references: Sequence[Judgement]) -> tuple[int, ...]:
    """Return which ``references`` (their indexes) show that the photo is as before; none: it is not.

    It is unsure, all of it is in view, and for every damage in doubt there is a reference of the same model
    version and family that saw each place in doubt and gave at least this probability, of the photo and of
    those places, but for the margins. One reference that does for every damage is named alone, else one for
    each; of several that do, the last.
    """
    if judgement.triage is not Triage.UNSURE or judgement.unseen:
        return ()
    fitting = [at for at, reference in enumerate(references) if _comparable(judgement, reference)]
    by_kind = [
        {at for at in fitting if _no_more(kind, judgement, references[at])}
        for kind in dict.fromkeys(finding.kind for finding in judgement.findings)
    ]
    if not by_kind or not all(by_kind):
        return ()
    for_all = set.intersection(*by_kind)
    return (max(for_all),) if for_all else tuple(sorted({max(some) for some in by_kind}))


def _comparable(judgement: Judgement, reference: Judgement) -> bool:
    return (
        reference.outcome is Outcome.SCORED
        and reference.model_version == judgement.model_version
        and reference.face is not None
        and judgement.face is not None
        and reference.face.family == judgement.face.family
    )


def _no_more(kind: FindingKind, judgement: Judgement, reference: Judgement) -> bool:
    """Whether ``reference`` saw what is in doubt in the photo, and showed at least as much of ``kind``."""
    doubted = [finding.place for finding in judgement.findings if finding.kind is kind]
    whole = _rise(judgement.probabilities[kind], reference.probabilities.get(kind, 0.0))
    return whole <= MARGIN and all(_no_more_at(place, kind, judgement, reference) for place in doubted)


def _no_more_at(place: Place, kind: FindingKind, judgement: Judgement, reference: Judgement) -> bool:
    here, there = (said.place_probabilities.get(place, {}).get(kind) for said in (judgement, reference))
    if place in reference.unseen:
        return False
    if here is None:
        return True  # only the whole photo was told of
    return there is not None and _rise(here, there) <= PLACE_MARGIN


def _rise(now: float, before: float) -> float:
    """Return how many log odds ``now`` lies above ``before``."""
    low, high = (min(max(p, 1e-9), 1 - 1e-9) for p in (before, now))
    return math.log(high / (1 - high)) - math.log(low / (1 - low))
