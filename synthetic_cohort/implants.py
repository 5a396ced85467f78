"""Prescription, delivered doses and the plaque's place for each tumour.

The apex dose falls with thickness by design (confounding by indication): thick tumours meet the
limit on the scleral dose, and the target itself is lowered for them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from synthetic_cohort.disease import TumourRows, limbus_fovea_arc_mm
from synthetic_cohort.hazards import Flags, Floats, Ints, draw_codes
from synthetic_cohort.truth import DepthDose, Treatment, Truth

TABLE_DEPTHS_MM = np.arange(0.0, 14.5, 0.5)
"""Depths of the certificates' tables; every prescription point lies inside."""


@dataclass(frozen=True, slots=True)
class Prescriptions:
    """What each tumour is given; doses of the whole course in Gy."""

    with_iodine: Flags
    size: Ints
    prescribed_gy: Floats
    delivered_ratio: Floats
    staged: Flags
    incident: Ints
    sclera_gy: Floats
    base_gy: Floats
    fovea_gy: Floats
    disc_gy: Floats
    posterior_margin_mm: Floats

    @property
    def apex_gy(self) -> Floats:
        """Delivered dose at the apex."""
        return self.prescribed_gy * self.delivered_ratio


@dataclass(frozen=True, slots=True)
class Placement:
    """Distances planned and measured in theatre, in mm."""

    planned_limbus_mm: Floats
    tumour_limbus_mm: Floats
    placed_limbus_mm: Floats
    least_margin_mm: Floats
    least_side: Ints


def log_relative_rate(curve: DepthDose, depth_mm: Floats) -> Floats:
    """Return ln of the dose rate at each depth over that at the surface, smooth form."""
    return np.asarray(-(curve.linear_per_mm * depth_mm + curve.quadratic_per_mm2 * depth_mm**2))


def _from_table(curve: DepthDose, depth_mm: Floats) -> Floats:
    """Relative dose rate as anyone reads it from the certificate: monotone in ln between rows."""
    table = PchipInterpolator(TABLE_DEPTHS_MM, log_relative_rate(curve, TABLE_DEPTHS_MM))
    return np.asarray(np.exp(table(depth_mm)))


def relative_rate(how: Treatment, with_iodine: Flags, depth_mm: Floats) -> Floats:
    """Dose rate at each depth over that at the surface, by isotope."""
    iodine, ruthenium = _from_table(how.iodine, depth_mm), _from_table(how.ruthenium, depth_mm)
    return np.where(with_iodine, iodine, ruthenium)


def choose_size(how: Treatment, diameter_mm: Floats) -> Ints:
    """Index of the smallest plaque that covers the base and its margin; else the largest.

    Examples
    --------
    >>> how = Treatment()
    >>> [how.sizes_mm[i] for i in choose_size(how, np.array([7.9, 16.0, 18.5]))]
    [12, 20, 22]
    """
    sizes = np.asarray(how.sizes_mm, dtype=float)
    fitting = np.searchsorted(sizes, diameter_mm + 2 * how.margin_mm - 1e-9)
    return np.minimum(fitting, len(sizes) - 1)


def _draw_delivered_ratio(how: Treatment, n: int, rng: np.random.Generator) -> tuple[Floats, Ints]:
    ratio = np.clip(rng.normal(1.0, how.delivered_ratio_sd, n), 0.94, 1.06)
    incident = np.where(rng.random(n) < how.incident_share, 1 + (rng.random(n) < 0.5), 0)
    ratio = np.where(incident == 1, rng.uniform(0.85, 0.93, n), ratio)
    return np.where(incident == 2, rng.uniform(1.07, 1.12, n), ratio), incident


def _prescribe_apex(
    how: Treatment, tumours: TumourRows, with_iodine: Flags, rng: np.random.Generator
) -> Floats:
    n = len(tumours.patient)
    year = tumours.start_day / 365.2425 + 1970
    target = rng.normal(*how.target_gy, n) + np.where(
        year < how.target_change[0], how.target_change[1], 0.0
    )
    target = target - how.target_fall_gy_per_mm * (tumours.thickness_mm - 4.5)
    depth = tumours.thickness_mm + how.sclera_mm
    ceiling = how.sclera_limit_gy * relative_rate(how, with_iodine, depth)
    ruthenium = np.maximum(np.minimum(target, ceiling), how.lowest_gy)
    iodine = rng.normal(how.iodine_prescribed_gy, 3.0, n)
    return np.where(with_iodine, iodine, ruthenium).round()


