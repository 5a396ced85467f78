"""The plaque, certificate, check, implant and muscle tables as text."""

from __future__ import annotations

import numpy as np
import pandas as pd

from synthetic_cohort.department import Happenings
from synthetic_cohort.disease import TumourRows
from synthetic_cohort.hazards import NEVER_DAYS, Flags, Floats, Ints, draw_codes
from synthetic_cohort.implants import (
    TABLE_DEPTHS_MM,
    relative_rate,
)
from synthetic_cohort.patient_tables import Names
from synthetic_cohort.stock import Stock, certificate_rates
from synthetic_cohort.theatre import AGAIN, FIRST
from synthetic_cohort.truth import Truth
from synthetic_cohort.writing import (
    Texts,
    lose,
    make_table,
    only_where,
    write_codes,
    write_days,
    write_decimals,
    write_minutes,
)

CHECK_KINDS = ("output", "uniformity", "leak")
RECTI = ("superior_rectus", "lateral_rectus", "inferior_rectus", "medial_rectus")
RECTUS_AT_HOUR_OF_RIGHT_EYE = (0.0, 9.0, 6.0, 3.0)
RECTUS_INSERTION_MM = (7.7, 6.9, 6.5, 5.5)


def make_applicators(truth: Truth, stock: Stock, data_cut: int) -> pd.DataFrame:
    """Write the table of plaques; beta plaques are retired after their year of use."""
    how, plaques = truth.treatment, stock.plaques
    iodine = np.array([plaque.with_iodine for plaque in plaques], dtype=bool)
    size = np.array([how.sizes_mm[plaque.size] for plaque in plaques], dtype=float)
    first = np.array([plaque.first_used_day for plaque in plaques], dtype=np.int64)
    last = np.array([plaque.busy_days[-1][1] for plaque in plaques], dtype=np.int64)
    retired = np.maximum(first + how.unit_life_days, last) + 10
    retired = np.where(iodine | (retired > data_cut), NEVER_DAYS, retired)
    n = len(plaques)
    return make_table(
        "applicator",
        n,
        {
            "applicator_id": np.array([plaque.name for plaque in plaques], dtype=object),
            "isotope": write_codes(("I-125", "Ru-106"), iodine),
            "diameter_mm": write_decimals(size, 1),
            "active_diameter_mm": write_decimals(size - 2 * how.inactive_rim_mm, 1),
            "curvature_radius_mm": write_codes(("12.0",), np.zeros(n, int)),
            "notch": write_codes(("none",), np.zeros(n, int)),
            "eyelets": write_codes(("2", "4"), size < 15),
            "first_used_date": write_days(first),
            "retired_date": write_days(retired),
        },
    )


def make_certificates(truth: Truth, stock: Stock) -> pd.DataFrame:
    """Write a depth dose table for each certificate."""
    how, depths = truth.treatment, write_decimals(TABLE_DEPTHS_MM, 1)
    names, times, rates, of_iodine = [], [], [], []
    for plaque in stock.plaques:
        for certified_at, surface in plaque.certificates:
            names.append(plaque.name)
            times.append(certified_at)
            rates.append(write_decimals(certificate_rates(surface, plaque.with_iodine, how), 4))
            of_iodine.append(plaque.with_iodine)
    each = len(depths)
    iodine = np.repeat(np.array(of_iodine, dtype=bool), each)
    return make_table(
        "certificate",
        each * len(names),
        {
            "applicator_id": np.repeat(np.array(names, dtype=object), each),
            "reference_at": np.repeat(write_minutes(np.array(times, dtype=np.int64)), each),
            "depth_mm": np.tile(depths, len(names)),
            "dose_rate_mgy_min": np.concatenate(rates) if rates else np.zeros(0, dtype=object),
            "uncertainty_pct": write_codes(("8", "20"), iodine),
            "traceability": write_codes(("primary_standard",), np.zeros(len(iodine), int)),
        },
    )


