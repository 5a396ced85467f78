"""End points as declarations, compiled to SQL relations and to the words of the methods text.

Each :class:`EndPoint` says what its unit is, what counts as the event, what competes, until when
the status is known, and which sensitivity variants stand beside the main definition. One compiler
turns a declaration into one query, :func:`definition_in_words` turns the same declaration into the
text that a report prints, so that the two cannot drift apart.

Clocks: the status by examination is known until the last visit at which it was assessed; death is
known until the vital-status date. The two are never mixed in one column. Same-day order: failure,
loss of the eye, death. Events before time zero or after death do not count; they are contradictions
and are counted in the warnings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from analysis.cohort import CohortRules, Unit, unit_relations
from registry.errors import UsageError
from registry.records import TABLES

Reading = Literal["event", "competing", "ignored"]

DAYS_PER_YEAR = 365.25


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


_EYE_REMOVAL = "r.kind IN ('enucleation', 'exenteration')"
_UNKNOWN_REASON = "coalesce(r.reason, 'unknown') = 'unknown'"
_LAST_ASSESSED = "k.known_date"

LOCAL_FAILURE = EndPoint(
    name="local_failure",
    title="local failure",
    free_title="local control",
    unit="tumour",
    events=(
        Source(
            "unit_event",
            "event_date",
            "r.is_own AND (r.kind = 'orbital_recurrence' OR (r.kind = 'local_failure'"
            " AND coalesce(r.failure_pattern, 'unknown') <> 'no_regression'))",
            "a local failure or orbital recurrence event",
        ),
        Source(
            "unit_event",
            "event_date",
            "r.is_own AND r.kind = 'local_failure' AND r.failure_pattern = 'no_regression'",
            "a local failure event recorded as absent regression only",
            doubtful="no regression",
        ),
        Source(
            "unit_visit",
            "visit_date",
            "r.local_status = 'failed'",
            "a visit at which the tumour was judged failed",
        ),
        Source(
            "unit_event",
            "event_date",
            f"r.is_own AND r.reason = 'local_failure' AND ({_EYE_REMOVAL}"
            " OR r.kind = 'retreatment')",
            "removal of the eye or retreatment because of local failure",
        ),
        Source(
            "unit_event",
            "event_date",
            f"r.is_own AND {_UNKNOWN_REASON} AND ({_EYE_REMOVAL} OR"
            " (r.kind = 'retreatment' AND coalesce(r.planned, 'unknown') <> 'planned'))",
            "removal of the eye or unplanned retreatment for an unknown reason",
            doubtful="reason unknown",
        ),
    ),
    competing={
        "eye removed for another reason": (
            Source(
                "unit_event",
                "event_date",
                f"{_EYE_REMOVAL} AND (NOT r.is_own OR (NOT {_UNKNOWN_REASON}"
                " AND r.reason <> 'local_failure'))",
                "removal of the eye for another reason",
            ),
        )
    },
    death_competes=True,
    assessed="r.local_status IN ('controlled', 'suspected', 'failed')",
    known_until=_LAST_ASSESSED,
    known_words="the last visit at which local status was assessed",
    main={"no regression": "ignored", "reason unknown": "event"},
    variants=(
        Variant(
            "reason unknown competes",
            "removal of the eye or retreatment for an unknown reason read as not for failure",
            {"reason unknown": "competing"},
        ),
        Variant(
            "no regression counts",
            "absent regression read as failure",
            {"no regression": "event"},
        ),
        Variant(
            "dated at suspicion",
            "a confirmed failure dated at the first of the suspected visits that led to it",
            dated_at_suspicion=True,
        ),
        Variant(
            "one clock",
            "every unit, the dead too, followed to the last assessed visit plus 1.25 planned"
            " visit gaps",
            death_by_last_visit=True,
        ),
    ),
)

EYE_LOSS = EndPoint(
    name="eye_loss",
    title="loss of the eye",
    free_title="eye retention",
    unit="eye",
    events=(
        Source("unit_event", "event_date", _EYE_REMOVAL, "enucleation or exenteration"),
        Source("unit_event", "event_date", "r.kind = 'phthisis'", "phthisis", doubtful="phthisis"),
    ),
    competing={},
    death_competes=True,
    assessed="true",
    known_until=_LAST_ASSESSED,
    known_words="the last visit",
    main={"phthisis": "ignored"},
    variants=(Variant("phthisis counts", "phthisis read as loss", {"phthisis": "event"}),),
)

METASTASIS = EndPoint(
    name="metastasis",
    title="metastasis",
    free_title="freedom from metastasis",
    unit="patient",
    events=(
        Source(
            "unit_state",
            "metastasis_date",
            "r.metastasis_date IS NOT NULL",
            "the first date on which metastasis was established",
        ),
    ),
    competing={},
    death_competes=True,
    assessed="true",
    known_until="least(coalesce(s.metastasis_status_date, k.known_date), s.death_date)",
    known_words="the last assessment of metastasis status (else the last visit)",
)

DEATH = EndPoint(
    name="death",
    title="death",
    free_title="overall survival",
    unit="patient",
    events=(
        Source("unit_state", "death_date", "r.death_date IS NOT NULL", "death from any cause"),
    ),
    competing={},
    death_competes=False,
    assessed="true",
    known_until="s.vital_date",
    known_words="the date to which vital status is known",
)

_CAUSE = "coalesce(r.death_cause, 'unknown')"
MELANOMA_DEATH = EndPoint(
    name="melanoma_death",
    title="death from uveal melanoma",
    free_title="freedom from melanoma death",
    unit="patient",
    events=(
        Source(
            "unit_state",
            "death_date",
            f"r.death_date IS NOT NULL AND {_CAUSE} = 'metastatic_uveal_melanoma'",
            "death from metastatic uveal melanoma",
        ),
        Source(
            "unit_state",
            "death_date",
            f"r.death_date IS NOT NULL AND {_CAUSE} = 'unknown'",
            "death from an unknown cause",
            doubtful="cause unknown",
        ),
    ),
    competing={
        "other death": (
            Source(
                "unit_state",
                "death_date",
                f"r.death_date IS NOT NULL AND {_CAUSE} NOT IN"
                " ('metastatic_uveal_melanoma', 'unknown')",
                "death from another cause",
            ),
        )
    },
    death_competes=False,
    assessed="true",
    known_until="s.vital_date",
    known_words="the date to which vital status is known",
    main={"cause unknown": "competing"},
    variants=(
        Variant(
            "unknown causes count", "unknown causes read as melanoma", {"cause unknown": "event"}
        ),
    ),
)

TOXICITIES: tuple[str, ...] = tuple(
    kind
    for kind in TABLES["event"].field("kind").codes
    if kind
    not in ("local_failure", "orbital_recurrence", "enucleation", "exenteration", "retreatment",
            "plaque_displacement", "other")
)  # fmt: skip
"""Event kinds that are end points of their own: complications, and procedures for them."""

_LENS_GONE = (
    Source(
        "unit_visit",
        "visit_date",
        "r.lens_status IN ('pseudophakic', 'aphakic')",
        "an eye without its own lens",
    ),
    Source("unit_event", "event_date", "r.kind = 'cataract_surgery'", "earlier cataract surgery"),
)


def toxicity(kind: str, at_least_grade: int | None = None) -> EndPoint:
    """Return the end point of one kind of complication or procedure.

    Parameters
    ----------
    kind
        One of ``TOXICITIES``.
    at_least_grade
        Count only events of this CTCAE grade or more (1 to 4); events without a grade then do not
        count, and the sensitivity analysis counts them.

    Raises
    ------
    ValueError
        For an unknown kind or grade.

    Examples
    --------
    >>> toxicity("cataract").not_at_risk[0].words
    'cataract before treatment'
    """
    if kind not in TOXICITIES:
        raise ValueError(f"{kind!r} is not one of {TOXICITIES}")
    if at_least_grade is not None and at_least_grade not in (1, 2, 3, 4):
        raise ValueError(f"a grade is 1, 2, 3 or 4, not {at_least_grade!r}")
    words = kind.replace("_", " ")
    this_kind = f"r.kind = '{kind}'"
    events: tuple[Source, ...] = (Source("unit_event", "event_date", this_kind, words),)
    main: dict[str, Reading] = {}
    variants: tuple[Variant, ...] = ()
    name, title = kind, words
    if at_least_grade is not None:
        name, title = f"{kind}:{at_least_grade}", f"{words} of grade {at_least_grade} or more"
        graded = f"{this_kind} AND r.grade >= {at_least_grade}"
        ungraded = f"{this_kind} AND r.grade IS NULL"
        without = f"{words} without a grade"
        events = (
            Source("unit_event", "event_date", graded, title),
            Source("unit_event", "event_date", ungraded, without, doubtful="no grade"),
        )
        main = {"no grade": "ignored"}
        variants = (
            Variant("no grade counts", f"{without} counted as an event", {"no grade": "event"}),
        )
    before = (Source("unit_event", "event_date", this_kind, f"{words} before treatment"),)
    return EndPoint(
        name=name,
        title=title,
        free_title=f"freedom from {title}",
        unit="eye",
        events=events,
        competing={
            "eye removed": (Source("unit_event", "event_date", _EYE_REMOVAL, "removal of the eye"),)
        },
        death_competes=True,
        assessed="true",
        known_until=_LAST_ASSESSED,
        known_words="the last visit",
        main=main,
        variants=variants,
        not_at_risk=before + (_LENS_GONE if kind in ("cataract", "cataract_surgery") else ()),
    )


def find_end_point(name: str) -> EndPoint:
    """Return the end point of that name; a toxicity may carry a least grade, as ``cataract:3``.

    Raises
    ------
    UsageError
        When there is none; the message lists them.
    """
    if name in END_POINTS:
        return END_POINTS[name]
    kind, colon, grade = name.partition(":")
    if kind in TOXICITIES and (not colon or grade in ("1", "2", "3", "4")):
        return toxicity(kind, int(grade) if colon else None)
    raise UsageError(
        f"There is no end point {name!r}; choose from {', '.join(END_POINTS)}, or a complication,"
        f" with its least CTCAE grade after a colon if wanted: {', '.join(TOXICITIES)}.",
        option="--end-point",
    )


END_POINTS: dict[str, EndPoint] = {
    end_point.name: end_point
    for end_point in (LOCAL_FAILURE, EYE_LOSS, METASTASIS, DEATH, MELANOMA_DEATH)
}
MAIN = Variant("main", "the main definition")


def _reading(end_point: EndPoint, source: Source, variant: Variant) -> Reading:
    if source.doubtful is None:
        return "event"
    return variant.readings.get(source.doubtful, end_point.main[source.doubtful])


def _selection(source: Source, cause: int) -> str:
    return (
        f"SELECT r.unit_id, r.{source.on_date} AS on_date, {cause} AS cause"
        f" FROM {source.relation} r WHERE {source.condition}"
    )


def _happenings(end_point: EndPoint, variant: Variant) -> str:
    selections = []
    for source in end_point.events:
        reading = _reading(end_point, source, variant)
        if reading == "event":
            selections.append(_selection(source, 1))
        elif reading == "competing" and source.relation == "unit_event":
            # only removal of the eye can end the time at risk; an unexplained retreatment cannot
            removal = f"{source.condition} AND {_EYE_REMOVAL}"
            competing = Source(source.relation, source.on_date, removal, source.words)
            selections.append(_selection(competing, 2))
        elif reading == "competing":
            selections.append(_selection(source, 2))
    for cause, sources in enumerate(end_point.competing.values(), start=2):
        selections.extend(_selection(source, cause) for source in sources)
    return " UNION ALL ".join(selections)


def _not_at_risk(end_point: EndPoint) -> str:
    """Compile the units that could no longer have the event at time zero."""
    selections = [
        f"SELECT r.unit_id FROM {source.relation} r JOIN unit u USING (unit_id)"
        f" WHERE {source.condition} AND r.{source.on_date} <= u.zero_date"
        for source in end_point.not_at_risk
    ]
    return " UNION ".join(selections) or "SELECT unit_id FROM unit WHERE false"


def compile_not_at_risk(end_point: EndPoint, rules: CohortRules) -> str:
    """Compile the number of units left out because they were not at risk at time zero."""
    return (
        f"WITH {unit_relations(end_point.unit, rules)}"
        f" SELECT count(*) AS left_out FROM ({_not_at_risk(end_point)})"
    )


_SUSPICION = """
, suspicion AS (
    SELECT h.unit_id, min(v.visit_date) AS suspected_date
    FROM first_happening h JOIN unit_visit v USING (unit_id) JOIN unit u USING (unit_id)
    WHERE h.cause = 1 AND v.local_status = 'suspected' AND v.visit_date < h.on_date
        AND v.visit_date >= u.zero_date
        AND v.visit_date > coalesce((
            SELECT max(w.visit_date) FROM unit_visit w
            WHERE w.unit_id = h.unit_id AND w.local_status = 'controlled'
                AND w.visit_date < h.on_date), DATE '0001-01-01')
    GROUP BY h.unit_id)"""


def compile_end_point(end_point: EndPoint, rules: CohortRules, variant: Variant = MAIN) -> str:
    """Compile one end point into one query.

    Returns
    -------
    str
        SQL with the named parameters ``$cut_date`` and ``$recorded_until``. One row a unit:
        ``unit_id, patient_id, eye, tumour_id, first_implant_id, zero_date, entry_days, time_days,
        status, last_known_free_days, first_known_event_days, death_days, vital_known_days,
        seen`` -- all days count from time zero; ``status`` is 0 (censored on the examination
        clock), 1 (event) or the number of a cause that competes on that clock. Death as a
        competing cause is in ``death_days`` on its own clock.
    """
    event_date = "h.on_date"
    suspicion, join = "", ""
    if variant.dated_at_suspicion:
        suspicion, join = _SUSPICION, "LEFT JOIN suspicion x USING (unit_id)"
        event_date = "coalesce(x.suspected_date, h.on_date)"
    return f"""
