"""Worlds that share nothing a network could know by heart: other places, plastics, builds, hands, phones.

A set is rendered in one domain. ``TRAIN`` is what networks learn from; ``STRESS`` keeps its surroundings,
colours, build styles, skins and gloves, tone curves and codecs out of training altogether; ``LOCAL`` is one
operator's own site, a third world: two dim places, one colour scheme, one make of coupler with traits
that look like damage to who never met them (see ``local_make``), one phone with a strong yellow cast.
``SITE`` is that site with couplers of ordinary shape: its plastics, light, camera and background are new,
notched sleeves and slender levers are not there. ``FORKED`` is ``SITE`` with a make whose hooks are forked.

Samplers nest deeply and all draw for one subject at a time, so that the domain is set around them
(:func:`using`) and asked for where a table of choices is kept (:func:`choice`), not handed down.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from enum import StrEnum
from typing import TypeVar

T = TypeVar("T")


class Domain(StrEnum):
    """The world a set is rendered in; the value names it in coupler ids and splits."""

    TRAIN = "train"
    STRESS = "stress"
    LOCAL = "local"
    SITE = "site"
    FORKED = "forked"


_active: ContextVar[Domain] = ContextVar("domain", default=Domain.TRAIN)


def current() -> Domain:
    """Return the domain that is drawn from."""
    return _active.get()


@contextmanager
def using(domain: Domain) -> Iterator[None]:
    """Draw from ``domain`` inside the ``with`` block."""
    token = _active.set(domain)
    try:
        yield
    finally:
        _active.reset(token)


def at_the_site() -> bool:
    """Whether the operator's own site is drawn from, whatever the shape of its couplers."""
    return current() in (Domain.LOCAL, Domain.SITE, Domain.FORKED)


def choice(table: Mapping[Domain, T]) -> T:
    """Return the current domain's entry of a table of choices; all forms of the site share theirs."""
    return table[Domain.LOCAL if at_the_site() else current()]
