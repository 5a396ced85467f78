"""Doses recomputed from a small registry, worked by hand."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

import numpy as np
import pytest

from analysis.implants.decay import ENSDF
from analysis.implants.dose_agreement import compare_with_recorded
from analysis.implants.dose_courses import sum_courses
from analysis.implants.dose_points import DoseAssumptions
from analysis.implants.dosimetry import DoseTable, recompute_doses
from analysis.implants.radiobiology import RepairModel
from analysis.outcomes.cohort import DataCut
from registry.errors import RefusedInputError

CUT = DataCut(date(2025, 12, 31))
LN_2 = math.log(2.0)
RU, IODINE = 373.59, 59.4

# Dose rates that fall by exp(-0.2) a mm, so that ln is straight and any depth is known by hand.
DEPTHS = [0, 1, 2, 4, 6, 8, 10]


def certificate(plaque: str, at: str, surface: float, **more: Any) -> list[dict[str, Any]]:
    return [
        {
            "applicator_id": plaque,
            "reference_at": at,
            "depth_mm": depth,
            "dose_rate_mgy_min": round(surface * math.exp(-0.2 * depth), 6),
            "uncertainty_pct": 20,
        }
        | more
        for depth in DEPTHS
    ]


def implant(name: str, **more: Any) -> dict[str, Any]:
    return {
        "implant_id": name,
        "tumour_id": "T1",
        "applicator_id": "R1",
        "inserted_at": "2024-03-01 10:00",
        "removed_at": "2024-03-05 14:00",
        "sclera_allowance_mm": 1,
        "inserted_precision": "minute",
        "dose_model": "homogeneous_water",
    } | more


def tumour(name: str, **more: Any) -> dict[str, Any]:
    return {
        "tumour_id": name,
        "patient_id": "A",
        "eye": "right",
        "thickness_mm": 4,
        "thickness_includes_sclera": "no",
    } | more


def rows(implants: list[dict[str, Any]], *, tumours: list[dict[str, Any]] | None = None) -> Any:
    return {
        "patient": [{"patient_id": "A", "birth_year": 1960}],
        "tumour": tumours or [tumour("T1")],
        "applicator": [
            {"applicator_id": "R1", "isotope": "Ru-106", "diameter_mm": 15},
            {"applicator_id": "R2", "isotope": "Ru-106", "diameter_mm": 20},
            {"applicator_id": "J1", "isotope": "I-125", "diameter_mm": 18},
            {"applicator_id": "C1", "isotope": "Cs-131", "diameter_mm": 18},
        ],
        "certificate": certificate("R1", "2023-03-01 12:00", 120.0)
        + certificate("R1", "2024-01-01 12:00", 100.0)
        + certificate("R1", "2024-06-01 12:00", 999.0)
        + certificate("J1", "2024-01-01 12:00", 30.0, uncertainty_pct=None)
        + certificate("C1", "2024-01-01 12:00", 30.0),
        "implant": implants,
    }


@pytest.fixture
def recompute(registry_of: Callable[..., Any]) -> Callable[..., DoseTable]:
    def run(content: Mapping[str, Any], cut: DataCut = CUT, **settings: Any) -> DoseTable:
        with registry_of(content) as connection:
            return recompute_doses(connection, cut, **settings)

    return run


def by_hand(
    surface: float, depth_mm: float, age_days: float, hours: float, half_life: float
) -> float:
    """The formula of the design, written out."""
    decay = LN_2 / (half_life * 24)
    rate = surface * math.exp(-0.2 * depth_mm) * 0.06 * 2 ** (-age_days / half_life)
    return rate * (1 - math.exp(-decay * hours)) / decay


AGE = 59 + 22 / 24  # 1 January 12:00 to 1 March 10:00, leap year


def test_doses_by_hand(recompute: Callable[..., DoseTable]) -> None:
    table = recompute(rows([implant("I1")]), depths_mm=(2.5,))
    assert table.hours.tolist() == [100.0]
    assert table.certificate_age_days[0] == pytest.approx(AGE)
    for point, depth in [
        ("apex", 5.0),
        ("inner_sclera", 1.0),
        ("scleral_surface", 0.0),
        ("depth_2.5_mm", 2.5),
    ]:
        expected = by_hand(100.0, depth, AGE, 100.0, RU)
        # the certificate's rates are kept to 6 decimals
        assert table.points[point].dose_gy[0] == pytest.approx(expected, rel=1e-7), point
    assert table.points["prescription"].reason[0] == "no_prescription_depth"


def test_the_half_life_source_is_a_setting(recompute: Callable[..., DoseTable]) -> None:
    table = recompute(rows([implant("I1")]), half_life_source=ENSDF)
    expected = by_hand(100.0, 5.0, AGE, 100.0, 371.8)
    assert table.points["apex"].dose_gy[0] == pytest.approx(expected, rel=1e-7)
    with pytest.raises(RefusedInputError, match="half_life_source"):
        recompute(rows([]), half_life_source="memory")


def test_the_latest_certificate_not_after_insertion_counts(
    recompute: Callable[..., DoseTable],
) -> None:
    times = ["2023-03-01 12:00", "2023-12-31 23:59", "2024-01-01 12:00", "2024-06-01 11:59"]
    implants = [
        implant(f"I{k}", inserted_at=at, removed_at="2024-06-09 12:00", tumour_id=f"T{k}")
        for k, at in enumerate(times)
    ]
    tumours = [tumour(f"T{k}") for k in range(4)]
    table = recompute(rows(implants, tumours=tumours))
    assert table.remaining_fraction[[0, 2]].tolist() == [1.0, 1.0]
    assert table.certificate_age_days[1] == pytest.approx(305 + 719 / 1440)
    assert table.certificate_age_days[3] == pytest.approx(152 - 1 / 1440)


def each(*cases: tuple[dict[str, Any], dict[str, Any]]) -> Any:
    """One registry with a tumour and an implant for each case: what the implant and it change."""
    return rows(
        [implant(f"I{k:02d}", tumour_id=f"T{k:02d}", **case[0]) for k, case in enumerate(cases)],
        tumours=[tumour(f"T{k:02d}", **case[1]) for k, case in enumerate(cases)],
    )


def test_the_sclera_is_added_once(recompute: Callable[..., DoseTable]) -> None:
    cases = [("no", 5.0, None), ("yes", 4.0, None), ("unknown", 5.0, 4.0), (None, 5.0, 4.0)]
    content = each(*(({}, {"thickness_includes_sclera": includes}) for includes, _, _ in cases))
    apex = recompute(content).points["apex"]
    for row, (_, apex_mm, other_mm) in enumerate(cases):
        assert apex.depths.depth_mm[row] == apex_mm
        assert apex.dose_gy[row] == pytest.approx(by_hand(100, apex_mm, AGE, 100, RU), rel=1e-7)
        if other_mm is None:
            assert np.isnan(apex.alternative_gy[row])
        else:
            expected = by_hand(100.0, other_mm, AGE, 100.0, RU)
            assert apex.alternative_gy[row] == pytest.approx(expected, rel=1e-7)


def test_a_missing_allowance_is_assumed_and_marked(recompute: Callable[..., DoseTable]) -> None:
    inside = {"thickness_includes_sclera": "yes"}
    content = each(({"sclera_allowance_mm": None}, {}), ({"sclera_allowance_mm": 0}, inside))
    table = recompute(content, assumptions=DoseAssumptions(sclera_mm=0.7))
    apex, base = table.points["apex"].depths, table.points["inner_sclera"].depths
    assert apex.depth_mm.tolist() == [4.7, 4.0]
    assert apex.sclera_is_assumed.tolist() == [True, False]
    # nothing was added to a thickness that holds the sclera: that is not a sclera of 0 mm
    assert base.depth_mm.tolist() == [0.7, 0.7]
    assert base.sclera_is_assumed.tolist() == [True, True]


def test_the_prescription_point(recompute: Callable[..., DoseTable]) -> None:
    cases: list[tuple[dict[str, Any], float, float | None]] = [
        ({"prescribed_depth_mm": 6, "depth_origin": "plaque_surface"}, 6.0, None),
        ({"prescribed_depth_mm": 6, "depth_origin": "outer_sclera"}, 6.0, None),
        ({"prescribed_depth_mm": 6, "depth_origin": "inner_sclera"}, 7.0, None),
        ({"prescribed_depth_mm": 6, "depth_origin": "unknown"}, 6.0, 7.0),
        ({"prescribed_depth_mm": 6}, 6.0, 7.0),
        ({"prescription_point": "apex"}, 5.0, None),
        ({"prescription_point": "tumour_base"}, 1.0, None),
        ({"prescription_point": "scleral_surface"}, 0.0, None),
    ]
    table = recompute(each(*((how | {"prescribed_dose_gy": 100}, {}) for how, _, _ in cases)))
    doses = table.points["prescription"]
    for row, (how, depth_mm, other_mm) in enumerate(cases):
        assert doses.depths.depth_mm[row] == depth_mm, how
        assert np.isnan(doses.alternative_gy[row]) == (other_mm is None), how
        delivered = by_hand(100.0, depth_mm, AGE, 100.0, RU) / 100
        assert table.delivered_over_prescribed[row] == pytest.approx(delivered, rel=1e-7)


def test_what_is_missing_has_a_reason(recompute: Callable[..., DoseTable]) -> None:
    cases: list[tuple[dict[str, Any], dict[str, Any], str]] = [
        ({"applicator_id": None}, {}, "no_applicator"),
        ({"applicator_id": "R2"}, {}, "no_certificate"),
        ({"inserted_at": "2023-02-01 10:00"}, {}, "no_certificate"),
        ({"removed_at": None}, {}, "not_removed"),
        ({"removed_at": "2026-01-05 10:00"}, {}, "not_removed"),
        ({"removed_at": "2024-03-01 10:00"}, {}, "removed_before_inserted"),
        ({}, {"thickness_mm": None}, "no_thickness"),
        ({}, {"thickness_mm": 9.1}, "below_table"),
        ({"applicator_id": "C1"}, {}, "no_half_life"),
        ({}, {"thickness_mm": 9.0}, ""),
    ]
    table = recompute(each(*(case[:2] for case in cases)), half_life_source=ENSDF)
    apex = table.points["apex"]
    order = [int(name[1:]) for name in table.records.implant_id]
    assert apex.reason.tolist() == [cases[k][2] for k in order]
    assert np.isnan(apex.dose_gy).tolist() == [cases[k][2] != "" for k in order]


def test_uncertainty_by_source(recompute: Callable[..., DoseTable]) -> None:
    apex = recompute(rows([implant("I1", inserted_precision="hour")])).points["apex"]
    dose, found = apex.dose_gy[0], apex.uncertainty
    assert (found.certificate.lower_gy[0], found.certificate.upper_gy[0]) == pytest.approx(
        (0.8 * dose, 1.2 * dose)
    )
    step = math.exp(0.2 * 0.5)
    assert (found.thickness.lower_gy[0], found.thickness.upper_gy[0]) == pytest.approx(
        (dose / step, dose * step), rel=1e-6
    )
    assert (found.time.lower_gy[0], found.time.upper_gy[0]) == pytest.approx(
        (by_hand(100, 5, AGE, 99, RU), by_hand(100, 5, AGE, 101, RU)), rel=1e-6
    )
    below = math.hypot(math.log(0.8), 0.1, math.log(found.time.lower_gy[0] / dose))
    assert found.total.lower_gy[0] == pytest.approx(dose * math.exp(-below))


def test_what_is_not_known_of_the_uncertainty_stays_out(
    recompute: Callable[..., DoseTable],
) -> None:
    table = recompute(rows([implant("I1", applicator_id="J1", inserted_precision=None)]))
    apex, surface = table.points["apex"].uncertainty, table.points["scleral_surface"].uncertainty
    assert np.isnan(apex.certificate.lower_gy[0])
    assert np.isnan(apex.time.upper_gy[0])
    assert apex.total.lower_gy[0] == pytest.approx(apex.thickness.lower_gy[0])
    assert np.isnan(surface.total.lower_gy[0])  # nothing is known of it there
    deep = recompute(rows([], tumours=[tumour("T1", thickness_mm=8.8)])).points["apex"].uncertainty
    assert np.isnan(deep.total.lower_gy[0])  # 10.3 mm lies below the table
    assert deep.total.upper_gy[0] > 0


def test_courses_add_up(recompute: Callable[..., DoseTable]) -> None:
    stages = [
        implant("I1"),
        implant("I2", inserted_at="2024-05-30 10:00", removed_at="2024-06-01 10:00"),
        implant("I3", inserted_at="2024-05-31 10:00", removed_at="2024-06-02 10:00"),
    ]
    table = recompute(rows(stages))
    assert table.course.tolist() == [1, 1, 2]  # 90 and 91 days after the first
    model = RepairModel(10.0, 1.5)
    first, second = sum_courses(table, "apex", model)
    dose, bed = table.points["apex"].dose_gy, table.bed_gy("apex", model)
    assert (first.implant_ids, first.hours) == (("I1", "I2"), 148.0)
    assert (first.dose_gy, first.bed_gy) == pytest.approx((dose[:2].sum(), bed[:2].sum()))
    assert second.dose_gy == pytest.approx(dose[2])
    assert recompute(rows([]), course_gap_days=91).course.tolist() == [1, 1, 1]


def test_isotopes_of_a_course_need_a_stated_rbe(recompute: Callable[..., DoseTable]) -> None:
    mixed = [implant("I1"), implant("I2", applicator_id="J1", inserted_at="2024-03-20 10:00",
                                    removed_at="2024-03-25 10:00")]  # fmt: skip
    table, model = recompute(rows(mixed)), RepairModel()
    (course,) = sum_courses(table, "apex", model)
    assert (course.bed_reason, np.isnan(course.bed_gy)) == ("isotopes_differ", True)
    assert course.dose_gy == pytest.approx(table.points["apex"].dose_gy.sum())
    (stated,) = sum_courses(table, "apex", model, {"Ru-106": 1.0, "I-125": 1.3})
    more = stated.bed_gy - table.bed_gy("apex", model).sum()
    assert more == pytest.approx(0.3 * table.points["apex"].dose_gy[1])


def test_recorded_against_recomputed(recompute: Callable[..., DoseTable]) -> None:
    right = by_hand(100.0, 5.0, AGE, 100.0, RU)
    recorded = [right, right * 1.02, right * 0.97, right * 1.5, right]
    implants = [
        implant(f"I{k}", tumour_id=f"T{k}", dose_apex_gy=round(gy, 4))
        for k, gy in enumerate(recorded)
    ]
    implants[4] |= {"dose_model": "monte_carlo", "removed_at": None}
    implants.append(implant("I5", tumour_id="T5", dose_apex_gy=round(right * math.exp(0.2), 3)))
    tumours = [tumour(f"T{k}") for k in range(5)]
    tumours.append(tumour("T5", thickness_includes_sclera="unknown"))
    water, monte_carlo = compare_with_recorded(recompute(rows(implants, tumours=tumours)), "apex")
    assert (water.dose_model, monte_carlo.dose_model) == ("homogeneous_water", "monte_carlo")
    assert (water.n_recorded, water.n_both, water.n_ambiguous) == (5, 4, 1)
    (beyond,) = water.beyond
    assert (beyond.implant_id, beyond.ratio) == ("I3", pytest.approx(1 / 1.5, rel=1e-5))
    assert water.ratio is not None
    logs = np.log(right / np.array(recorded[:4]))
    assert water.ratio.bias == pytest.approx(math.exp(logs.mean()), rel=1e-5)
    assert water.ratio.upper == pytest.approx(
        math.exp(logs.mean() + 1.959964 * logs.std(ddof=1)), rel=1e-5
    )
    assert (monte_carlo.n_both, monte_carlo.ratio) == (0, None)
    assert dict(monte_carlo.missing) == {"not_removed": 1}


def test_an_empty_registry_has_no_doses(recompute: Callable[..., DoseTable]) -> None:
    table = recompute({"patient": [{"patient_id": "A"}]})
    assert table.n == 0
    assert compare_with_recorded(table, "apex") == ()
    assert sum_courses(table, "apex", RepairModel()) == ()
