"""Patients, their tumours, and the course of the disease: metastasis, death, regrowth."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from synthetic_cohort.hazards import (
    NEVER_DAYS,
    Flags,
    Floats,
    Ints,
    draw_codes,
    draw_days,
    draw_gompertz_days,
)
from synthetic_cohort.truth import DAYS_PER_YEAR, Truth, Tumours

Rows = TypeVar("Rows")

CHOROID, CILIOCHOROIDAL, CILIARY_BODY = 0, 1, 2
DISC_CENTRE_MM = 4.8
DISC_RADIUS_MM = 0.75


def take(rows: Rows, index: Ints | Flags) -> Rows:
    """Keep some rows of a dataclass of equally long arrays."""
    fields = dataclasses.fields(rows)  # type: ignore[arg-type]
    return dataclasses.replace(
        rows,  # type: ignore[type-var]
        **{member.name: getattr(rows, member.name)[index] for member in fields},
    )


def stack(first: Rows, second: Rows) -> Rows:
    """Put the rows of two dataclasses of arrays under each other."""
    fields = dataclasses.fields(first)  # type: ignore[arg-type]
    return dataclasses.replace(
        first,  # type: ignore[type-var]
        **{
            member.name: np.concatenate([getattr(first, member.name), getattr(second, member.name)])
            for member in fields
        },
    )


@dataclass(frozen=True, slots=True)
class People:
    """One row a patient; days count from 1970-01-01, times from the first implant in days."""

    first_day: Ints
    female: Flags
    age_years: Floats
    diabetes: Flags
    hypertension: Flags
    consent: Ints
    poor_fellow_eye: Flags


@dataclass(frozen=True, slots=True)
class TumourRows:
    """One row a tumour. ``start_day`` is the day of its first implant."""

    patient: Ints
    right: Flags
    start_day: Ints
    thickness_mm: Floats
    diameter_mm: Floats
    longitudinal_mm: Floats
    site: Ints
    meridian_fovea_mm: Floats
    disc_mm: Floats
    clock: Floats
    axial_length_mm: Floats
    detachment: Flags
    shape: Ints
    thermotherapy: Flags
    monosomy: Flags
    biopsied: Flags


@dataclass(frozen=True, slots=True)
class Lives:
    """When metastasis and death come, in days from the first implant, were all else equal."""

    metastasis_days: Floats
    melanoma_death_days: Floats
    other_death_days: Floats

    @property
    def death_days(self) -> Floats:
        """Day of death of either cause."""
        return np.minimum(self.melanoma_death_days, self.other_death_days)


def draw_people(
    truth: Truth, n: int, rng: np.random.Generator, *, first_day: int, last_day: int
) -> People:
    """Draw ``n`` patients whose first implants fall on weekdays of the accrual period."""
    days = np.sort(rng.integers(first_day, last_day + 1, n))
    weekday = (days + 3) % 7  # 1970-01-01 was a Thursday; Monday is 0
    days = days - np.where(weekday >= 5, weekday - 4, 0)
    who = truth.patients
    low, high = who.age_limits_years
    age = rng.normal(who.age_mean_years, who.age_sd_years, n)
    return People(
        first_day=np.maximum(days, first_day),
        female=rng.random(n) < who.female_share,
        age_years=np.where((age < low) | (age > high), rng.uniform(45, 75, n), age),
        diabetes=rng.random(n) < who.diabetes_share,
        hypertension=rng.random(n) < who.hypertension_share,
        consent=draw_codes(who.consent_shares, n, rng),
        poor_fellow_eye=rng.random(n) < who.poor_fellow_eye_share,
    )


def _draw_sizes(what: Tumours, n: int, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
    first = rng.standard_normal(n)
    share = what.size_correlation
    second = share * first + np.sqrt(1 - share**2) * rng.standard_normal(n)
    thickness = what.thickness_median_mm * np.exp(what.thickness_log_sd * first)
    diameter = what.diameter_median_mm * np.exp(what.diameter_log_sd * second)
    thickness = np.clip(thickness, *what.thickness_limits_mm).round(1)
    diameter = np.clip(diameter, *what.diameter_limits_mm)
    diameter = np.maximum(diameter, thickness + 0.5).round(1)
    longitudinal = (diameter * rng.uniform(*what.longitudinal_ratio, n)).round(1)
    return thickness, diameter, longitudinal


def limbus_fovea_arc_mm(axial_length_mm: Floats) -> Floats:
    """Return the arc from limbus to fovea: 28.4, 31.6, 34.8 mm at 22, 24, 26 mm (design §6)."""
    return np.asarray(31.6 + 1.6 * (axial_length_mm - 24.0))


def _draw_posterior_edge(
    what: Tumours, site: Ints, sizes: tuple[Floats, Floats], rng: np.random.Generator
) -> Floats:
    """Draw the distance of the posterior edge to the fovea; negative beyond the fovea.

    ``sizes`` holds the largest and the longitudinal diameters. Anterior tumours lie far enough back
    for their plaque to reach no more than 4 mm over the limbus.
    """
    shift, shape, scale = what.fovea_gamma
    diameter, longitudinal = sizes
    n = len(site)
    posterior = np.minimum(shift + rng.gamma(shape, scale, n), 26.0 - longitudinal)
    anterior = 28.0 - longitudinal + rng.uniform(-2.0, 1.0, n)
    anterior = np.minimum(np.maximum(anterior, 2.0), 36.0 - np.minimum(diameter + 6.0, 22.0))
    return np.where(site == CHOROID, posterior, anterior).round(1)


def _disc_distance(right: Flags, clock: Floats, centre_mm: Floats, diameter: Floats) -> Floats:
    """Distance of a round base to the disc margin on a flat map round the fovea, in mm."""
    angle = np.pi / 6 * clock  # clockwise from 12 as the examiner faces the eye
    nasal = np.where(right, 1.0, -1.0)  # the nose is on the examiner's right of a right eye
    across = centre_mm * np.sin(angle) - nasal * DISC_CENTRE_MM
    up = centre_mm * np.cos(angle)
    distance = np.hypot(across, up) - DISC_RADIUS_MM - diameter / 2
    return np.clip(distance, 0.0, 29.0).round(1)


def draw_tumours(
    truth: Truth, patient: Ints, right: Flags, start_day: Ints, rng: np.random.Generator
) -> TumourRows:
    """Draw one tumour for each entry of ``patient``."""
    what, n = truth.tumours, len(patient)
    thickness, diameter, longitudinal = _draw_sizes(what, n, rng)
    site = draw_codes(what.site_shares, n, rng)
    longitudinal = np.where(site == CILIARY_BODY, np.minimum(longitudinal, 12.0), longitudinal)
    edge = _draw_posterior_edge(what, site, (diameter, longitudinal), rng)
    clock = (np.floor(rng.uniform(0, 24, n)) + 1) / 2
    where = truth.mortality
    logit = np.log(where.monosomy_share_at_11_mm / (1 - where.monosomy_share_at_11_mm))
    logit = logit + where.monosomy_logit_per_mm * (diameter - 11.0)
    return TumourRows(
        patient=patient,
        right=right,
        start_day=start_day,
        thickness_mm=thickness,
        diameter_mm=diameter,
        longitudinal_mm=longitudinal,
        site=site,
        meridian_fovea_mm=edge,
        disc_mm=_disc_distance(right, clock, edge + longitudinal / 2, diameter),
        clock=clock,
        axial_length_mm=np.clip(rng.normal(*what.axial_length_mm, n), 20.5, 28.0).round(1),
        detachment=rng.random(n) < what.detachment_share,
        shape=draw_codes(what.shape_shares, n, rng),
        thermotherapy=rng.random(n) < truth.treatment.thermotherapy_share,
        monosomy=rng.random(n) < 1 / (1 + np.exp(-logit)),
        biopsied=rng.random(n) < what.biopsied_share,
    )


def draw_lives(
    truth: Truth, people: People, tumours: TumourRows, rng: np.random.Generator
) -> Lives:
    """Draw metastasis and death of each patient; ``tumours`` holds the first tumour of each."""
    how = truth.mortality
    ratio = (
        how.ratio_per_mm_diameter ** (tumours.diameter_mm - 11.0)
        * np.where(tumours.site != CHOROID, how.ratio_ciliary_body, 1.0)
        * np.where(tumours.monosomy, how.ratio_monosomy, 1.0)
    )
    metastasis = np.ceil(draw_days(how.metastasis_hazard, ratio, rng))
    median, spread = how.survival_after_metastasis
    after = median * np.exp(spread * rng.standard_normal(len(ratio))) * DAYS_PER_YEAR
    log_rate = how.gompertz_log_rate_at_60 + np.log(np.where(people.female, how.female_ratio, 1.0))
    other = draw_gompertz_days(log_rate, how.gompertz_per_year, people.age_years, rng)
    other = np.maximum(np.ceil(other), 20.0)  # nobody dies with the plaque in place
    metastasis = np.minimum(np.maximum(metastasis, 20.0), NEVER_DAYS)
    return Lives(metastasis, np.minimum(metastasis + np.ceil(after) + 5, NEVER_DAYS), other)


def failure_ratio(
    truth: Truth, tumours: TumourRows, apex_dose_gy: Floats, with_iodine: Flags
) -> Floats:
    """Hazard ratio of regrowth of each tumour against the reference tumour and dose."""
    how = truth.local_failure
    reference = np.where(with_iodine, how.reference_dose_gy[1], how.reference_dose_gy[0])
    return np.asarray(
        how.ratio_per_10_gy ** ((apex_dose_gy - reference) / 10.0)
        * how.ratio_per_mm_diameter ** (tumours.diameter_mm - 11.0)
        * how.ratio_per_mm_thickness ** (tumours.thickness_mm - 4.5)
        * np.where(tumours.site != CHOROID, how.ratio_ciliary_body, 1.0)
        * np.where(tumours.thermotherapy, how.ratio_thermotherapy, 1.0)
    )
