"""An operator whose photos have known truths: sends them and decides through the store's own verbs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from data_tools.access import Actor, Role
from data_tools.archives import UploadSource
from data_tools.ingest import ingest
from data_tools.records import DecisionKind, IngestedFile, TrueFinding, VerdictRecord
from data_tools.review import decide
from data_tools.sites import add_site, add_unit
from data_tools.workspace import Workspace
from model.manifest import LabelledPhoto
from model.vocabulary import Outcome

LEAD = Actor("Trial lead", Role.LEAD)
TECHNICIAN = Actor("Trial technician", Role.TECHNICIAN)
SECOND = Actor("Second technician", Role.TECHNICIAN)
SEEN_FROM = 0.12
"""A damage less visible than this (manifest ``visible``) is not seen by a person either."""
SITE = "trial"
Progress = Callable[[int, str], None]


def send(
    ws: Workspace, labels: Sequence[LabelledPhoto], root: Path, progress: Progress | None = None
) -> list[tuple[LabelledPhoto, IngestedFile]]:
    """Add a site with one unit for each coupler, send every photo (files relative to ``root``) and return
    each with what became of it."""
    add_site(ws, LEAD, SITE, "Trial site")
    units = {name: f"C{number:05}" for number, name in enumerate(dict.fromkeys(p.coupler for p in labels))}
    families = {p.coupler: p.family for p in labels if p.family}
    for coupler, unit in units.items():
        add_unit(ws, LEAD, SITE, unit, family=families.get(coupler, "type1"))
    sources = (
        UploadSource(f"{units[p.coupler]}_{n}{Path(p.file).suffix}", (root / p.file).read_bytes())
        for n, p in enumerate(labels)
    )
    report = ingest(ws, LEAD, sources, SITE, progress=progress)
    return list(zip(labels, report.files, strict=True))


def confirm(
    ws: Workspace,
    sent: Sequence[tuple[LabelledPhoto, IngestedFile]],
    reviewers: Sequence[Actor] = (TECHNICIAN,),
) -> int:
    """Decide on every photo as ``reviewers`` who see what is visible; return how many decisions that made."""
    count = 0
    for label, file in sent:
        if file.photo is None or file.verdict is None:
            continue
        kind, findings = said_of(label, file.verdict)
        for reviewer in reviewers:
            decide(ws, reviewer, file.photo.id, file.verdict.id, kind, findings)
            count += 1
    return count


def said_of(label: LabelledPhoto, verdict: VerdictRecord) -> tuple[DecisionKind, tuple[TrueFinding, ...]]:
    """Return what a person who knows the truth says of a verdict.

    A photo that nobody can judge gets "cannot tell", unless the model refused it too: then it is confirmed.
    """
    refused = verdict.judgement.outcome is Outcome.CANNOT_JUDGE
    if label.reason is not None or label.family is None:
        return (DecisionKind.CONFIRMED if refused else DecisionKind.CANNOT_TELL), ()
    seen = {TrueFinding(f.kind, f.place) for f in label.findings if f.visible >= SEEN_FROM}
    model_said = {TrueFinding(f.kind, f.place) for f in verdict.judgement.findings}
    if not refused and seen == model_said:
        return DecisionKind.CONFIRMED, ()
    return DecisionKind.CORRECTED, tuple(sorted(seen, key=lambda f: (f.kind.value, f.place.value)))
