"""Rules about dates: of death and contact, of visits and events, of the way to treatment."""

from __future__ import annotations

from analysis.checking.check_declaration import CONTRADICTION, DEFINITION, OUR_CHOICE, CheckRule
from registry.entry_rules.linked_rules import FOLLOWS_TREATMENT, HAPPENS_WITHOUT_THE_EYE
from registry.entry_rules.record_rules import list_codes

_WITH_PATIENT = "JOIN checked_patient p ON p.patient_id = r.patient_id"
_WITH_EYE = "JOIN checked_eye y ON y.patient_id = r.patient_id AND y.eye = r.eye"
_RECORDED_DEATH = "compare with the death notice and correct what is wrong"


def _two_dates(early: tuple[str, str], late: tuple[str, str]) -> str:
    """SQL text ``LATE on its date, but EARLY on its date``; each is (words, SQL date)."""
    return f"concat('{late[0]} on ', {late[1]}, ', but {early[0]} on ', {early[1]})"


PATIENT_RULES = (
    CheckRule(
        "contact_after_death",
        "error",
        "patient",
        "last contact lies after the death",
        _RECORDED_DEATH,
        unit="days",
        body="FROM checked_patient r WHERE r.any_contact_date > r.death_date",
        found=_two_dates(("death", "r.death_date"), ("last contact", "r.any_contact_date")),
        amount="r.any_contact_date - r.death_date",
    ),
    CheckRule(
        "vital_status_before_death",
        "warning",
        "patient",
        "vital status is known to a day before the recorded death",
        "vital status is known at least until the death: correct one of the two dates",
        unit="days",
        body="FROM checked_patient r WHERE r.vital_status_date < r.death_date",
        found=_two_dates(("vital status", "r.vital_status_date"), ("death", "r.death_date")),
        amount="r.death_date - r.vital_status_date",
    ),
    CheckRule(
        "vital_status_before_contact",
        "warning",
        "patient",
        "the patient was in contact after the day to which vital status is known",
        "bring vital_status_date up to the last contact",
        unit="days",
        body="FROM checked_patient r WHERE r.vital_status_date < r.last_contact_date"
        " AND r.death_date IS NULL",
        found=_two_dates(
            ("vital status is known", "r.vital_status_date"),
            ("last contact", "r.last_contact_date"),
        ),
        amount="r.last_contact_date - r.vital_status_date",
    ),
    CheckRule(
        "vital_status_unknown",
        "warning",
        "patient",
        "neither death, nor vital status, nor any contact is recorded",
        "enter last_contact_date or vital_status_date; until then the last visit or event stands"
        " for it",
        source=DEFINITION,
        body="FROM checked_patient r WHERE r.any_death_date IS NULL AND r.vital_status_date IS NULL"
        " AND r.last_contact_date IS NULL",
        found="'no date to which the patient is known to be alive'",
    ),
    CheckRule(
        "died_without_date",
        "error",
        "patient",
        "the record says that the patient died but has no date of death",
        "enter death_date, or correct the reason or cause",
        body="FROM checked_patient r WHERE r.any_death_date IS NULL"
        " AND (r.follow_up_ended_reason = 'died' OR r.death_cause IS NOT NULL)",
        found="'dead by reason or cause, without a date'",
    ),
    CheckRule(
        "followed_after_death",
        "warning",
        "patient",
        "the patient is dead and still under follow-up",
        'write "died", or clear death_date',
        body="FROM checked_patient r WHERE r.death_date IS NOT NULL"
        " AND r.follow_up_ended_reason = 'under_follow_up'",
        found="concat('under follow-up, but death on ', r.death_date)",
    ),
    CheckRule(
        "metastasis_after_death",
        "error",
        "patient",
        "metastasis lies after the death",
        "correct metastasis_date or death_date",
        unit="days",
        body="FROM checked_patient r WHERE r.any_metastasis_date > r.death_date",
        found=_two_dates(("death", "r.death_date"), ("metastasis", "r.any_metastasis_date")),
        amount="r.any_metastasis_date - r.death_date",
    ),
    CheckRule(
        "metastasis_status_before_metastasis",
        "warning",
        "patient",
        "metastasis status is known to a day before the recorded metastasis",
        "metastasis status is known at least until it was found: correct one of the dates",
        unit="days",
        body="FROM checked_patient r WHERE r.metastasis_status_date < r.metastasis_date",
        found=_two_dates(
            ("status is known", "r.metastasis_status_date"), ("metastasis", "r.metastasis_date")
        ),
        amount="r.metastasis_date - r.metastasis_status_date",
    ),
    CheckRule(
        "melanoma_death_without_metastasis",
        "warning",
        "patient",
        "death from metastatic melanoma without a date of metastasis",
        "enter metastasis_date, or correct the cause",
        body="FROM checked_patient r WHERE r.any_metastasis_date IS NULL"
        " AND r.death_cause = 'metastatic_uveal_melanoma'",
        found="concat('melanoma death on ', r.death_date, ', no metastasis recorded')",
    ),
)

