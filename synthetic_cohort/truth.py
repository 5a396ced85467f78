# ruff: noqa: RUF009 - every default is frozen, and the call keeps its reason beside it
"""The truth behind the fictional department: every parameter, with the reason for its value.

Nobody's data were used. Values are shaped like published ranges: a paper named in a reason gives
the range that the value was chosen to lie in, not a fit to its patients; its key is that of
``analysis/benchmarking/published_rates.csv``, or the paper is cited. Where a reason names no paper
or standard and does not say "from memory" or "common practice", the value is our choice. Each
reason is kept in the field's metadata (``reasons`` lists them all).
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from dataclasses import dataclass, field
from datetime import date
from typing import Any, TypeVar

T = TypeVar("T")

FIRST_IMPLANT_DATE = date(2014, 1, 1)
LAST_IMPLANT_DATE = date(2023, 12, 31)
DATA_CUT = date(2024, 12, 31)
DAYS_PER_YEAR = 365.25


def _given(value: T, why: str) -> T:
    """Declare a parameter together with the reason for its value."""
    declared: T = field(default=value, metadata={"why": why})
    return declared


@dataclass(frozen=True, slots=True)
class Hazard:
    """A piecewise-constant hazard: ``rates_per_year[i]`` applies from ``breaks_years[i]`` on."""

    breaks_years: tuple[float, ...]
    rates_per_year: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Patients:
    """Who is treated."""

    age_mean_years: float = _given(61.0, "mean age about 60 in plaque series (COMS18: 60)")
    age_sd_years: float = _given(13.0, "spread of adult series, our choice")
    age_limits_years: tuple[float, float] = _given((20.0, 90.0), "adults, our choice")
    female_share: float = _given(
        0.48, "about half (766 of 1541 in Ocul Oncol Pathol 2019;5(6):432)"
    )
    diabetes_share: float = _given(0.11, "11 % in PlaqueSeries4000")
    hypertension_share: float = _given(0.38, "usual at that age, our choice")
    consent_shares: tuple[float, float, float] = _given((0.90, 0.06, 0.04), "yes, no, unknown")
    poor_fellow_eye_share: float = _given(0.04, "amblyopia or other disease, our choice")
    second_eye_share: float = _given(
        0.006, "bilateral uveal melanoma is well under 1 %, from memory"
    )
    second_tumour_share: float = _given(0.010, "two tumours in one eye are rare, our choice")


@dataclass(frozen=True, slots=True)
class Tumours:
    """Size, place and shape of the tumours at baseline."""

    thickness_median_mm: float = _given(4.4, "4.5 in PlaqueSeries4000, 4.7 in RuThesis894")
    thickness_log_sd: float = _given(0.40, "gives 1.9-9 mm for the middle 95 %")
    thickness_limits_mm: tuple[float, float] = _given((1.5, 12.0), "treated range, our choice")
    diameter_median_mm: float = _given(11.0, "11.0 in PlaqueSeries4000, mean 11.7 in RuThesis894")
    diameter_log_sd: float = _given(0.24, "gives 4-18.9 mm, the range of RospondKubiak2017")
    diameter_limits_mm: tuple[float, float] = _given((4.5, 18.8), "RospondKubiak2017: 4.0-18.9")
    size_correlation: float = _given(0.55, "larger tumours are thicker, our choice")
    longitudinal_ratio: tuple[float, float] = _given((0.80, 1.0), "roughly round bases, our choice")
    site_shares: tuple[float, float, float] = _given(
        (0.83, 0.13, 0.04), "choroid, ciliochoroidal, ciliary body: 17.7 % in RuThesis894"
    )
    fovea_gamma: tuple[float, float, float] = _given(
        (-2.3, 2.0, 2.8), "shift, shape, scale in mm: median 3.0 to the foveola, PlaqueSeries4000"
    )
    axial_length_mm: tuple[float, float] = _given(
        (23.5, 1.0), "mean and SD of adult eyes, from memory"
    )
    detachment_share: float = _given(0.28, "exudative detachment, our choice")
    biopsied_share: float = _given(0.35, "department's habit, our choice")
    shape_shares: tuple[float, ...] = _given((0.78, 0.15, 0.04, 0.03), "dome, mushroom, ...")


@dataclass(frozen=True, slots=True)
class DepthDose:
    """ln of the dose rate at depth d over that at the surface: -(linear d + quadratic d^2)."""

    linear_per_mm: float
    quadratic_per_mm2: float
    lateral_fall_mm: float
    surface_rate_mgy_min: float
    half_life_days: float


@dataclass(frozen=True, slots=True)
class Treatment:
    """Plaques, prescription, delivery and placement."""

    ruthenium: DepthDose = _given(
        DepthDose(0.225, 0.0125, 0.9, 125.0, 373.59),
        "about 165:100:39:5 at 0, 2, 5 and 10 mm, surface about 0.1-0.15 Gy/min fresh (common "
        "practice, no source); half-life ICRP 107",
    )
    iodine: DepthDose = _given(
        DepthDose(0.223, -0.002, 4.0, 0.0, 59.4),
        "about 2.9:1:0.38 at 0, 5 and 10 mm (common practice, no source); loaded for each implant "
        "(no fixed surface rate), which gives 0.51-0.77 Gy/h at the apex, within the 0.51-1.18 "
        "Gy/h of nine centres (Ocul Oncol Pathol 2020;6(3):210); half-life ICRP 107",
    )
    sizes_mm: tuple[int, ...] = _given((12, 14, 16, 18, 20, 22), "invented set of round plaques")
    inactive_rim_mm: float = _given(
        0.8, "the rim of beta plaques is inactive (common practice, no source)"
    )
    margin_mm: float = _given(2.0, "plaque at least base + 4 mm (common practice, no source)")
    iodine_from_mm: float = _given(
        6.8, "beta plaques are kept to thinner tumours (common practice, no source)"
    )
    iodine_share_when_thick: float = _given(0.75, "the rest keep ruthenium, our choice")
    only_iodine_from_mm: float = _given(
        8.0, "by the depth doses above ruthenium would take over two weeks"
    )
    iodine_hours: tuple[float, float] = _given(
        (110.0, 165.0), "5-7 days usual (ABS task force, Brachytherapy 2014;13:1, from memory)"
    )
    iodine_prescribed_gy: float = _given(
        85.0, "of 70-100 Gy to the apex (ABS task force, Brachytherapy 2014;13:1, from memory)"
    )
    target_gy: tuple[float, float] = _given(
        (120.0, 16.0), "apex 100-147 Gy in Ru-106 series, from memory"
    )
    target_change: tuple[int, float] = _given((2018, -12.0), "target lower before 2018, our choice")
    target_fall_gy_per_mm: float = _given(
        4.0, "confounding by indication: thick tumours are given less at the apex"
    )
    sclera_limit_gy: float = _given(
        1000.0, "caps the apex dose of thick tumours (mean 1269 Gy at the sclera in Naseripour2016)"
    )
    lowest_gy: float = _given(50.0, "lowest apex dose accepted, our choice")
    second_course_gy: float = _given(100.0, "apex dose of a ruthenium plaque after failure")
    second_sclera_limit_gy: float = _given(1200.0, "caps it in thick tumours, our choice")
    sclera_mm: float = _given(1.0, "allowance added to the thickness (common practice, no source)")
    delivered_ratio_sd: float = _given(0.025, "removal slots shift the duration, our choice")
    incident_share: float = _given(
        0.01, "early or late removal: ratio 0.85-0.93 or 1.07-1.12, our choice"
    )
    staged_share: float = _given(0.008, "two implants within 90 days are rare, our choice")
    unit_life_days: int = _given(
        365, "a beta plaque is used for about a year (common practice, no source)"
    )
    rate_spread: float = _given(0.06, "spread of fresh output between plaques, our choice")
    check_ratio_sd: float = _given(
        0.04, "film against certificate: -11 to +8 % over 3 plaques (an AAPM 2020 meeting abstract)"
    )
    thermotherapy_share: float = _given(0.10, "added in some Ru-106 series (Tarmann2015)")
    placement_sd_mm: float = _given(0.6, "theatre measurement by calliper, our choice")
    operators: tuple[str, ...] = _given(("OP-A", "OP-B", "OP-C", "OP-D"), "invented pseudonyms")
    operator_shares: tuple[float, ...] = _given((0.45, 0.30, 0.15, 0.10), "our choice")


@dataclass(frozen=True, slots=True)
class LocalFailure:
    """Regrowth: proportional hazards over a hazard that peaks in the second and third year."""

    hazard: Hazard = _given(
        Hazard((0, 1, 2, 3, 4, 5, 7), (0.010, 0.021, 0.019, 0.014, 0.010, 0.006, 0.003)),
        "detected 5-year failure near 8-10 %: 8.2 % RuThesis894, 13.5 % RospondKubiak2017, about "
        "4 % in Verschueren2010 (from memory); most failures by 4 years",
    )
    ratio_per_10_gy: float = _given(0.90, "apex dose protects; size of the effect is our choice")
    reference_dose_gy: tuple[float, float] = _given((110.0, 85.0), "Ru-106, I-125: ratio 1 here")
    ratio_per_mm_diameter: float = _given(1.10, "larger tumours fail more (Karimi2021)")
    ratio_per_mm_thickness: float = _given(1.06, "our choice; confounds dose, as it drives dose")
    ratio_ciliary_body: float = _given(1.6, "our choice")
    ratio_thermotherapy: float = _given(
        0.75, "87 against 69 % without in 20 patients (Dias et al., Radiol Bras 2007;40(2):105)"
    )
    suspected_first_share: float = _given(0.20, "seen as suspected, confirmed at the next visit")
    false_alarm_share: float = _given(0.008, "visits of controlled tumours called suspected")
    salvage_shares: tuple[float, ...] = _given(
        (0.40, 0.33, 0.14, 0.05, 0.08),
        "enucleation, plaque, thermotherapy, proton beam, none yet; our choice",
    )
    salvage_delay_days: tuple[int, int] = _given((14, 56), "some weeks after detection, our choice")
    pattern_shares: tuple[float, ...] = _given(
        (0.55, 0.12, 0.16, 0.06, 0.11),
        "marginal, central, diffuse, extrascleral, unknown; our choice",
    )
    growth_mm_per_year: float = _given(1.2, "regrowth in height, our choice")


@dataclass(frozen=True, slots=True)
class Mortality:
    """Metastasis, death from it, and death from other causes (independent given covariates)."""

    metastasis_hazard: Hazard = _given(
        Hazard((0, 1, 2, 3, 5, 8), (0.006, 0.011, 0.013, 0.012, 0.009, 0.006)),
        "5-year metastasis near 10 %: 7-13 % (Finger2009, Perez2014, Char1996)",
    )
    ratio_per_mm_diameter: float = _given(1.16, "size is the chief clinical predictor")
    ratio_ciliary_body: float = _given(1.4, "our choice")
    ratio_monosomy: float = _given(3.5, "monosomy 3 against disomy, our choice")
    monosomy_share_at_11_mm: float = _given(0.36, "a third to a half in series, our choice")
    monosomy_logit_per_mm: float = _given(0.15, "more often in large tumours, our choice")
    survival_after_metastasis: tuple[float, float] = _given(
        (1.0, 0.8), "median in years and log SD: about a year, from memory"
    )
    gompertz_log_rate_at_60: float = _given(-4.73, "about 0.9 % a year in men of 60, our choice")
    gompertz_per_year: float = _given(
        0.092, "adult mortality doubles about every 7.5 years, from memory"
    )
    female_ratio: float = _given(0.65, "lower mortality of women, our choice")
    other_cancer_share: float = _given(0.25, "of deaths from other causes, our choice")
    cause_unknown_share: float = _given(0.03, "certificate not seen, our choice")


@dataclass(frozen=True, slots=True)
class Toxic:
    """One toxic effect: yearly hazard at reference doses and how doses change it."""

    kind: str
    rate_per_year: float
    per_log_fovea_dose: float = 0.0
    per_log_disc_dose: float = 0.0
    per_mm_thickness: float = 0.0
    grades: tuple[float, float, float, float] = (0.35, 0.40, 0.20, 0.05)


@dataclass(frozen=True, slots=True)
class Toxicity:
    """Toxic effects of treatment and removal of the eye for them."""

    shape: Hazard = _given(
        Hazard((0, 0.5, 1, 3, 5), (0.3, 0.9, 1.3, 1.0, 0.6)),
        "multiplies each rate: onset from some months, most between 1 and 4 years, our choice",
    )
    effects: tuple[Toxic, ...] = _given(
        (
            Toxic("radiation_maculopathy", 0.082, per_log_fovea_dose=0.50, per_mm_thickness=0.07),
            Toxic("radiation_optic_neuropathy", 0.018, per_log_disc_dose=0.50),
            Toxic("radiation_retinopathy", 0.060, per_mm_thickness=0.05),
            Toxic("cataract", 0.100, per_mm_thickness=0.12),
            Toxic("neovascular_glaucoma", 0.0075, per_mm_thickness=0.25, grades=(0, 0.2, 0.6, 0.2)),
            Toxic("iris_neovascularisation", 0.010, per_mm_thickness=0.20),
            Toxic("vitreous_haemorrhage", 0.013, per_mm_thickness=0.08),
            Toxic("retinal_detachment", 0.009, per_mm_thickness=0.12),
            Toxic("raised_pressure", 0.014),
            Toxic("scleral_thinning", 0.004, per_mm_thickness=0.20),
            Toxic("scleral_necrosis", 0.001, per_mm_thickness=0.30),
            Toxic("uveitis", 0.007),
            Toxic("keratopathy", 0.004),
            Toxic("dry_eye", 0.017, grades=(0.6, 0.35, 0.05, 0)),
            Toxic("diplopia", 0.008, grades=(0.5, 0.3, 0.15, 0.05)),
        ),
        "retinopathy 28 %, optic neuropathy 10 %, cataract 54 % ever (Jiang2020); maculopathy 43 % "
        "(Semenova2013_small); the rest our choice",
    )
    reference_fovea_gy: float = _given(40.0, "maculopathy has its stated rate here")
    reference_disc_gy: float = _given(20.0, "optic neuropathy has its stated rate here")
    pseudophakic_share: float = _given(0.10, "at that age, our choice")
    baseline_cataract_share: float = _given(0.12, "cataract at baseline, our choice")
    glaucoma_enucleation_share: float = _given(
        0.35, "painful eyes after neovascular glaucoma, our choice"
    )
    glaucoma_enucleation_delay_days: tuple[int, int] = _given((14, 120), "our choice")
    other_enucleation_per_year: float = _given(
        0.0035, "pain or wish without failure, as in COMS19; rate our choice"
    )
    surgery_share: float = _given(0.60, "cataract operated once found, our choice")
    surgery_delay_days: tuple[int, int] = _given((30, 150), "our choice")
    anti_vegf_share: float = _given(0.40, "maculopathy treated with injections, our choice")


@dataclass(frozen=True, slots=True)
class Vision:
    """Latent acuity in logMAR and how it is read and written."""

    baseline_logmar: float = _given(0.04, "good far from the fovea, our choice")
    baseline_at_fovea: float = _given(0.45, "added when the tumour is at the fovea")
    fovea_scale_mm: float = _given(2.5, "how quickly that addition fades with distance")
    baseline_spread: float = _given(0.16, "mean of an exponential addition, our choice")
    detachment_logmar: float = _given(0.10, "exudative detachment costs a line, our choice")
    decline_per_year: tuple[float, float] = _given((0.9, 0.6), "median and log SD after onset")
    decline_limits: tuple[float, float] = _given((0.5, 2.2), "total loss once declining, uniform")
    cataract_logmar: float = _given(0.30, "three lines, regained by surgery")
    cataract_years: float = _given(1.5, "years until the cataract has its full effect")
    glaucoma_logmar: float = _given(1.8, "blinds within half a year, our choice")
    reading_sd: float = _given(0.05, "test-retest SD of a chart reading, our choice")
    off_chart_from: tuple[float, float, float, float] = _given(
        (1.62, 2.1, 2.5, 2.9), "latent logMAR from which CF, HM, LP, NLP are written"
    )
    notation_shares: tuple[float, ...] = _given(
        (0.62, 0.09, 0.05, 0.16, 0.08), "snellen_m, snellen_ft, decimal, logmar, letters"
    )
    regression_share: tuple[float, float] = _given(
        (5.0, 4.0), "beta: height kept in the long run, mean 0.56, our choice"
    )
    regression_years: float = _given(0.8, "time constant of shrinkage, our choice")
    height_reading_sd_mm: float = _given(0.20, "ultrasound repeatability, our choice")


@dataclass(frozen=True, slots=True)
class FollowUp:
    """Visits, drop-out and what ends observation."""

    planned_months: tuple[int, ...] = _given(
        (4, 8, 12, 16, 20, 24, 30, 36, 42, 48, 54, 60),
        "4-monthly for 2 years, 6-monthly to 5, our choice",
    )
    months_between_later: int = _given(12, "yearly after 5 years")
    jitter_days: int = _given(21, "uniform, either way")
    missed_share: float = _given(0.06, "visits that do not happen, independent of everything")
    drop_out: Hazard = _given(
        Hazard((0, 2, 5), (0.012, 0.022, 0.040)),
        "left before the cut, independent of tumour and death unless informative_dropout says more",
    )
    drop_out_shares: tuple[float, float, float, float] = _given(
        (0.45, 0.17, 0.13, 0.25), "discharged to local care, moved, declined, lost"
    )
    informative_dropout: float = _given(
        1.0, "multiplies the drop-out hazard from regrowth on; 1 means independent"
    )


@dataclass(frozen=True, slots=True)
class Missing:
    """Shares of values that are not recorded, at random."""

    thickness: float = _given(0.010, "a high-severity finding, never a refusal")
    diameter: float = _given(0.007, "as above")
    longitudinal: float = _given(0.08, "our choice")
    meridian_distance: float = _given(0.06, "our choice")
    axial_length: float = _given(0.25, "measured only for planning, our choice")
    acuity: float = _given(0.03, "visits without an acuity")
    fellow_acuity: float = _given(0.30, "our choice")
    visit_height: float = _given(0.12, "visits without ultrasound")
    local_status: float = _given(0.025, "visits with local status not assessed")
    pressure: float = _given(0.08, "our choice")
    fovea_dose: float = _given(0.05, "our choice")
    disc_dose: float = _given(0.06, "our choice")
    lens_dose: float = _given(0.45, "our choice")
    theatre_distance: float = _given(0.07, "our choice")
    code: float = _given(0.02, "code fields left blank")
    unknown_code: float = _given(0.015, "code fields that say unknown")


@dataclass(frozen=True, slots=True)
class Truth:
    """All parameters of the fictional department."""

    centre_name: str = _given("Harbour Bay (invented)", "no real place")
    patients: Patients = _given(Patients(), "who")
    tumours: Tumours = _given(Tumours(), "what")
    treatment: Treatment = _given(Treatment(), "how treated")
    local_failure: LocalFailure = _given(LocalFailure(), "regrowth")
    mortality: Mortality = _given(Mortality(), "metastasis and death")
    toxicity: Toxicity = _given(Toxicity(), "harm")
    vision: Vision = _given(Vision(), "sight")
    follow_up: FollowUp = _given(FollowUp(), "what is seen of it")
    missing: Missing = _given(Missing(), "what is not written down")


TRUTH = Truth()


def reasons(part: Any, prefix: str = "") -> dict[str, str]:
    """List the reason for every parameter, by dotted name.

    Examples
    --------
    >>> reasons(TRUTH)["patients.diabetes_share"]
    '11 % in PlaqueSeries4000'
    """
    listed: dict[str, str] = {}
    for member in dataclasses.fields(part):
        value = getattr(part, member.name)
        listed[prefix + member.name] = member.metadata.get("why", "")
        if prefix == "" and dataclasses.is_dataclass(value):
            listed |= reasons(value, f"{member.name}.")
    return listed


def fingerprint(truth: Truth) -> str:
    """Return the SHA-256 of every parameter, so that stale expected figures cannot pass."""
    text = json.dumps(dataclasses.asdict(truth), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()
