"""The rules between records: of one patient, one eye, one plaque, in the files or the registry."""

from __future__ import annotations

from collections.abc import Iterator

from registry.entry_rules.record_rules import REMOVES_THE_EYE, RecordRule, list_codes, rule_within

FOLLOWS_TREATMENT = (
    "local_failure",
    "orbital_recurrence",
    "enucleation",
    "exenteration",
    "retreatment",
    "radiation_retinopathy",
    "radiation_maculopathy",
    "radiation_optic_neuropathy",
    "plaque_displacement",
)
"""Kinds of event that cannot come before the first plaque; others may be there at baseline."""

HAPPENS_WITHOUT_THE_EYE = ("orbital_recurrence", "exenteration", "infection", "other")
"""Kinds of event that may come after the eye has been removed."""


_BROKEN_TUMOURS = (
    "EXISTS (SELECT 1 FROM staged_tumour b WHERE b.eye IS NULL OR b.patient_id IS NULL OR NOT "
    "EXISTS (SELECT 1 FROM after_patient q WHERE q.patient_id = b.patient_id)) "
    "OR EXISTS (SELECT 1 FROM lost_tumour)"
)
"""Some tumour row of the files cannot be placed; its patient may be the one that is sought."""


def _eye_rules(table: str) -> Iterator[RecordRule]:
    """The rules that tie a visit or an event to a treated tumour of that eye."""
    has_no_tumour = (
        "NOT EXISTS (SELECT 1 FROM after_tumour t WHERE t.patient_id = r.patient_id "
        "AND (t.eye = r.eye OR t.eye IS NULL)) "
        "AND EXISTS (SELECT 1 FROM after_patient p WHERE p.patient_id = r.patient_id)"
    )
    may_be_broken = (
        "NOT EXISTS (SELECT 1 FROM after_tumour t WHERE t.patient_id = r.patient_id) "
        f"AND ({_BROKEN_TUMOURS})"
    )
    yield rule_within(
        f"{table}_of_untreated_eye",
        "error",
        table,
        "eye",
        f"r.eye IS NOT NULL AND {has_no_tumour} AND NOT ({may_be_broken})",
        "an eye with a treated tumour of this patient",
        "correct the eye, or enter the tumour first",
    )
    yield RecordRule(
        f"{table}_of_another_tumour",
        "error",
        table,
        "tumour_id",
        f"FROM staged_{table} r JOIN after_tumour t ON t.tumour_id = r.tumour_id "
        "WHERE (t.patient_id <> r.patient_id OR t.eye <> r.eye)",
        "a tumour of this patient and eye",
        "correct tumour_id, patient_id or eye",
    )


_SEVERAL_TUMOURS = (
    "(r.patient_id, r.eye) IN (SELECT (patient_id, eye) FROM after_tumour "
    "WHERE patient_id IS NOT NULL AND eye IS NOT NULL "
    "GROUP BY patient_id, eye HAVING count(DISTINCT tumour_id) > 1)"
)


def _which_tumour_rules() -> Iterator[RecordRule]:
    cases = {
        "visit": (
            "(r.thickness_mm IS NOT NULL OR r.largest_basal_diameter_mm IS NOT NULL "
            "OR r.local_status IS NOT NULL)"
        ),
        "event": "r.kind IN ('local_failure', 'retreatment')",
    }
    for table, concerns_one in cases.items():
        yield rule_within(
            f"{table}_of_which_tumour",
            "error",
            table,
            "tumour_id",
            f"r.tumour_id IS NULL AND {concerns_one} "
            "AND coalesce(NOT list_contains(r.unreadable, 'tumour_id'), true) "
            f"AND {_SEVERAL_TUMOURS}",
            "given where the eye has more than one treated tumour",
            "enter the tumour_id that the row refers to",
        )


def _moved_tumour_rules() -> Iterator[RecordRule]:
    for table in ("visit", "event"):
        yield RecordRule(
            f"tumour_moved_from_its_{table}s",
            "error",
            "tumour",
            "eye",
            "FROM staged_tumour r JOIN tumour s ON s.tumour_id = r.tumour_id "
            "WHERE (s.patient_id <> r.patient_id OR s.eye <> r.eye) AND EXISTS ("
            f"SELECT 1 FROM after_{table} v WHERE (v.patient_id = s.patient_id AND v.eye = s.eye "
            "AND NOT EXISTS (SELECT 1 FROM after_tumour t WHERE t.patient_id = v.patient_id "
            "AND t.eye = v.eye)) OR (v.tumour_id = r.tumour_id "
            "AND (v.patient_id <> r.patient_id OR v.eye <> r.eye)))",
            f"the eye in which the registry holds {table}s of this tumour",
            f"correct those {table}s in the same intake, or leave the tumour where it is",
        )


