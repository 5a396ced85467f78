"""The visit table as text: one baseline examination and the attended visits of each eye."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from synthetic_cohort.department import Happenings
from synthetic_cohort.disease import take
from synthetic_cohort.hazards import NEVER_DAYS, Flags, Floats, Ints, draw_codes
from synthetic_cohort.patient_tables import Names
from synthetic_cohort.truth import DAYS_PER_YEAR, Truth
from synthetic_cohort.vision import Readings, draw_readings, latent_logmar
from synthetic_cohort.writing import (
    Texts,
    lose,
    make_table,
    only_where,
    write_acuities,
    write_codes,
    write_days,
    write_decimals,
    write_numbered,
)

CONTROLLED, SUSPECTED, FAILED, NOT_ASSESSED = range(4)
STATUSES = ("controlled", "suspected", "failed", "not_assessed")


@dataclass(frozen=True, slots=True)
class VisitRows:
    """One row a visit of one tumour; ``day`` counts from 1970-01-01, ``eye_day`` from the eye's
    first implant (negative at baseline). ``with_acuity`` is False in the rows of second tumours.
    """

    tumour: Ints
    eye: Ints
    day: Ints
    eye_day: Ints
    status: Ints
    with_acuity: Flags

    @property
    def is_baseline(self) -> Flags:
        """Whether the visit lies before treatment."""
        return self.eye_day < 0


def judge(truth: Truth, what: Happenings, rng: np.random.Generator) -> Ints:
    """Local status at every planned visit, shape (tumours, visits)."""
    grid, failed = what.treated.grid, what.treated.failures
    day = grid.day.astype(np.int64)
    salvaged = np.minimum(failed.salvage_day, NEVER_DAYS)[:, None]
    detected = failed.detected_day[:, None]
    alarm = rng.random(day.shape) < truth.local_failure.false_alarm_share
    status = np.where(alarm, SUSPECTED, CONTROLLED)
    status = np.where((day > failed.onset_day[:, None]) & (day < detected), SUSPECTED, status)
    status = np.where((day >= detected) & (day <= salvaged), FAILED, status)
    status = np.where(day > salvaged, CONTROLLED, status)
    return np.where(grid.assessed, status, NOT_ASSESSED)


def list_visits(truth: Truth, what: Happenings, rng: np.random.Generator) -> VisitRows:
    """List the visits that take place and are on file, in order of eye and day."""
    grid, first = what.treated.grid, what.treated.tumours.start_day[what.eye]
    day = first[:, None] + grid.day
    end = what.eye_end()[what.eye]
    own_start = what.treated.tumours.start_day
    on_file = grid.attended & (day < end[:, None]) & (day > own_start[:, None])
    tumour, place = np.nonzero(on_file)
    eyes = np.arange(what.n_eyes)
    before = -rng.integers(4, 46, what.n_eyes)
    status = judge(truth, what, rng)[tumour, place]
    whose = np.concatenate([eyes, tumour])
    rows = VisitRows(
        tumour=whose,
        eye=what.eye[whose],
        day=np.concatenate([what.treated.tumours.start_day[eyes] + before, day[tumour, place]]),
        eye_day=np.concatenate([before, grid.day[tumour, place].astype(np.int64)]),
        status=np.concatenate([np.full(what.n_eyes, NOT_ASSESSED), status]),
        with_acuity=whose < what.n_eyes,
    )
    return take(rows, np.lexsort((rows.tumour, rows.day, rows.eye)))


def baseline_days(what: Happenings, visits: VisitRows) -> Ints:
    """Day of the examination before each tumour's treatment (second tumours: 20 days before)."""
    days = what.treated.tumours.start_day - 20
    base = visits.is_baseline
    days[visits.tumour[base]] = visits.day[base]
    return days


def last_visit_days(what: Happenings, visits: VisitRows) -> Ints:
    """Each patient's last day seen here: a visit, or the first implant."""
    last = what.people.first_day.copy()
    np.maximum.at(last, what.treated.tumours.patient[visits.tumour], visits.day)
    return last


def read_acuities(
    truth: Truth, what: Happenings, visits: VisitRows, rng: np.random.Generator
) -> Readings:
    """Read the chart once at each visit."""
    sight = what.sight
    day = visits.eye_day.astype(np.int32)[:, None]
    picked = take(sight, visits.eye)
    latent = latent_logmar(truth, picked, np.where(day < 0, np.int32(0), day))[:, 0]
    return draw_readings(truth, latent, rng)


def heights(truth: Truth, what: Happenings, visits: VisitRows, rng: np.random.Generator) -> Floats:
    """Measured height at each visit: shrinkage to a plateau, growth after regrowth sets in."""
    how, n = truth.vision, len(what.eye)
    tumours, failed = what.treated.tumours, what.treated.failures
    start = tumours.start_day - tumours.start_day[what.eye]
    kept = rng.beta(*how.regression_share, n)[visits.tumour]
    years = np.maximum(visits.eye_day - start[visits.tumour], 0) / DAYS_PER_YEAR
    share = kept + (1 - kept) * np.exp(-years / how.regression_years)
    onset = failed.onset_day[visits.tumour]
    until = np.minimum(visits.eye_day, failed.salvage_day[visits.tumour])
    grown = np.maximum(until - onset, 0) / DAYS_PER_YEAR * truth.local_failure.growth_mm_per_year
    noise = np.where(visits.is_baseline, 0.0, rng.normal(0.0, how.height_reading_sd_mm, len(years)))
    return np.clip(tumours.thickness_mm[visits.tumour] * share + grown + noise, 0.4, 18.0)


