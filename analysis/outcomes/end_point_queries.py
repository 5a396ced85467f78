"""End points compiled: one declaration to one query, and to the words of the methods text."""

from __future__ import annotations

from analysis.outcomes.cohort import CohortRules, unit_relations
from analysis.outcomes.end_point_model import EYE_REMOVAL, MAIN, EndPoint, Reading, Source, Variant


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
            removal = f"{source.condition} AND {EYE_REMOVAL}"
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
first_happening AS MATERIALIZED (
    SELECT h.* FROM happening h JOIN unit_state s USING (unit_id)
    WHERE h.on_date >= s.zero_date AND (s.death_date IS NULL OR h.on_date <= s.death_date)
    QUALIFY row_number() OVER (PARTITION BY h.unit_id ORDER BY h.on_date, h.cause) = 1),
assessed AS MATERIALIZED (
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
    "vital_status_unknown": "no vital status or last contact on record: followed to the last visit"
    " or event",
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
    competing += [
        source.words
        for source in end_point.events
        if _reading(end_point, source, MAIN) == "competing"
    ]
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