def make_checks(
    truth: Truth, stock: Stock, data_cut: int, rng: np.random.Generator
) -> pd.DataFrame:
    """Write the checks of beta plaques: output, uniformity and leak before first use, a later leak
    test; of iodine plaques the output at first use."""
    rows = [
        (plaque.name, plaque.first_used_day - day, kind)
        for plaque in stock.plaques
        for day, kind in (
            [(3, "output")]
            if plaque.with_iodine
            else [(3, kind) for kind in CHECK_KINDS] + [(-180, "leak")]
        )
        if plaque.first_used_day - day <= data_cut
    ]
    n = len(rows)
    kind = np.array([row[2] for row in rows], dtype=object)
    result = draw_codes((0.97, 0.03), n, rng)
    ratio = np.clip(rng.normal(1.0, truth.treatment.check_ratio_sd, n), 0.85, 1.15)
    return make_table(
        "applicator_check",
        n,
        {
            "applicator_id": np.array([row[0] for row in rows], dtype=object),
            "check_date": write_days(np.array([row[1] for row in rows], dtype=np.int64)),
            "kind": kind,
            "result": write_codes(("pass", "accepted_with_remark"), result),
            "measured_to_stated_ratio": only_where(write_decimals(ratio, 3), kind == "output"),
        },
    )


def _dose_columns(truth: Truth, what: Happenings, rng: np.random.Generator) -> dict[str, Texts]:
    """Delivered doses of each implant, from its certificate and times (design §5)."""
    how, done, given = truth.treatment, what.implants, what.treated.given
    row, orders, gaps = done.tumour, done.orders, truth.missing
    apex = orders.prescribed_gy * orders.delivered_ratio
    surface = apex / orders.apex_relative
    base = surface * relative_rate(how, orders.with_iodine, np.full(len(row), how.sclera_mm))
    share = surface / given.sclera_gy[row]
    across = np.where(orders.with_iodine, 0.035, 0.0004)
    lens = base * np.where(orders.with_iodine, 0.10, 0.02) * rng.lognormal(0.0, 0.4, len(row))
    opposite = base * across * rng.lognormal(0.0, 0.2, len(row))
    return {
        "dose_apex_gy": write_decimals(apex, 1),
        "dose_sclera_gy": write_decimals(surface, 1),
        "dose_inner_sclera_gy": write_decimals(base, 1),
        "dose_fovea_gy": lose(write_decimals(given.fovea_gy[row] * share, 1), gaps.fovea_dose, rng),
        "dose_disc_gy": lose(write_decimals(given.disc_gy[row] * share, 1), gaps.disc_dose, rng),
        "dose_lens_gy": lose(write_decimals(lens, 1), gaps.lens_dose, rng),
        "dose_opposite_retina_gy": lose(write_decimals(opposite, 1), gaps.lens_dose, rng),
    }


def _prescription_columns(truth: Truth, what: Happenings) -> dict[str, Texts]:
    done = what.implants
    iodine, n = done.orders.with_iodine, len(done.tumour)
    depth = what.treated.tumours.thickness_mm[done.tumour] + truth.treatment.sclera_mm
    always = np.zeros(n, int)
    return {
        "prescribed_dose_gy": write_decimals(done.orders.prescribed_gy, 1),
        "prescribed_depth_mm": write_decimals(depth, 1),
        "sclera_allowance_mm": write_decimals(np.full(n, truth.treatment.sclera_mm), 1),
        "planned_duration_hours": write_decimals(done.uses.planned_hours, 2),
        "prescription_point": write_codes(("apex",), always),
        "depth_origin": write_codes(("plaque_surface",), always),
        "dose_source": write_codes(("planning_system", "certificate"), iodine),
        "dose_model": write_codes(("homogeneous_water",), always),
        "inserted_precision": write_codes(("minute",), always),
    }


def _placement_columns(
    truth: Truth, what: Happenings, rng: np.random.Generator
) -> dict[str, Texts]:
    row, place = what.implants.tumour, what.placement
    n, gap = len(row), truth.missing.theatre_distance
    least, near_disc = place.least_margin_mm[row], what.treated.tumours.disc_mm[row] < 1.5
    covered = np.where(least < 0, 1, np.where(rng.random(n) < 0.03, 2, 0))
    touching = np.where(near_disc, 1, 0)
    checks = (
        "transillumination",
        "marking_template;transillumination",
        "indirect_ophthalmoscopy",
        "transillumination;ultrasound",
        "unknown",
    )
    side = write_codes(("posterior", "anterior", "clockwise", "anticlockwise"), _side(what))
    margin = what.treated.given.posterior_margin_mm[row]
    return {
        "planned_margin_mm": write_decimals(np.full(n, truth.treatment.margin_mm), 1),
        "planned_posterior_margin_mm": write_decimals(margin, 1),
        "planned_limbus_distance_mm": write_decimals(place.planned_limbus_mm[row], 1),
        "tumour_limbus_distance_mm": lose(write_decimals(place.tumour_limbus_mm[row], 1), gap, rng),
        "placed_limbus_distance_mm": lose(write_decimals(place.placed_limbus_mm[row], 1), gap, rng),
        "least_margin_mm": lose(write_decimals(least, 1), 0.10, rng),
        "least_margin_side": lose(side, 0.10, rng),
        "margin_covered": write_codes(("yes", "no", "uncertain"), covered),
        "position_check": write_codes(checks, draw_codes((0.4, 0.2, 0.2, 0.15, 0.05), n, rng)),
        "disc_contact": write_codes(("none", "touches_sheath"), touching),
        "position_at_removal": write_codes(
            ("unchanged", "shifted", "tilted", "not_checked"),
            draw_codes((0.93, 0.02, 0.01, 0.04), n, rng),
        ),
        "mattress_suture": write_codes(("yes", "no"), rng.random(n) < 0.35),
        "sclera_exposed": write_codes(("yes", "no"), rng.random(n) < 0.02),
    }