def _pressures(what: Happenings, visits: VisitRows, rng: np.random.Generator) -> Floats:
    pressed = what.harm.onset_day["neovascular_glaucoma"][visits.eye] <= visits.eye_day
    raised = what.harm.onset_day["raised_pressure"][visits.eye] <= visits.eye_day
    mean = np.where(pressed, 36.0, np.where(raised, 24.0, 15.0))
    return np.clip(rng.normal(mean, np.where(pressed, 7.0, 2.8)), 4, 70)


def _lens(what: Happenings, visits: VisitRows) -> Texts:
    operated = what.harm.surgery_day[visits.eye] <= visits.eye_day
    pseudophakic = what.harm.pseudophakic[visits.eye] | operated
    return write_codes(("pseudophakic", "phakic"), pseudophakic)


def _causes(what: Happenings, visits: VisitRows, readings: Readings) -> Texts:
    """Causes of a reading worse than 6/12, as judged."""
    onset, day, eye = what.harm.onset_day, visits.eye_day, visits.eye
    near = what.treated.tumours.meridian_fovea_mm[eye] <= 0
    cloudy = (onset["cataract"][eye] <= day) & (what.harm.surgery_day[eye] > day)
    parts = [
        ("maculopathy", onset["radiation_maculopathy"][eye] <= day),
        ("optic_neuropathy", onset["radiation_optic_neuropathy"][eye] <= day),
        ("cataract", cloudy),
        ("glaucoma", onset["neovascular_glaucoma"][eye] <= day),
        ("tumour_at_fovea", near),
    ]
    code = sum(flag.astype(np.int64) << bit for bit, (_, flag) in enumerate(parts))
    lists = [
        ";".join(name for bit, (name, _) in enumerate(parts) if value >> bit & 1) or "other"
        for value in range(1 << len(parts))
    ]
    return only_where(write_codes(lists, np.asarray(code)), readings.letters() < 70)


def _acuity_columns(
    truth: Truth, what: Happenings, visits: VisitRows, rng: np.random.Generator
) -> dict[str, Texts]:
    readings, n, gaps = read_acuities(truth, what, visits, rng), len(visits.day), truth.missing
    bare = rng.random(n) < 0.5
    text, notation = write_acuities(readings, bare, rng)
    known = visits.with_acuity & (visits.is_baseline | (rng.random(n) >= gaps.acuity))
    poor = what.people.poor_fellow_eye[what.treated.tumours.patient[visits.tumour]]
    latent = np.where(poor, 1.3, what.sight.fellow_logmar[visits.eye])
    other, _ = write_acuities(draw_readings(truth, latent, rng, readings.notation), bare, rng)
    other = only_where(lose(other, gaps.fellow_acuity, rng), visits.with_acuity)
    corrected = ("best_corrected", "pinhole", "habitual", "unknown")
    how_read = write_codes(corrected, draw_codes((0.75, 0.18, 0.04, 0.03), n, rng))
    return {
        "acuity": only_where(text, known),
        "acuity_notation": only_where(notation, known | (other != "")),
        "acuity_correction": only_where(how_read, known),
        "fellow_acuity": other,
        "acuity_loss_causes": only_where(_causes(what, visits, readings), known),
    }


def make_visits(
    truth: Truth, what: Happenings, names: Names, visits: VisitRows, rng: np.random.Generator
) -> pd.DataFrame:
    """Write the visit table, in order of eye and day."""
    n, tumours, gaps = len(visits.day), what.treated.tumours, truth.missing
    two = np.isin(visits.eye, what.eye[what.n_eyes :])
    measured = lose(write_decimals(heights(truth, what, visits, rng), 1), gaps.visit_height, rng)
    base = visits.is_baseline
    columns = {
        "visit_id": write_numbered("V", n, max(6, len(str(n)))),
        "patient_id": names.patient[tumours.patient[visits.tumour]],
        "eye": write_codes(("right", "left"), tumours.right[visits.tumour]),
        "tumour_id": only_where(names.tumour[visits.tumour], two),
        "visit_date": write_days(visits.day),
        "iop_mmhg": lose(write_decimals(_pressures(what, visits, rng), 0), gaps.pressure, rng),
        "thickness_mm": measured,
        "local_status": write_codes(STATUSES, visits.status),
        "lens_status": _lens(what, visits),
        "largest_basal_diameter_mm": only_where(
            write_decimals(tumours.diameter_mm[visits.tumour], 1), base & (rng.random(n) < 0.6)
        ),
    }
    return make_table("visit", n, columns | _acuity_columns(truth, what, visits, rng))