def _lateral(how: Treatment, with_iodine: Flags, beyond_edge_mm: Floats) -> Floats:
    """Share of the dose under the plaque that a point beside its edge receives."""
    fall = np.where(with_iodine, how.iodine.lateral_fall_mm, how.ruthenium.lateral_fall_mm)
    under = 1.0 - 0.5 * np.exp(np.minimum(beyond_edge_mm, 0.0) / fall)
    return np.where(beyond_edge_mm < 0, under, 0.5 * np.exp(-np.maximum(beyond_edge_mm, 0) / fall))


def draw_prescriptions(
    truth: Truth, tumours: TumourRows, rng: np.random.Generator
) -> Prescriptions:
    """Choose plaque and dose for each tumour and work out the doses elsewhere."""
    how, n = truth.treatment, len(tumours.patient)
    thick = tumours.thickness_mm >= how.iodine_from_mm
    iodine = thick & (rng.random(n) < how.iodine_share_when_thick)
    iodine |= tumours.thickness_mm >= how.only_iodine_from_mm
    prescribed = _prescribe_apex(how, tumours, iodine, rng)
    ratio, incident = _draw_delivered_ratio(how, n, rng)
    at_apex = relative_rate(how, iodine, tumours.thickness_mm + how.sclera_mm)
    surface = prescribed * ratio / at_apex
    base = surface * relative_rate(how, iodine, np.full(n, how.sclera_mm))
    close = tumours.meridian_fovea_mm < 3.0
    margin = np.where(close, rng.choice([0.0, 0.5, 1.0], n), how.margin_mm)
    noise = np.exp(rng.normal(0.0, 0.15, (2, n)))
    fovea = base * _lateral(how, iodine, tumours.meridian_fovea_mm - margin) * noise[0]
    disc = base * _lateral(how, iodine, tumours.disc_mm - margin) * noise[1]
    return Prescriptions(
        with_iodine=iodine,
        size=choose_size(how, tumours.diameter_mm),
        prescribed_gy=prescribed,
        delivered_ratio=ratio,
        staged=rng.random(n) < how.staged_share,
        incident=incident,
        sclera_gy=surface,
        base_gy=base,
        fovea_gy=np.clip(fovea, 0.1, 1500.0),
        disc_gy=np.clip(disc, 0.1, 1500.0),
        posterior_margin_mm=margin,
    )


def draw_placement(
    truth: Truth, tumours: TumourRows, given: Prescriptions, rng: np.random.Generator
) -> Placement:
    """Work out the planned distances (design §6) and draw what theatre measured."""
    how, n = truth.treatment, len(tumours.patient)
    size = np.asarray(how.sizes_mm, dtype=float)[given.size]
    to_fovea = tumours.meridian_fovea_mm - given.posterior_margin_mm
    planned = 30.0 - (to_fovea + size)
    arc = limbus_fovea_arc_mm(tumours.axial_length_mm)
    anterior_edge = arc - tumours.meridian_fovea_mm - tumours.longitudinal_mm
    error = rng.normal(0.0, how.placement_sd_mm, (3, n))
    side = (size - tumours.diameter_mm) / 2 + error[2] / 2
    posterior = given.posterior_margin_mm + (arc - 30.0) * 0.2 + error[1]
    sides = np.where(posterior < side, 0, 2 + draw_codes((0.5, 0.5), n, rng))
    return Placement(
        planned_limbus_mm=np.clip(planned, -5, 30).round(1),
        tumour_limbus_mm=np.clip(anterior_edge + error[0], -5, 30).round(1),
        placed_limbus_mm=np.clip(planned + error[1], -5, 30).round(1),
        least_margin_mm=np.clip(np.minimum(posterior, side), -6, 6).round(1),
        least_side=sides,
    )
