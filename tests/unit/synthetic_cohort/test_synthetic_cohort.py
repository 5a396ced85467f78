"""The fictional department's files hold to the declaration and to what they say of themselves."""

from __future__ import annotations

import re
from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy.interpolate import PchipInterpolator

from registry.acuity import read_acuity
from registry.records import TABLES, Field
from synthetic_cohort.cohort import draw_department
from synthetic_cohort.truth import TRUTH, reasons

PATTERNS = {
    "date": r"\d{4}-\d{2}-\d{2}",
    "timestamp": r"\d{4}-\d{2}-\d{2} \d{2}:\d{2}",
    "integer": r"-?\d+",
    "decimal": r"-?\d+(\.\d{1,6})?",
}
HALF_LIFE_DAYS = {"Ru-106": 373.59, "I-125": 59.4}  # ICRP Publication 107 (2008)

Department = dict[str, pd.DataFrame]


@pytest.fixture(scope="module")
def department() -> Department:
    return draw_department(TRUTH, 1500, np.random.default_rng(20))


def number(column: pd.Series) -> pd.Series:
    return pd.to_numeric(column.replace("", None))


def is_allowed(field: Field, text: str) -> bool:
    if text == "":
        return not field.is_required
    if field.type == "code":
        return text in field.codes
    if field.type == "list":
        return all(part in field.codes for part in text.split(";"))
    if field.type in PATTERNS and not re.fullmatch(PATTERNS[field.type], text):
        return False
    if field.low is not None and field.high is not None:
        return float(field.low) <= float(text) <= float(field.high)
    return True


def test_every_cell_satisfies_the_declaration(department: Department) -> None:
    assert list(department) == list(TABLES)
    for name, table in department.items():
        assert list(table.columns) == [field.name for field in TABLES[name].entered]
        for field in TABLES[name].entered:
            wrong = [text for text in table[field.name].unique() if not is_allowed(field, text)]
            assert not wrong, f"{name}.{field.name}: {wrong[:3]}"


def test_keys_are_unique_and_references_lead_somewhere(department: Department) -> None:
    for name, table in department.items():
        keys = [field.name for field in TABLES[name].key]
        assert not table.duplicated(keys).any(), name
        for field in TABLES[name].references:
            parents = set(department[str(field.references)][field.name])
            assert set(table[field.name]) - {""} <= parents, f"{name}.{field.name}"


def test_nothing_lies_after_the_cut_the_death_or_the_removal_of_the_eye(
    department: Department,
) -> None:
    patient, event = department["patient"].set_index("patient_id"), department["event"]
    removed = event[event.kind == "enucleation"].set_index(["patient_id", "eye"]).event_date
    assert len(removed) > 50
    assert removed.index.is_unique
    for name, dated in (("visit", "visit_date"), ("event", "event_date")):
        table = department[name]
        died = patient.death_date.reindex(table.patient_id).replace("", "9999").to_numpy()
        eyes = pd.MultiIndex.from_frame(table[["patient_id", "eye"]])
        gone = removed.reindex(eyes).fillna("9999").to_numpy()
        day = table[dated].to_numpy()
        assert day.max() <= "2024-12-31"
        assert (day < died).all()
        assert (day < gone).all() if name == "visit" else (day <= gone).all()


def test_every_acuity_can_be_read(department: Department) -> None:
    visit = department["visit"]
    for column in ("acuity", "fellow_acuity"):
        written = visit.loc[visit[column] != "", [column, "acuity_notation"]].drop_duplicates()
        for text, notation in written.itertuples(index=False):
            read_acuity(text, notation or None)
    texts = " ".join(visit.acuity.unique())
    for form in ("6/9-2", "20/40", "0.30", "letters", "logMAR", "CF", "HM", "PL", "NPL"):
        assert form in texts


def minutes(column: pd.Series) -> np.ndarray:
    return pd.to_datetime(column).to_numpy().astype("datetime64[m]").astype(np.int64)


def recompute_apex_gy(row: pd.Series, certificates: pd.DataFrame) -> float:
    """Design, statistics §5: latest certificate before insertion, ln interpolated in depth."""
    own = certificates[certificates.applicator_id == row.applicator_id]
    own = own[own["at"] == own["at"][own["at"] <= row.start].max()]
    log_rate = PchipInterpolator(own.depth, np.log(own.rate))(float(row.prescribed_depth_mm))
    decay_per_minute = np.log(2) / (HALF_LIFE_DAYS[row.isotope] * 1440)
    at_insertion = np.exp(log_rate - decay_per_minute * (row.start - own["at"].iloc[0]))
    spell = row.end - row.start
    return float(at_insertion / 1000 * -np.expm1(-decay_per_minute * spell) / decay_per_minute)