def _contradiction(
    name: str, subject: tuple[str, str], other: tuple[str, str], join: str, breach: str, words: str
) -> RecordRule:
    """Make a warning about two records; ``words`` says what the subject's date should be."""
    (table, field), (other_table, other_field) = subject, other
    body = f"FROM after_{table} r JOIN after_{other_table} o ON {join} WHERE ({breach})"
    shown = f"coalesce(CAST(o.{other_field} AS VARCHAR), '')"
    remedy = (
        f"compare with {other_field} of the {other_table} ({{detail}}) and correct what is wrong"
    )
    return RecordRule(
        name, "warning", table, field, body, words, remedy, other_table, other_field, shown
    )


def _dated_rules() -> Iterator[RecordRule]:
    """Dates of one record against those of its patient."""
    dated = {"tumour": "diagnosis_date", "visit": "visit_date", "event": "event_date"}
    person = "o.patient_id = r.patient_id"
    for table, field in dated.items():
        yield _contradiction(
            f"{table}_after_death",
            (table, field),
            ("patient", "death_date"),
            person,
            f"r.{field} > o.death_date",
            "a date not after the death",
        )
        yield RecordRule(
            f"{table}_before_birth",
            "error",
            table,
            field,
            f"FROM after_{table} r JOIN after_patient o ON {person} "
            f"WHERE year(r.{field}) < o.birth_year",
            "a date not before the year of birth",
            f"correct {field}, or the patient's birth_year",
            "patient",
            "birth_year",
        )


def _implant_contradictions() -> Iterator[RecordRule]:
    inserted = ("implant", "inserted_at")
    day = "CAST(r.inserted_at AS DATE)"
    yield _contradiction(
        "insertion_before_diagnosis",
        inserted,
        ("tumour", "diagnosis_date"),
        "o.tumour_id = r.tumour_id",
        f"{day} < o.diagnosis_date",
        "a time not before the diagnosis",
    )
    plaque = "o.applicator_id = r.applicator_id"
    yield _contradiction(
        "insertion_before_first_use",
        inserted,
        ("applicator", "first_used_date"),
        plaque,
        f"{day} < o.first_used_date",
        "a time not before the plaque's first use",
    )
    yield _contradiction(
        "insertion_after_retirement",
        inserted,
        ("applicator", "retired_date"),
        plaque,
        f"{day} > o.retired_date",
        "a time not after the plaque was retired",
    )
    yield _contradiction(
        "plaque_in_two_places",
        inserted,
        ("implant", "removed_at"),
        f"{plaque} AND o.implant_id <> r.implant_id",
        "r.inserted_at >= o.inserted_at AND r.inserted_at < o.removed_at "
        "AND (r.inserted_at > o.inserted_at OR r.implant_id > o.implant_id)",
        "a time at which the plaque is not in place elsewhere",
    )


def _implant_of_person_rules() -> Iterator[RecordRule]:
    day = "CAST(r.inserted_at AS DATE)"
    yield RecordRule(
        "insertion_after_death",
        "warning",
        "implant",
        "inserted_at",
        "FROM after_implant r JOIN after_tumour t ON t.tumour_id = r.tumour_id "
        f"JOIN after_patient o ON o.patient_id = t.patient_id WHERE {day} > o.death_date",
        "a time not after the death",
        "compare with death_date of the patient ({detail}) and correct what is wrong",
        "patient",
        "death_date",
        "coalesce(CAST(o.death_date AS VARCHAR), '')",
    )
    yield RecordRule(
        "insertion_after_removal_of_the_eye",
        "warning",
        "implant",
        "inserted_at",
        "FROM after_implant r JOIN after_tumour t ON t.tumour_id = r.tumour_id "
        "JOIN after_event o ON o.patient_id = t.patient_id AND o.eye = t.eye "
        f"WHERE o.kind IN ({list_codes(REMOVES_THE_EYE)}) AND {day} > o.event_date",
        "a time not after the eye was removed",
        "compare with event_date of the removal ({detail}) and correct what is wrong",
        "event",
        "event_date",
        "coalesce(CAST(o.event_date AS VARCHAR), '')",
    )