WITH {unit_relations(end_point.unit, rules)},
happening AS ({_happenings(end_point, variant)}),
first_happening AS (
    SELECT h.* FROM happening h JOIN unit_state s USING (unit_id)
    WHERE h.on_date >= s.zero_date AND (s.death_date IS NULL OR h.on_date <= s.death_date)
    QUALIFY row_number() OVER (PARTITION BY h.unit_id ORDER BY h.on_date, h.cause) = 1),
assessed AS (
    SELECT r.unit_id, r.visit_date FROM unit_visit r JOIN unit_state s USING (unit_id)
    WHERE {end_point.assessed} AND r.visit_date >= s.zero_date
        AND (s.death_date IS NULL OR r.visit_date <= s.death_date)
        AND (s.removed_date IS NULL OR r.visit_date <= s.removed_date)),
last_assessed AS (
    SELECT unit_id, max(visit_date) AS known_date FROM assessed GROUP BY unit_id),
last_free AS (
    SELECT a.unit_id, max(a.visit_date) AS free_date
    FROM assessed a LEFT JOIN first_happening h USING (unit_id)
    WHERE h.on_date IS NULL OR h.cause <> 1 OR a.visit_date < h.on_date GROUP BY a.unit_id)
{suspicion}
SELECT s.unit_id, s.patient_id, s.eye, s.tumour_id, s.first_implant_id, s.zero_date,
    s.entry_date - s.zero_date AS entry_days,
    coalesce({event_date}, greatest(s.zero_date, {end_point.known_until})) - s.zero_date
        AS time_days,
    coalesce(h.cause, 0) AS status,
    coalesce(f.free_date - s.zero_date, 0) AS last_known_free_days,
    CASE WHEN h.cause = 1 THEN {event_date} - s.zero_date END AS first_known_event_days,
    s.death_date - s.zero_date AS death_days,
    s.vital_date - s.zero_date AS vital_known_days,
    k.known_date IS NOT NULL AS seen
