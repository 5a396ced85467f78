"""Harm to the eye: toxic effects, when they are found, and removal of the eye for them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_cohort.disease import TumourRows
from synthetic_cohort.follow_up import ENUCLEATED, Failures, Grid, first_seen
from synthetic_cohort.hazards import NEVER_DAYS, Flags, Floats, Ints, draw_days
from synthetic_cohort.implants import Prescriptions
from synthetic_cohort.truth import Hazard, Toxic, Truth

FOR_FAILURE, FOR_COMPLICATION, FOR_PAIN, FOR_WISH = range(4)


@dataclass(frozen=True, slots=True)
class Harm:
    """Toxic effects of each eye, days from the eye's first implant, by kind.

    ``onset_day`` and ``found_day`` have one array of shape (n,) a kind.
    """

    onset_day: dict[str, Ints]
    found_day: dict[str, Ints]
    pseudophakic: Flags
    cataract_before: Flags
    surgery_day: Ints
    anti_vegf_day: Ints


@dataclass(frozen=True, slots=True)
class Removals:
    """Day on which each eye is removed (``NEVER_DAYS`` if kept) and why."""

    day: Ints
    reason: Ints


def _effect_ratio(truth: Truth, effect: Toxic, tumours: TumourRows, given: Prescriptions) -> Floats:
    how = truth.toxicity
    log_fovea = np.log(np.maximum(given.fovea_gy, 1.0) / how.reference_fovea_gy)
    log_disc = np.log(np.maximum(given.disc_gy, 1.0) / how.reference_disc_gy)
    return np.asarray(
        effect.rate_per_year
        * np.exp(
            effect.per_log_fovea_dose * log_fovea
            + effect.per_log_disc_dose * log_disc
            + effect.per_mm_thickness * (tumours.thickness_mm - 4.5)
        )
    )


def _in_days(hazard: Hazard, ratio: Floats, rng: np.random.Generator) -> Ints:
    days = np.maximum(np.ceil(draw_days(hazard, ratio, rng)), 15.0)
    return np.minimum(days, NEVER_DAYS).astype(np.int64)


def _later(found: Ints, share: float, delay: tuple[int, int], rng: np.random.Generator) -> Ints:
    """Day of what follows a finding, in a share of those who have it."""
    n = len(found)
    day = found + rng.integers(delay[0], delay[1] + 1, n)
    return np.where((found < NEVER_DAYS) & (rng.random(n) < share), day, NEVER_DAYS)


def draw_harm(
    truth: Truth, tumours: TumourRows, given: Prescriptions, grid: Grid, rng: np.random.Generator
) -> Harm:
    """Draw every toxic effect of each eye and the visit that finds it; one row an eye."""
    how, n = truth.toxicity, len(tumours.patient)
    pseudophakic = rng.random(n) < how.pseudophakic_share
    cataract_before = ~pseudophakic & (rng.random(n) < how.baseline_cataract_share)
    onset = {
        effect.kind: _in_days(how.shape, _effect_ratio(truth, effect, tumours, given), rng)
        for effect in how.effects
    }
    onset["cataract"] = np.where(pseudophakic | cataract_before, NEVER_DAYS, onset["cataract"])
    found = {kind: first_seen(day, grid.day, grid.attended) for kind, day in onset.items()}
    surgery = _later(found["cataract"], how.surgery_share, how.surgery_delay_days, rng)
    injection = _later(found["radiation_maculopathy"], how.anti_vegf_share, (7, 45), rng)
    return Harm(onset, found, pseudophakic, cataract_before, surgery, injection)


def draw_removals(
    truth: Truth, failures: Failures, harm: Harm, rng: np.random.Generator
) -> Removals:
    """Draw the removal of each eye: for failure, for neovascular glaucoma, for pain or by wish."""
    how, n = truth.toxicity, len(harm.pseudophakic)
    for_failure = np.where(failures.salvage == ENUCLEATED, failures.salvage_day, NEVER_DAYS)
    for_glaucoma = _later(
        harm.found_day["neovascular_glaucoma"],
        how.glaucoma_enucleation_share,
        how.glaucoma_enucleation_delay_days,
        rng,
    )
    rate = np.full(n, how.other_enucleation_per_year)
    otherwise = np.maximum(_in_days(how.shape, rate, rng), 60)
    candidates = np.stack([for_failure, for_glaucoma, otherwise])
    first = candidates.argmin(axis=0)
    wish = np.where(rng.random(n) < 0.7, FOR_PAIN, FOR_WISH)
    reason = np.where(first == 2, wish, np.where(first == 1, FOR_COMPLICATION, FOR_FAILURE))
    return Removals(candidates.min(axis=0), reason)


def removed_by_either(removals: Removals, eye: Ints, failures: Failures) -> Removals:
    """Let a second tumour of an eye (rows ``failures``, eyes ``eye``) take the eye too."""
    day, reason = removals.day.copy(), removals.reason.copy()
    other = np.where(failures.salvage == ENUCLEATED, failures.salvage_day, NEVER_DAYS)
    sooner = other < day[eye]
    day[eye[sooner]], reason[eye[sooner]] = other[sooner], FOR_FAILURE
    return Removals(day, reason)
