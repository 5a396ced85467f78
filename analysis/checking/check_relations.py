"""The relations that the rules of ``check`` read, laid out once as temporary tables.

All are cut to the data cut on both clocks. ``checked_visit`` and ``checked_event`` carry the tumour
that they concern where it is certain: the one named, else the eye's only tumour.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from types import MappingProxyType
from typing import TYPE_CHECKING

from analysis.outcomes.cohort import CohortRules, DataCut, unit_relations
from registry.entry_rules.record_rules import REMOVES_THE_EYE, list_codes

if TYPE_CHECKING:
    import duckdb

_OWN = "($patient IS NULL OR {alias}patient_id = $patient)"
_OWN_PLAQUES = (
    "(SELECT i.applicator_id FROM cut_implant i JOIN recorded_tumour t USING (tumour_id)"
    " WHERE t.patient_id = $patient)"
)
_OF_OWN_PLAQUES = f"($patient IS NULL OR applicator_id IN {_OWN_PLAQUES})"
_ONLY_TUMOUR = (
    "(SELECT patient_id, eye, min(tumour_id) AS only_tumour FROM recorded_tumour"
    " GROUP BY patient_id, eye HAVING count(*) = 1)"
)

RELATIONS: Mapping[str, str] = MappingProxyType(
    {
        "checked_patient": f"""
SELECT c.*, p.death_date AS any_death_date, p.metastasis_date AS any_metastasis_date,
    p.last_contact_date AS any_contact_date
FROM cut_patient c JOIN patient_as_of($recorded_until) p USING (patient_id)
WHERE {_OWN.format(alias="")}""",
        "checked_tumour": f"""
SELECT t.*, z.zero_date, z.first_implant_id,
    count(*) OVER (PARTITION BY t.patient_id, t.eye) AS tumours_in_eye
FROM recorded_tumour t
LEFT JOIN (SELECT tumour_id, zero_date, first_implant_id FROM treated_tumour) z USING (tumour_id)
WHERE {_OWN.format(alias="t.")}""",
        "checked_implant": f"""
SELECT i.*, t.patient_id, t.eye, a.isotope, CAST(i.removed_at AS DATE) AS removed_date,
    date_diff('minute', i.inserted_at, i.removed_at) / 60.0 AS hours,
    coalesce(i.incident, 'none') NOT IN ('none', 'unknown') AS has_incident
FROM cut_implant i LEFT JOIN recorded_tumour t USING (tumour_id)
LEFT JOIN applicator_as_of($recorded_until) a ON a.applicator_id = i.applicator_id
WHERE {_OWN.format(alias="t.")} OR i.applicator_id IN {_OWN_PLAQUES}""",
        "checked_visit": f"""
SELECT v.*, coalesce(v.tumour_id, o.only_tumour) AS of_tumour
FROM cut_visit v LEFT JOIN {_ONLY_TUMOUR} o USING (patient_id, eye)
WHERE {_OWN.format(alias="")}""",
        "checked_event": f"""
SELECT e.*, coalesce(e.tumour_id, o.only_tumour) AS of_tumour
FROM cut_event e LEFT JOIN {_ONLY_TUMOUR} o USING (patient_id, eye)
WHERE {_OWN.format(alias="")}""",
        "checked_applicator": f"""
SELECT * FROM applicator_as_of($recorded_until) WHERE {_OF_OWN_PLAQUES}""",
        "checked_applicator_check": f"""
SELECT * FROM applicator_check_as_of($recorded_until)
WHERE check_date <= $cut_date AND {_OF_OWN_PLAQUES}""",
        "checked_certificate": f"""
SELECT * FROM certificate_as_of($recorded_until) WHERE {_OF_OWN_PLAQUES}""",
        "checked_implant_muscle": "SELECT * FROM implant_muscle_as_of($recorded_until)",
    }
)
"""The tables as they stand at the cut, one query a relation."""

_DERIVED: Mapping[str, str] = MappingProxyType(
    {
        "checked_eye": f"""
SELECT t.patient_id, t.eye, min(t.zero_date) AS zero_date, r.removed_date, r.removal_id,
    r.removal_kind
FROM checked_tumour t LEFT JOIN (
    SELECT patient_id, eye, min(event_date) AS removed_date, arg_min(event_id, event_date)
        AS removal_id, arg_min(kind, event_date) AS removal_kind
    FROM checked_event WHERE kind IN ({list_codes(REMOVES_THE_EYE)})
    GROUP BY patient_id, eye) r USING (patient_id, eye)
GROUP BY ALL""",
        "checked_failure": f"""
SELECT of_tumour AS tumour_id, min(on_date) AS failed_date FROM (
    SELECT of_tumour, event_date AS on_date FROM checked_event
    WHERE kind IN ('local_failure', 'orbital_recurrence')
        OR (reason = 'local_failure' AND kind IN ({list_codes(REMOVES_THE_EYE)}, 'retreatment'))
    UNION ALL
    SELECT of_tumour, visit_date FROM checked_visit WHERE local_status = 'failed')
WHERE of_tumour IS NOT NULL GROUP BY of_tumour""",
    }
)


def run(
    connection: duckdb.DuckDBPyConnection, sql: str, parameters: Mapping[str, object]
) -> duckdb.DuckDBPyConnection:
    """Run a statement with those of the parameters that it names."""
    return connection.execute(sql, {k: v for k, v in parameters.items() if f"${k}" in sql})


@contextmanager
def laid_out(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, *, patient_id: str | None = None
) -> Iterator[dict[str, object]]:
    """Lay the relations out as temporary tables while the block runs; nothing is left behind.

    ``patient_id`` keeps one patient's records, the plaques used for them, and every implant of
    those plaques. Yields the parameters that the rules' SQL may name.
    """
    parameters: dict[str, object] = cut.parameters() | {"patient": patient_id}
    common = unit_relations("tumour", CohortRules(with_prior_treatment=True))
    made: list[str] = []
    try:
        for name, sql in (*RELATIONS.items(), *_DERIVED.items()):
            query = f"WITH {common} {sql}" if name in RELATIONS else sql
            run(connection, f"CREATE OR REPLACE TEMP TABLE {name} AS {query}", parameters)
            made.append(name)
        yield parameters
    finally:
        for name in made:
            connection.execute(f"DROP TABLE IF EXISTS temp.{name}")
