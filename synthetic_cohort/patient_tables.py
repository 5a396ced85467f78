"""The patient and tumour tables as text."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from synthetic_cohort.department import Happenings
from synthetic_cohort.disease import CHOROID, TumourRows
from synthetic_cohort.hazards import NEVER_DAYS, Flags, Ints, draw_codes
from synthetic_cohort.truth import Truth
from synthetic_cohort.writing import (
    Texts,
    lose,
    make_table,
    only_where,
    write_codes,
    write_days,
    write_decimals,
    write_numbered,
)

LEFT_REASONS = ("discharged_to_local_care", "moved", "declined", "lost")
YES_NO_UNKNOWN = ("yes", "no", "unknown")


@dataclass(frozen=True, slots=True)
class Names:
    """Identifiers of patients and of tumours, one text a row."""

    patient: Texts
    tumour: Texts


def name_everyone(what: Happenings) -> Names:
    """Name patients HB0001 on and tumours HB0001-R1: eye and running number in that eye."""
    n = len(what.people.first_day)
    patient = write_numbered("HB", n, max(4, len(str(n))))
    tumours = what.treated.tumours
    which = np.where(np.arange(len(what.eye)) < what.n_eyes, 1, 2)
    ending = write_codes(("-R", "-L"), tumours.right) + write_codes(("", "1", "2"), which)
    return Names(patient, patient[tumours.patient] + ending)


def _codes_lost(
    truth: Truth, texts: Texts, rng: np.random.Generator, *, say_unknown: bool = True
) -> Texts:
    """Leave a share of a code field blank and, where the field has that code, unknown."""
    blank = lose(texts, truth.missing.code, rng)
    return lose(blank, truth.missing.unknown_code, rng, "unknown") if say_unknown else blank


def _last_contact(what: Happenings, last_visit: Ints, rng: np.random.Generator) -> Ints:
    """Last day known alive by contact: a visit, a letter or call later on, or leaving day."""
    end = what.ending
    by_letter = last_visit + rng.integers(0, 90, len(last_visit))
    by_letter = np.where(rng.random(len(last_visit)) < 0.2, by_letter, last_visit)
    known = np.where(end.left_day <= end.seen_until, end.left_day, by_letter)
    return np.minimum(np.maximum(known, last_visit), end.seen_until)


def make_patients(
    truth: Truth, what: Happenings, names: Names, last_visit: Ints, rng: np.random.Generator
) -> pd.DataFrame:
    """Write the patient table; ``last_visit`` is each patient's last day seen here."""
    people, end, n = what.people, what.ending, len(names.patient)
    died = end.death_day <= end.vital_until
    spread = (end.metastasis_day < end.death_day) & (end.metastasis_day <= end.vital_until)
    left = end.left_day <= end.seen_until
    followed = np.where(left, end.left_reason, np.where(end.death_day <= what.data_cut, 5, 4))
    reasons = write_codes((*LEFT_REASONS, "under_follow_up", "died"), followed)
    birth_year = np.floor(1970 + people.first_day / 365.2425 - people.age_years)
    found_by = write_codes(
        ("surveillance", "symptoms", "incidental", "unknown"),
        draw_codes((0.62, 0.28, 0.05, 0.05), n, rng),
    )
    return make_table(
        "patient",
        n,
        {
            "patient_id": names.patient,
            "sex": write_codes(("female", "male"), people.female),
            "birth_year": write_decimals(birth_year, 0),
            "last_contact_date": write_days(_last_contact(what, last_visit, rng)),
            "vital_status_date": write_days(end.vital_until),
            "metastasis_status_date": write_days(end.vital_until),
            "follow_up_ended_reason": reasons,
            "death_date": write_days(np.where(died, end.death_day, NEVER_DAYS)),
            "death_cause": only_where(_causes(truth, what, rng), died),
            "metastasis_date": write_days(np.where(spread, end.metastasis_day, NEVER_DAYS)),
            "research_consent": write_codes(YES_NO_UNKNOWN, people.consent),
            "diabetes": _codes_lost(truth, write_codes(("yes", "no"), people.diabetes), rng),
            "hypertension": _codes_lost(
                truth, write_codes(("yes", "no"), people.hypertension), rng
            ),
            "metastasis_found_by": only_where(found_by, spread),
        },
    )


def _causes(truth: Truth, what: Happenings, rng: np.random.Generator) -> Texts:
    how, n = truth.mortality, len(what.ending.death_day)
    other = np.where(rng.random(n) < how.other_cancer_share, 1, 2)
    cause = np.where(what.ending.from_melanoma, 0, other)
    cause = np.where(rng.random(n) < how.cause_unknown_share, 3, cause)
    codes = ("metastatic_uveal_melanoma", "other_cancer", "other_cause", "unknown")
    return write_codes(codes, cause)