FROM unit_state s LEFT JOIN first_happening h USING (unit_id)
LEFT JOIN last_assessed k USING (unit_id) LEFT JOIN last_free f USING (unit_id) {join}
WHERE s.unit_id NOT IN ({_not_at_risk(end_point)})
ORDER BY s.unit_id"""


def compile_contradictions(end_point: EndPoint, rules: CohortRules) -> str:
    """Compile the counts of records that contradict each other and were therefore not used."""
    return f"""
WITH {unit_relations(end_point.unit, rules)},
happening AS ({_happenings(end_point, MAIN)})
SELECT
    (SELECT count(*) FROM happening h JOIN unit_state s USING (unit_id)
        WHERE h.on_date < s.zero_date) AS before_time_zero,
    (SELECT count(*) FROM happening h JOIN unit_state s USING (unit_id)
        WHERE h.on_date > s.death_date) AS after_death,
    (SELECT count(*) FROM unit_visit v JOIN unit_state s USING (unit_id)
        WHERE v.visit_date > s.removed_date) AS visits_after_removal,
    (SELECT count(*) FROM unit_visit v JOIN unit_state s USING (unit_id)
        WHERE v.visit_date > s.death_date) AS visits_after_death,
    (SELECT count(*) FROM unit_state s JOIN cut_patient p USING (patient_id)
        WHERE s.death_date IS NULL AND p.vital_status_date IS NULL
            AND p.last_contact_date IS NULL) AS vital_status_unknown"""


CONTRADICTIONS_IN_WORDS = {
    "before_time_zero": "event dated before the plaque was inserted: not counted",
    "after_death": "event dated after death: not counted",
    "visits_after_removal": "visit dated after the eye was removed: not used",
    "visits_after_death": "visit dated after death: not used",
    "vital_status_unknown": "no vital status or last contact on record: followed to the last visit",
}


def definition_in_words(end_point: EndPoint) -> str:
    """Write the definition for the methods text, from the declaration itself."""
    counted = [
        source.words for source in end_point.events if _reading(end_point, source, MAIN) == "event"
    ]
    earliest = "the earliest of " if len(counted) > 1 else ""
    sentences = [
        f"{end_point.title.capitalize()} (unit: {end_point.unit}) is {earliest}"
        f"{'; '.join(counted)}."
    ]
    competing = [source.words for sources in end_point.competing.values() for source in sources]
    competing += ["death"] if end_point.death_competes else []
    if competing:
        sentences.append(f"Competing: {' and '.join(competing)}.")
    if end_point.not_at_risk:
        left_out = [source.words for source in end_point.not_at_risk]
        sentences.append(f"Not at risk, and left out: {'; '.join(left_out)}.")
    sentences.append(f"Status is known until {end_point.known_words}.")
    if end_point.death_competes:
        sentences.append("Death is followed on its own clock, to the vital-status date.")
    for variant in end_point.variants:
        sentences.append(f"Sensitivity analysis “{variant.name}”: {variant.words}.")
    return " ".join(sentences)