def test_recorded_doses_are_those_of_certificate_and_times(department: Department) -> None:
    certificates = department["certificate"].assign(
        at=lambda table: minutes(table.reference_at),
        depth=lambda table: number(table.depth_mm),
        rate=lambda table: number(table.dose_rate_mgy_min),
    )
    implant = department["implant"].merge(
        department["applicator"][["applicator_id", "isotope"]], on="applicator_id"
    )
    implant = implant.assign(start=minutes(implant.inserted_at), end=minutes(implant.removed_at))
    assert set(implant.isotope) == {"Ru-106", "I-125"}
    for _, row in implant.groupby("isotope").head(120).iterrows():
        expected = recompute_apex_gy(row, certificates)
        # recorded to 0.1 Gy, times to the minute, rates to 0.0001 mGy/min
        assert float(row.dose_apex_gy) == pytest.approx(expected, abs=0.06, rel=1e-3)


def test_plaques_are_replaced_yearly_and_never_in_two_eyes(department: Department) -> None:
    implant = department["implant"].assign(
        start=lambda table: minutes(table.inserted_at), end=lambda table: minutes(table.removed_at)
    )
    assert (implant.end - implant.start).between(8 * 60, 16 * 1440).all()
    of_beta = set(department["applicator"].query("isotope == 'Ru-106'").applicator_id)
    for name, uses in implant.sort_values("start").groupby("applicator_id"):
        assert (uses.start.to_numpy()[1:] > uses.end.to_numpy()[:-1]).all()
        if name in of_beta:
            assert uses.start.max() - uses.start.min() <= 366 * 1440


def test_placement_follows_the_arithmetic(department: Department) -> None:
    """Design, statistics §6 (common practice, no source)."""
    rows = department["implant"].merge(department["tumour"], on="tumour_id")
    rows = rows.merge(department["applicator"], on="applicator_id")
    diameter = number(rows.diameter_mm)
    to_fovea = number(rows.fovea_distance_meridian_mm) - number(rows.planned_posterior_margin_mm)
    planned = number(rows.planned_limbus_distance_mm)
    known = to_fovea.notna()
    assert known.mean() > 0.9
    assert np.allclose(planned[known], (30 - (to_fovea + diameter))[known], atol=0.051)
    base = number(rows.largest_basal_diameter_mm)
    fitted = base.notna() & (diameter < 22)
    assert (base[fitted] + 4 <= diameter[fitted] + 1e-9).all()
    assert set(diameter[base == 16.0]) <= {20.0}
    way_two = number(rows.tumour_limbus_distance_mm) - (
        diameter
        - (number(rows.longitudinal_basal_diameter_mm) + number(rows.planned_posterior_margin_mm))
    )
    # the two ways differ by the limbus-fovea arc: 31.6 + 1.6 (axial length - 24) mm, not 30
    arc = 31.6 + 1.6 * (number(rows.axial_length_mm) - 24) - 30
    assert (way_two - planned - arc).mean() == pytest.approx(0.0, abs=0.1)
    assert (way_two - planned - arc).std() == pytest.approx(
        TRUTH.treatment.placement_sd_mm, rel=0.2
    )


def test_thick_tumours_get_less_at_the_apex(department: Department) -> None:
    rows = department["implant"].merge(department["tumour"], on="tumour_id")
    beta = rows.dose_source == "certificate"
    thickness, dose = number(rows.thickness_mm), number(rows.dose_apex_gy)
    assert thickness[beta].corr(dose[beta]) < -0.3
    assert (number(rows.dose_sclera_gy) > dose).all()


def test_sizes_are_like_those_of_large_series(department: Department) -> None:
    """PlaqueSeries4000 (reference list): median 4.5 mm thick, 11.0 mm wide; T4 2 % Finger 2009."""
    tumour = department["tumour"]
    assert number(tumour.thickness_mm).median() == pytest.approx(4.5, abs=0.3)
    assert number(tumour.largest_basal_diameter_mm).median() == pytest.approx(11.0, abs=0.4)
    ciliary = (tumour.ciliary_body_involved == "yes").mean()
    assert ciliary == pytest.approx(0.177, abs=0.04)  # RuThesis894: 17.7 %