EYE_RULES = (
    CheckRule(
        "visit_after_eye_removed",
        "error",
        "visit",
        "the treated eye was examined after it had been removed",
        "correct the date of the visit or of the removal, or the eye",
        unit="days",
        body=f"FROM checked_visit r {_WITH_EYE} WHERE r.visit_date > y.removed_date",
        found=_two_dates(("removal of the eye", "y.removed_date"), ("visit", "r.visit_date")),
        amount="r.visit_date - y.removed_date",
    ),
    CheckRule(
        "event_after_eye_removed",
        "error",
        "event",
        "an event of the eye lies after its removal",
        "correct the date of the event or of the removal, or the eye",
        unit="days",
        body=f"FROM checked_event r {_WITH_EYE} WHERE r.event_date > y.removed_date"
        f" AND r.event_id <> y.removal_id"
        f" AND r.kind NOT IN ({list_codes(HAPPENS_WITHOUT_THE_EYE)})",
        found=_two_dates(("removal of the eye", "y.removed_date"), ("event", "r.event_date")),
        amount="r.event_date - y.removed_date",
    ),
    CheckRule(
        "insertion_after_eye_removed",
        "error",
        "implant",
        "a plaque was inserted after the eye had been removed",
        "correct the time of insertion or the date of the removal",
        unit="days",
        body=f"FROM checked_implant r {_WITH_EYE} WHERE r.inserted_date > y.removed_date",
        found=_two_dates(
            ("removal of the eye", "y.removed_date"), ("insertion", "r.inserted_date")
        ),
        amount="r.inserted_date - y.removed_date",
    ),
    CheckRule(
        "plaque_out_after_eye_removed",
        "notice",
        "implant",
        "the plaque is recorded in place after the eye had been removed",
        "correct the time of the plaque's removal or the date of the eye's",
        unit="days",
        body=f"FROM checked_implant r {_WITH_EYE} WHERE r.inserted_date <= y.removed_date"
        " AND r.removed_date > y.removed_date",
        found=_two_dates(
            ("removal of the eye", "y.removed_date"), ("removal of the plaque", "r.removed_date")
        ),
        amount="r.removed_date - y.removed_date",
    ),
    CheckRule(
        "event_before_insertion",
        "error",
        "event",
        "an event that follows treatment lies before the first plaque in this eye",
        "correct the date of the event or the time of insertion",
        unit="days",
        body=f"FROM checked_event r {_WITH_EYE} WHERE r.event_date < y.zero_date"
        f" AND r.kind IN ({list_codes(FOLLOWS_TREATMENT)})",
        found=_two_dates(("event", "r.event_date"), ("first plaque", "y.zero_date")),
        amount="y.zero_date - r.event_date",
    ),
    CheckRule(
        "record_of_untreated_eye",
        "error",
        "visit",
        "a visit of an eye in which this patient has no treated tumour",
        "correct the eye, or enter the tumour",
        body="FROM checked_visit r WHERE NOT EXISTS (SELECT 1 FROM checked_tumour t"
        " WHERE t.patient_id = r.patient_id AND t.eye = r.eye)",
        found="concat('visit of the ', r.eye, ' eye on ', r.visit_date)",
    ),
    CheckRule(
        "both_eyes_treated",
        "notice",
        "patient",
        "tumours were treated in both eyes, which is very rare",
        "make sure that the side is right in every record",
        source=OUR_CHOICE,
        body="FROM (SELECT patient_id FROM checked_tumour WHERE zero_date IS NOT NULL"
        " GROUP BY patient_id HAVING count(DISTINCT eye) > 1) r",
        found="'plaques in the right and in the left eye'",
    ),
)