def _size_columns(truth: Truth, tumours: TumourRows, rng: np.random.Generator) -> dict[str, Texts]:
    gaps, edge = truth.missing, tumours.meridian_fovea_mm
    return {
        "thickness_mm": lose(write_decimals(tumours.thickness_mm, 1), gaps.thickness, rng),
        "largest_basal_diameter_mm": lose(
            write_decimals(tumours.diameter_mm, 1), gaps.diameter, rng
        ),
        "longitudinal_basal_diameter_mm": lose(
            write_decimals(tumours.longitudinal_mm, 1), gaps.longitudinal, rng
        ),
        "fovea_distance_mm": write_decimals(np.maximum(edge, 0.0), 1),
        "fovea_distance_meridian_mm": lose(write_decimals(edge, 1), gaps.meridian_distance, rng),
        "fovea_involved": write_codes(("yes", "no"), edge <= 0),
        "disc_distance_mm": write_decimals(tumours.disc_mm, 1),
        "meridian_clock": write_decimals(tumours.clock, 1),
        "axial_length_mm": lose(write_decimals(tumours.axial_length_mm, 1), gaps.axial_length, rng),
        "distance_convention": write_codes(
            ("arc", "chord", "unknown"), draw_codes((0.92, 0.03, 0.05), len(edge), rng)
        ),
    }


def _biopsy_columns(tumours: TumourRows, rng: np.random.Generator) -> dict[str, Texts]:
    """Results of the biopsies; blank in tumours that had none."""
    n, taken = len(tumours.patient), tumours.biopsied
    failed = rng.random(n) < 0.07
    chromosome_3 = np.where(failed, 3, np.where(tumours.monosomy, 0, 1))
    chromosome_3 = np.where(~failed & ~tumours.monosomy & (rng.random(n) < 0.06), 2, chromosome_3)
    gain = rng.random(n) < np.where(tumours.monosomy, 0.75, 0.3)
    lost = tumours.monosomy ^ (rng.random(n) < 0.1)
    cells = draw_codes((0.40, 0.38, 0.10, 0.12), n, rng)
    return {
        "biopsied": write_codes(("yes", "no"), taken),
        "cell_type": only_where(
            write_codes(("spindle", "mixed", "epithelioid", "unknown"), cells), taken
        ),
        "chromosome_3": only_where(
            write_codes(("monosomy", "disomy", "partial", "unknown"), chromosome_3), taken
        ),
        "chromosome_8q": only_where(
            write_codes(("gain", "normal", "unknown"), np.where(failed, 2, np.where(gain, 0, 1))),
            taken,
        ),
        "bap1_nuclear_staining": only_where(
            write_codes(("lost", "retained", "unknown"), np.where(failed, 2, np.where(lost, 0, 1))),
            taken,
        ),
    }


def _date_columns(
    tumours: TumourRows, baseline_day: Ints, rng: np.random.Generator
) -> dict[str, Texts]:
    """Diagnosis, referral, decision: in order, the decision between baseline and insertion."""
    n = len(tumours.patient)
    wait = tumours.start_day - baseline_day
    decision = baseline_day + np.floor(rng.random(n) * wait * 0.5).astype(np.int64)
    referral = baseline_day - rng.integers(3, 35, n)
    diagnosis = referral - rng.integers(0, 21, n)
    return {
        "diagnosis_date": lose(write_days(diagnosis), 0.02, rng),
        "referral_date": lose(write_days(referral), 0.03, rng),
        "treatment_decision_date": lose(write_days(decision), 0.03, rng),
    }


def make_tumours(
    truth: Truth, what: Happenings, names: Names, baseline_day: Ints, rng: np.random.Generator
) -> pd.DataFrame:
    """Write the tumour table; ``baseline_day`` is the day of each tumour's examination."""
    tumours, n = what.treated.tumours, len(what.eye)
    in_ciliary_body = write_codes(("no", "yes"), (tumours.site == CHOROID))
    only_eye: Flags = what.people.poor_fellow_eye[tumours.patient]
    extension = draw_codes((0.97, 0.02, 0.002, 0.008), n, rng)
    shapes = ("dome", "mushroom", "diffuse", "multilobed")
    prior = draw_codes((0.965, 0.015, 0.010, 0.010), n, rng)
    columns: dict[str, Texts] = {
        "tumour_id": names.tumour,
        "patient_id": names.patient[tumours.patient],
        "eye": write_codes(("right", "left"), tumours.right),
        "site": write_codes(("choroid", "ciliochoroidal", "ciliary_body"), tumours.site),
        "ciliary_body_involved": lose(in_ciliary_body, truth.missing.unknown_code, rng, "unknown"),
        "extraocular_extension": write_codes(
            ("none", "up_to_5_mm", "over_5_mm", "unknown"), extension
        ),
        "retinal_detachment": _codes_lost(
            truth, write_codes(("yes", "no"), tumours.detachment), rng
        ),
        "thickness_method": write_codes(
            ("b_scan", "a_scan", "ubm", "unknown"), draw_codes((0.7, 0.25, 0.03, 0.02), n, rng)
        ),
        "thickness_includes_sclera": lose(write_codes(("no",), np.zeros(n, int)), 0.03, rng),
        "shape": _codes_lost(truth, write_codes(shapes, tumours.shape), rng),
        "prior_treatment": write_codes(("none", "thermotherapy", "photodynamic", "unknown"), prior),
        "documented_growth": _codes_lost(
            truth, write_codes(("yes", "no"), rng.random(n) < 0.4), rng
        ),
        "node_status": write_codes(("n0", "unknown"), rng.random(n) < 0.985),
        "metastasis_at_baseline": write_codes(("m0", "unknown"), rng.random(n) < 0.985),
        "only_useful_eye": write_codes(("yes", "no"), only_eye),
    }
    columns |= _size_columns(truth, tumours, rng) | _biopsy_columns(tumours, rng)
    columns |= _date_columns(tumours, baseline_day, rng)
    return make_table("tumour", n, columns)