def test_values_are_missing_as_often_as_documented(department: Department) -> None:
    gaps = TRUTH.missing
    for table, field, share in (
        ("tumour", "thickness_mm", gaps.thickness),
        ("tumour", "largest_basal_diameter_mm", gaps.diameter),
        ("tumour", "axial_length_mm", gaps.axial_length),
        ("visit", "thickness_mm", gaps.visit_height),
        ("implant", "dose_fovea_gy", gaps.fovea_dose),
    ):
        blank = department[table][field] == ""
        spread = np.sqrt(share * (1 - share) / len(blank))
        assert blank.mean() == pytest.approx(share, abs=4 * spread), field


def test_failures_are_followed_by_salvage_and_second_plaques(department: Department) -> None:
    event, visit = department["event"], department["visit"]
    failed = event[event.kind == "local_failure"]
    assert failed.tumour_id.ne("").all()
    assert failed.tumour_id.is_unique
    keyed = visit.set_index(["patient_id", "eye", "visit_date"])
    at = keyed.loc[list(failed[["patient_id", "eye", "event_date"]].itertuples(index=False))]
    assert (at.local_status == "failed").groupby(level=[0, 1, 2]).any().all()
    again = event[event.retreatment == "plaque"]
    days = department["implant"].groupby("tumour_id").inserted_at.agg(list)
    for tumour, day in again[["tumour_id", "event_date"]].itertuples(index=False):
        assert day in {text[:10] for text in days[tumour]}
    several = days[days.str.len() > 1].index
    apart = [
        (pd.Timestamp(max(days[name])) - pd.Timestamp(min(days[name]))).days for name in several
    ]
    staged = sum(gap < 90 for gap in apart)
    assert 0 < staged < len(again)
    assert len(several) == len(set(again.tumour_id)) + staged


def test_second_eyes_and_second_tumours_are_rare_but_there(department: Department) -> None:
    tumour = department["tumour"]
    eyes = tumour.groupby("patient_id").eye.nunique()
    in_eye = tumour.groupby(["patient_id", "eye"]).size()
    assert 0 < (eyes == 2).sum() < 0.02 * len(eyes)
    assert 0 < (in_eye == 2).sum() < 0.02 * len(in_eye)
    two = in_eye[in_eye == 2].index
    visit = department["visit"].set_index(["patient_id", "eye"])
    assert visit.loc[visit.index.isin(two)].tumour_id.ne("").all()
    assert visit.loc[~visit.index.isin(two)].tumour_id.eq("").all()
    with_acuity = department["visit"].query("acuity != ''")
    assert not with_acuity.duplicated(["patient_id", "eye", "visit_date"]).any()


def test_deaths_are_known_after_the_last_visit(department: Department) -> None:
    patient = department["patient"]
    dead = patient[patient.death_date != ""]
    assert (dead.vital_status_date == dead.death_date).all()
    assert (patient.last_contact_date <= patient.vital_status_date).all()
    last = department["visit"].groupby("patient_id").visit_date.max()
    later = dead.death_date.to_numpy() > last[dead.patient_id].to_numpy()
    assert later.all()
    left = patient[~patient.follow_up_ended_reason.isin(["under_follow_up", "died"])]
    assert left.death_date.ne("").any(), "linkage finds deaths of those who left"


def test_same_generator_state_gives_the_same_department() -> None:
    first, again = (draw_department(TRUTH, 60, np.random.default_rng(3)) for _ in range(2))
    other = draw_department(TRUTH, 60, np.random.default_rng(4))
    for name, table in first.items():
        pd.testing.assert_frame_equal(table, again[name])
    assert not first["visit"].equals(other["visit"])


@pytest.mark.parametrize("n_patients", [1, 2, 5])
def test_few_patients_and_short_spells_are_drawn(n_patients: int) -> None:
    tables = draw_department(
        TRUTH,
        n_patients,
        np.random.default_rng(n_patients),
        first_implant_date=date(2024, 11, 1),
        last_implant_date=date(2024, 12, 31),
        data_cut=date(2024, 12, 31),
    )
    assert len(tables["patient"]) == n_patients
    assert tables["implant"].removed_at.max() <= "2024-12-31 23:59"


def test_dates_out_of_order_are_refused() -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(ValueError, match="2023-12-30"):
        draw_department(TRUTH, 5, rng, data_cut=date(2023, 12, 30))
    with pytest.raises(ValueError, match="not 0"):
        draw_department(TRUTH, 0, rng)


def test_every_parameter_has_its_reason() -> None:
    listed = reasons(TRUTH)
    assert len(listed) > 100
    assert all(len(why) > 2 for why in listed.values())
