"""End points as declarations, compiled to SQL relations and to the words of the methods text.

Each :class:`EndPoint` says what its unit is, what counts as the event, what competes, until when
the status is known, and which sensitivity variants stand beside the main definition. One compiler
(:mod:`analysis.outcomes.end_point_queries`) turns a declaration into one query, and the same
declaration into the text that a report prints, so that the two cannot drift apart.

Clocks: the status by examination is known until the last visit at which it was assessed; death is
known until the vital-status date. The two are never mixed in one column. Same-day order: failure,
loss of the eye, death. Events before time zero or after death do not count; they are contradictions
and are counted in the warnings.
"""

from __future__ import annotations

from analysis.outcomes.end_point_model import (
    DAYS_PER_YEAR,
    EYE_REMOVAL,
    MAIN,
    EndPoint,
    Reading,
    Source,
    Variant,
)
from analysis.outcomes.end_point_queries import (
    CONTRADICTIONS_IN_WORDS,
    compile_contradictions,
    compile_end_point,
    compile_not_at_risk,
    definition_in_words,
)
from registry.errors import UsageError
from registry.records import TABLES

__all__ = [
    "CONTRADICTIONS_IN_WORDS",
    "DAYS_PER_YEAR",
    "DEATH",
    "END_POINTS",
    "EYE_LOSS",
    "LOCAL_FAILURE",
    "MAIN",
    "MELANOMA_DEATH",
    "METASTASIS",
    "TOXICITIES",
    "EndPoint",
    "Reading",
    "Source",
    "Variant",
    "compile_contradictions",
    "compile_end_point",
    "compile_not_at_risk",
    "definition_in_words",
    "find_end_point",
    "toxicity",
]

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
            f"r.is_own AND r.reason = 'local_failure' AND ({EYE_REMOVAL}"
            " OR r.kind = 'retreatment')",
            "removal of the eye or retreatment because of local failure",
        ),
        Source(
            "unit_event",
            "event_date",
            f"r.is_own AND {_UNKNOWN_REASON} AND ({EYE_REMOVAL} OR"
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
                f"{EYE_REMOVAL} AND (NOT r.is_own OR (NOT {_UNKNOWN_REASON}"
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
        Source("unit_event", "event_date", EYE_REMOVAL, "enucleation or exenteration"),
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
    not_at_risk=(
        Source(
            "unit_state",
            "metastasis_date",
            "r.metastasis_date IS NOT NULL",
            "metastasis by the day of treatment",
        ),
        Source(
            "unit_state",
            "zero_date",
            "r.patient_id IN (SELECT t.patient_id FROM treated_tumour t"
            " WHERE t.metastasis_at_baseline IN ('m1a', 'm1b', 'm1c')"
            " AND t.zero_date <= r.zero_date)",
            "a tumour staged M1 at baseline",
        ),
    ),
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

_SURGERY_ONLY = Source(
    "unit_event",
    "event_date",
    "r.kind = 'cataract_surgery'",
    "cataract surgery without an earlier cataract on record",
    doubtful="surgery only",
)
_SURGERY_COUNTS = Variant(
    "surgery counts",
    "cataract surgery counted where no cataract was recorded before it",
    {"surgery only": "event"},
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
    if kind == "cataract":
        events = (*events, _SURGERY_ONLY)
        main["surgery only"] = "ignored"
        variants = (*variants, _SURGERY_COUNTS)
    before = (Source("unit_event", "event_date", this_kind, f"{words} before treatment"),)
    has_lens = kind in ("cataract", "cataract_surgery")
    removal = Source("unit_event", "event_date", EYE_REMOVAL, "removal of the eye")
    return EndPoint(
        name=name,
        title=title,
        free_title=f"freedom from {title}",
        unit="eye",
        events=events,
        competing={"eye removed": (removal,)},
        death_competes=True,
        assessed="true",
        known_until=_LAST_ASSESSED,
        known_words="the last visit",
        main=main,
        variants=variants,
        not_at_risk=before + (_LENS_GONE if has_lens else ()),
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