def _after_death(name: str, table: str, date: str, words: str) -> CheckRule:
    return CheckRule(
        name,
        "error",
        table,
        f"{words} lies after the death",
        _RECORDED_DEATH,
        unit="days",
        body=f"FROM checked_{table} r {_WITH_PATIENT} WHERE {date} > p.death_date",
        found=_two_dates(("death", "p.death_date"), (words, date)),
        amount=f"{date} - p.death_date",
    )


DEATH_RULES = (
    _after_death("visit_after_death", "visit", "r.visit_date", "visit"),
    _after_death("event_after_death", "event", "r.event_date", "event"),
    _after_death("insertion_after_death", "implant", "r.inserted_date", "insertion"),
    CheckRule(
        "plaque_out_after_death",
        "notice",
        "implant",
        "the plaque was still in place at the death",
        "make sure of the date of death and of the removal; if both are right, nothing is wrong",
        unit="days",
        body=f"FROM checked_implant r {_WITH_PATIENT} WHERE r.inserted_date <= p.death_date"
        " AND r.removed_date > p.death_date",
        found=_two_dates(("death", "p.death_date"), ("removal of the plaque", "r.removed_date")),
        amount="r.removed_date - p.death_date",
    ),
    CheckRule(
        "visit_after_last_contact",
        "warning",
        "patient",
        "the patient was seen after the last recorded contact",
        "bring last_contact_date up to the last visit",
        unit="days",
        body="FROM checked_patient r JOIN (SELECT patient_id, max(visit_date) AS seen_date"
        " FROM checked_visit GROUP BY patient_id) v ON v.patient_id = r.patient_id"
        " WHERE v.seen_date > r.last_contact_date",
        found=_two_dates(("last contact", "r.last_contact_date"), ("visit", "v.seen_date")),
        amount="v.seen_date - r.last_contact_date",
    ),
)


def _out_of_order(
    name: str, early: tuple[str, str], late: tuple[str, str], severity: str = "warning"
) -> CheckRule:
    """Make a rule that one date of a tumour does not lie after another; each is (field, words)."""
    return CheckRule(
        name,
        "error" if severity == "error" else "warning",
        "tumour",
        f"{early[1]} lies after {late[1]}",
        f"correct {early[0]} or the other date; waiting times leave this tumour out until then",
        source=CONTRADICTION,
        unit="days",
        body=f"FROM checked_tumour r WHERE r.{early[0]} > r.{late[0]}",
        found=_two_dates((late[1], f"r.{late[0]}"), (early[1], f"r.{early[0]}")),
        amount=f"r.{early[0]} - r.{late[0]}",
    )


ROUTE_RULES = (
    _out_of_order(
        "referral_after_decision",
        ("referral_date", "referral"),
        ("treatment_decision_date", "decision to treat"),
    ),
    _out_of_order(
        "decision_after_insertion",
        ("treatment_decision_date", "decision to treat"),
        ("zero_date", "first plaque"),
    ),
    _out_of_order(
        "diagnosis_after_insertion",
        ("diagnosis_date", "diagnosis"),
        ("zero_date", "first plaque"),
        "error",
    ),
)

DATE_RULES = (*PATIENT_RULES, *EYE_RULES, *DEATH_RULES, *ROUTE_RULES)
