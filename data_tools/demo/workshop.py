"""What the technicians do: read the queue, take units out of service, replace couplers, return them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np

from data_tools.access import Actor
from data_tools.conditions import replace_coupler, return_to_service, take_out_of_service
from data_tools.demo.people import CAREFUL, LENIENT, Reader, Reading, Truth, read
from data_tools.demo.story import (
    BACK_REASON,
    BAD_PART,
    FIRST_TECHNICIAN,
    GOOD_PART,
    LEAD,
    OBSERVATIONS,
    REASONS,
    SECOND_TECHNICIAN,
    WIRING_FAULT_UNIT,
    WIRING_REASON,
)
from data_tools.queueing import queue
from data_tools.records import DecisionKind, ObservationKind, QueueItem, TrueFinding, UnitStatus
from data_tools.review import decide
from data_tools.sites import get_unit
from data_tools.workspace import Workspace
from model.vocabulary import GRAVITY

READ_TWICE = 0.45
SETTLED = 0.75
STOCK_CHANGED_IN_WEEK = 12
"""From this week on only the better part number is fitted."""
WAIT_WEEKS = {"quay": 1, "mill": 1, "ridge": 2}
_SALT = 21
_EVERYTHING = 10_000
TruthOf = Callable[[int], Truth | None]


class Workshop:
    """The technicians' days. ``decisions`` and ``replacements`` count what they did."""

    def __init__(self, ws: Workspace) -> None:
        self.ws, self.decisions, self.replacements = ws, 0, 0
        self._waiting: dict[str, tuple[int, str]] = {}
        self._wiring_replacements = 0

    def review(self, week: int, at: datetime, truth_of: TruthOf) -> None:
        """Decide everything that waits; some of it is read by both, and most disputes are settled."""
        random = np.random.default_rng([_SALT, week])
        self._settle(at, truth_of, random)
        items = queue(self.ws, FIRST_TECHNICIAN, limit=_EVERYTHING)
        for item in items:
            at += timedelta(seconds=20)
            reading = self._decide(FIRST_TECHNICIAN, CAREFUL, item, at, truth_of, random)
            self._take_out(item, reading, week, at)
        for item in items:
            if random.uniform() < READ_TWICE:
                at += timedelta(seconds=20)
                self._decide(SECOND_TECHNICIAN, LENIENT, item, at, truth_of, random)

    def repair(self, week: int, at: datetime) -> None:
        """Replace the couplers whose turn it is and return their units to service."""
        for seen in OBSERVATIONS:
            if seen.week == week and seen.what is ObservationKind.CABLE_CUT_OR_FRAYED:
                self._out(seen.unit, seen.note, week, at)
        due = [key for key, (out_in, _) in self._waiting.items() if week >= out_in]
        for key in sorted(due):
            _, why = self._waiting.pop(key)
            unit = get_unit(self.ws, FIRST_TECHNICIAN, key)
            old = unit.couplers[0]
            worn_out = old.part_number == BAD_PART and week >= STOCK_CHANGED_IN_WEEK
            part = GOOD_PART if worn_out else old.part_number
            replace_coupler(self.ws, FIRST_TECHNICIAN, key, old.position, part, why, now=at)
            back_at = at + timedelta(hours=1)
            return_to_service(self.ws, FIRST_TECHNICIAN, key, self._why_back(key), now=back_at)
            self.replacements += 1

    def _why_back(self, key: str) -> str:
        """The first new coupler goes back into service unsuspected; after the second the cause is found."""
        if key != WIRING_FAULT_UNIT:
            return BACK_REASON
        self._wiring_replacements += 1
        return BACK_REASON if self._wiring_replacements == 1 else WIRING_REASON

    def _settle(self, at: datetime, truth_of: TruthOf, random: np.random.Generator) -> None:
        for item in queue(self.ws, LEAD, limit=_EVERYTHING):
            if item.conflict and random.uniform() < SETTLED:
                self._decide(LEAD, CAREFUL, item, at, truth_of, random)

    def _decide(
        self,
        who: Actor,
        reader: Reader,
        item: QueueItem,
        at: datetime,
        truth_of: TruthOf,
        random: np.random.Generator,
    ) -> Reading:
        truth = truth_of(item.photo.id)
        if truth is None:
            reading = Reading(DecisionKind.CANNOT_TELL, (), reader.seconds)
        else:
            reading = read(reader, truth, item, random)
        decide(
            self.ws,
            who,
            item.photo.id,
            item.verdict.id,
            reading.kind,
            reading.findings,
            seconds=reading.seconds,
            evidence_shown=bool(random.uniform() < 0.4),
            now=at,
        )
        self.decisions += 1
        return reading

    def _take_out(self, item: QueueItem, reading: Reading, week: int, at: datetime) -> None:
        found = reading.findings
        if reading.kind is DecisionKind.CONFIRMED:
            found = tuple(TrueFinding(f.kind, f.place) for f in item.verdict.judgement.findings)
        kinds = {finding.kind for finding in found}
        if kinds:
            gravest = next(kind for kind in GRAVITY if kind in kinds)
            self._out(item.unit.key, REASONS[gravest], week, at)

    def _out(self, key: str, why: str, week: int, at: datetime) -> None:
        unit = get_unit(self.ws, FIRST_TECHNICIAN, key)
        if unit.status is UnitStatus.IN_SERVICE:
            take_out_of_service(self.ws, FIRST_TECHNICIAN, key, why, now=at)
            self._waiting[key] = (week + WAIT_WEEKS[unit.site_key], why)
