"""What an end point's declaration consists of: sources, variants, causes and clocks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from analysis.outcomes.cohort import Unit

Reading = Literal["event", "competing", "ignored"]

DAYS_PER_YEAR = 365.25

EYE_REMOVAL = "r.kind IN ('enucleation', 'exenteration')"
"""Selects the events by which an eye is lost."""


@dataclass(frozen=True, slots=True)
class Source:
    """One kind of record that dates a cause.

    ``relation`` is the unit's own ``unit_event``, ``unit_visit`` or ``unit_state``; ``on_date`` the
    dating column; ``condition`` the SQL that selects the rows (alias ``r``); ``words`` the same in
    the words of the methods text. ``doubtful`` names what a variant may read differently.
    """

    relation: Literal["unit_event", "unit_visit", "unit_state"]
    on_date: str
    condition: str
    words: str
    doubtful: str | None = None


@dataclass(frozen=True, slots=True)
class Variant:
    """A sensitivity analysis: how the doubtful sources are read instead of the main reading."""

    name: str
    words: str
    readings: Mapping[str, Reading] = field(default_factory=dict)
    dated_at_suspicion: bool = False
    death_by_last_visit: bool = False


@dataclass(frozen=True, slots=True)
class EndPoint:
    """One end point: unit, event, competing causes, clock and variants.

    ``main`` says how each doubtful source is read in the main analysis. ``competing`` maps the name
    of a competing cause seen on the examination clock to its sources. ``death_competes`` adds death
    on its own clock as the last cause. ``known_until`` is SQL over ``unit_state s`` and the last
    assessed visit ``k.known_date``. A unit with a ``not_at_risk`` record on or before time zero
    could no longer have the event; it is left out and counted in the flow.
    """

    name: str
    title: str
    free_title: str
    unit: Unit
    events: tuple[Source, ...]
    competing: Mapping[str, tuple[Source, ...]]
    death_competes: bool
    assessed: str
    known_until: str
    known_words: str
    main: Mapping[str, Reading] = field(default_factory=dict)
    variants: tuple[Variant, ...] = ()
    not_at_risk: tuple[Source, ...] = ()

    @property
    def cause_names(self) -> tuple[str, ...]:
        """Names of the causes 1, 2, ... in the order of their numbers."""
        death = ("death",) if self.death_competes else ()
        return (self.title, *self.competing, *death)


MAIN = Variant("main", "the main definition")