def _removed_eye_rules() -> Iterator[RecordRule]:
    eye = "o.patient_id = r.patient_id AND o.eye = r.eye"
    removal = f"o.kind IN ({list_codes(REMOVES_THE_EYE)})"
    yield _contradiction(
        "visit_after_removal_of_the_eye",
        ("visit", "visit_date"),
        ("event", "event_date"),
        f"{eye} AND {removal}",
        "r.visit_date > o.event_date",
        "a date not after the eye was removed",
    )
    yield _contradiction(
        "event_after_removal_of_the_eye",
        ("event", "event_date"),
        ("event", "event_date"),
        f"{eye} AND {removal} AND o.event_id <> r.event_id",
        f"r.event_date > o.event_date AND r.kind NOT IN ({list_codes(HAPPENS_WITHOUT_THE_EYE)})",
        "a date not after the eye was removed",
    )


def _event_before_insertion() -> RecordRule:
    return RecordRule(
        "event_before_insertion",
        "warning",
        "event",
        "event_date",
        "FROM after_event r JOIN (SELECT t.patient_id, t.eye, "
        "arg_min_null(i.file_no, i.inserted_at) AS file_no, "
        "arg_min_null(i.line, i.inserted_at) AS line, "
        "min(i.inserted_at) AS inserted_at "
        "FROM after_implant i JOIN after_tumour t ON t.tumour_id = i.tumour_id "
        "GROUP BY t.patient_id, t.eye) o ON o.patient_id = r.patient_id AND o.eye = r.eye "
        f"WHERE r.kind IN ({list_codes(FOLLOWS_TREATMENT)}) "
        "AND r.event_date < CAST(o.inserted_at AS DATE)",
        "a date not before the first plaque in this eye",
        "compare with inserted_at of the implant ({detail}) and correct what is wrong",
        "implant",
        "inserted_at",
        "coalesce(CAST(o.inserted_at AS VARCHAR), '')",
    )


def _same_day_rule() -> RecordRule:
    """Two visits of one eye on one day, both with an acuity."""
    return RecordRule(
        "acuity_twice_on_a_day",
        "error",
        "visit",
        "visit_date",
        "FROM (SELECT *, first_value(visit_id) OVER same AS first_id, "
        "first_value(line) OVER same AS first_line, "
        "first_value(file_no) OVER same AS first_file_no FROM ("
        "SELECT visit_id, patient_id, eye, visit_date, file_no, line FROM after_visit "
        "WHERE acuity IS NOT NULL AND (patient_id, eye, visit_date) IN ("
        "SELECT (patient_id, eye, visit_date) FROM after_visit WHERE acuity IS NOT NULL "
        "AND patient_id IS NOT NULL AND eye IS NOT NULL AND visit_date IS NOT NULL "
        "GROUP BY patient_id, eye, visit_date HAVING count(DISTINCT visit_id) > 1)) "
        "WINDOW same AS (PARTITION BY patient_id, eye, visit_date "
        "ORDER BY file_no NULLS FIRST, line NULLS FIRST)) r "
        "WHERE r.visit_id IS DISTINCT FROM r.first_id",
        "one acuity for a patient, eye and date",
        "same patient, eye and date as {detail}; leave the acuity blank in one of the two "
        "(rows for two tumours of an eye stay), or correct the date",
        detail="CASE WHEN r.first_line IS NULL THEN 'visit ' || r.first_id || ' in the registry' "
        "ELSE '@' || r.first_file_no || '@line ' || r.first_line END",
    )


def _make_rules() -> Iterator[RecordRule]:
    for table in ("visit", "event"):
        yield from _eye_rules(table)
    yield from _which_tumour_rules()
    yield from _moved_tumour_rules()
    yield from _dated_rules()
    yield from _implant_contradictions()
    yield from _implant_of_person_rules()
    yield from _removed_eye_rules()
    yield _event_before_insertion()
    yield _same_day_rule()


RULES_BETWEEN_RECORDS = tuple(_make_rules())
"""The rules between records; unique keys and references follow from the declaration."""