def _side(what: Happenings) -> Ints:
    return what.placement.least_side[what.implants.tumour]


def name_implants(what: Happenings, names: Names) -> Texts:
    """Name implants after their tumour: HB0001-R1-1, then -2 for a stage or a later plaque."""
    done = what.implants
    order = np.lexsort((done.uses.inserted, done.tumour))
    tumour = done.tumour[order]
    first = np.searchsorted(tumour, tumour, side="left")
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order)) - first
    named: Texts = names.tumour[done.tumour] + write_codes(("-1", "-2", "-3"), rank)
    return named


def make_implants(
    truth: Truth, what: Happenings, names: Names, rng: np.random.Generator
) -> pd.DataFrame:
    """Write the implant table, in order of insertion."""
    done, how = what.implants, truth.treatment
    n = len(done.tumour)
    plaques = np.array([plaque.name for plaque in what.stock.plaques], dtype=object)
    incidents = ("none", "early_removal", "late_removal")
    incident = np.where(done.purpose == AGAIN, 0, what.treated.given.incident[done.tumour])
    adjunct = what.treated.tumours.thermotherapy[done.tumour] & (done.purpose == FIRST)
    columns = {
        "implant_id": name_implants(what, names),
        "tumour_id": names.tumour[done.tumour],
        "applicator_id": plaques[done.uses.plaque],
        "inserted_at": write_minutes(done.uses.inserted),
        "removed_at": write_minutes(done.uses.removed),
        "operator_code": write_codes(how.operators, draw_codes(how.operator_shares, n, rng)),
        "adjunct": only_where(write_codes(("thermotherapy",), np.zeros(n, int)), adjunct),
        "incident": write_codes(incidents, incident),
    }
    columns |= _prescription_columns(truth, what) | _dose_columns(truth, what, rng)
    columns |= _placement_columns(truth, what, rng)
    table = make_table("implant", n, columns)
    return table.iloc[np.argsort(done.uses.inserted, kind="stable")].reset_index(drop=True)


def _overlying(tumours: TumourRows, row: Ints) -> tuple[Flags, Floats]:
    """Which recti each plaque lies under, shape (implants, 4), by clock hour, and the distance."""
    hours = np.asarray(RECTUS_AT_HOUR_OF_RIGHT_EYE)
    clock = np.where(tumours.right[row], tumours.clock[row], 12 - tumours.clock[row])
    apart = np.abs(clock[:, None] % 12 - hours)
    apart = np.minimum(apart, 12 - apart)
    return apart <= 1.5, apart


def make_muscles(
    truth: Truth, what: Happenings, names: Names, rng: np.random.Generator
) -> pd.DataFrame:
    """Write the muscles detached: the recti within one and a half hours of the tumour."""
    row = what.implants.tumour
    under, apart = _overlying(what.treated.tumours, row)
    implant, muscle = np.nonzero(under)
    before = rng.normal(np.asarray(RECTUS_INSERTION_MM)[muscle], 0.5)
    after = before + rng.normal(0.0, 0.25, len(before))
    return make_table(
        "implant_muscle",
        len(implant),
        {
            "implant_id": name_implants(what, names)[implant],
            "muscle": write_codes(RECTI, muscle),
            "knot_limbus_before_mm": lose(write_decimals(before, 1), 0.08, rng),
            "knot_limbus_after_mm": lose(write_decimals(after, 1), 0.12, rng),
            "overlies_plaque": write_codes(("yes", "no"), apart[implant, muscle] < 1.0),
        },
    )
