"""Hand-made histories whose answer was worked out by hand.

Every plaque is inserted on 2020-01-01 (day 0) unless said otherwise, so day n is that date plus n.
The data cut is 2024-12-31 (day 1826).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from analysis.outcomes.cohort import CohortRules, DataCut, flow
from analysis.outcomes.end_points import (
    END_POINTS,
    EYE_LOSS,
    LOCAL_FAILURE,
    MAIN,
    definition_in_words,
    find_end_point,
)
from analysis.outcomes.outcome import death_clock, read_outcome_table

ZERO = date(2020, 1, 1)
CUT = DataCut(date(2024, 12, 31))
Rows = dict[str, list[dict[str, Any]]]


def day(n: int) -> str:
    return (ZERO + timedelta(days=n)).isoformat()


def treated(tumour: str = "T1", patient: str = "P1", eye: str = "right", at: int = 0) -> Rows:
    return {
        "tumour": [{"tumour_id": tumour, "patient_id": patient, "eye": eye}],
        "implant": [
            {"implant_id": f"I-{tumour}", "tumour_id": tumour, "inserted_at": f"{day(at)} 10:00"}
        ],
    }


def patient(name: str = "P1", **fields: Any) -> Rows:
    return {"patient": [{"patient_id": name, "vital_status_date": day(1826), **fields}]}


def visit(at: int, status: str | None = "controlled", **fields: Any) -> Rows:
    row = {"visit_id": f"V{at}{fields.get('tumour_id', '')}{fields.get('eye', '')}"}
    row |= {"patient_id": "P1", "eye": "right", "visit_date": day(at), "local_status": status}
    return {"visit": [row | fields]}


def event(at: int, kind: str, **fields: Any) -> Rows:
    row = {"event_id": f"E{at}{kind}", "patient_id": "P1", "eye": "right", "event_date": day(at)}
    return {"event": [row | {"kind": kind} | fields]}


def history(*parts: Rows) -> Rows:
    together: Rows = {}
    for part in parts:
        for table, rows in part.items():
            together.setdefault(table, []).extend(rows)
    return together


ONE = (patient(), treated())

# name, records, {unit: (status, time_days, last known free, first known event)}
LOCAL_HISTORIES: list[tuple[str, Rows, dict[str, tuple[int, int, int, int | None]]]] = [
    ("never seen again", history(*ONE), {"T1": (0, 0, 0, None)}),
    ("censored at the last assessed visit", history(*ONE, visit(100), visit(300)),
     {"T1": (0, 300, 300, None)}),
    ("a visit without local status does not count",
     history(*ONE, visit(100), visit(300, "not_assessed"), visit(400, None)),
     {"T1": (0, 100, 100, None)}),
    ("suspected and never confirmed is censored",
     history(*ONE, visit(100), visit(300, "suspected")),
     {"T1": (0, 300, 300, None)}),
    ("suspected, then confirmed, dates at confirmation",
     history(*ONE, visit(100), visit(300, "suspected"), visit(400, "failed")),
     {"T1": (1, 400, 300, 400)}),
    ("failed at a visit without an event record", history(*ONE, visit(200), visit(380, "failed")),
     {"T1": (1, 380, 200, 380)}),
    ("event without a visit", history(*ONE, visit(200), event(350, "local_failure")),
     {"T1": (1, 350, 200, 350)}),
    ("event and failed visit: the earlier counts",
     history(*ONE, visit(200), visit(380, "failed"), event(395, "local_failure")),
     {"T1": (1, 380, 200, 380)}),
    ("orbital recurrence counts", history(*ONE, visit(200), event(900, "orbital_recurrence")),
     {"T1": (1, 900, 200, 900)}),
    ("absent regression alone does not count",
     history(*ONE, visit(500), event(300, "local_failure", failure_pattern="no_regression")),
     {"T1": (0, 500, 500, None)}),
    ("eye removed for failure is failure",
     history(*ONE, visit(200), event(420, "enucleation", reason="local_failure")),
     {"T1": (1, 420, 200, 420)}),
    ("eye removed for a complication competes",
     history(*ONE, visit(200), event(420, "enucleation", reason="complication")),
     {"T1": (2, 420, 200, None)}),
    ("eye removed for no recorded reason is failure in the main analysis",
     history(*ONE, visit(200), event(420, "enucleation")), {"T1": (1, 420, 200, 420)}),
    ("eye removed before the first visit",
     history(*ONE, event(30, "enucleation", reason="pain")), {"T1": (2, 30, 0, None)}),
    ("visits after the eye was removed are not used",
     history(*ONE, visit(200), event(420, "enucleation", reason="pain"), visit(600)),
     {"T1": (2, 420, 200, None)}),
    ("failure, then removal of the eye: failure",
     history(*ONE, visit(200), event(400, "local_failure"),
             event(450, "enucleation", reason="local_failure")),
     {"T1": (1, 400, 200, 400)}),
    ("failure and removal on one day: failure comes first",
     history(*ONE, visit(200), event(400, "local_failure"),
             event(400, "enucleation", reason="complication")),
     {"T1": (1, 400, 200, 400)}),
    ("retreatment for failure", history(*ONE, visit(200),
     event(410, "retreatment", reason="local_failure", retreatment="plaque")),
     {"T1": (1, 410, 200, 410)}),
    ("planned retreatment is part of the plan", history(*ONE, visit(200),
     event(60, "retreatment", planned="planned", retreatment="thermotherapy")),
     {"T1": (0, 200, 200, None)}),
    ("retreatment of unknown reason is failure in the main analysis",
     history(*ONE, visit(200), event(410, "retreatment", retreatment="plaque")),
     {"T1": (1, 410, 200, 410)}),
    ("retreatment for another reason neither counts nor competes",
     history(*ONE, visit(800), event(410, "retreatment", reason="complication")),
     {"T1": (0, 800, 800, None)}),
    ("second plaque after failure does not reset the clock",
     history(*ONE, visit(200), event(400, "local_failure"),
             {"implant": [{"implant_id": "I2", "tumour_id": "T1",
                           "inserted_at": f"{day(430)} 09:00"}]}, visit(700)),
     {"T1": (1, 400, 200, 400)}),
    ("event before insertion does not count",
     history(*ONE, visit(200), event(-30, "local_failure")), {"T1": (0, 200, 200, None)}),
    ("failure on the day of insertion has time 0", history(*ONE, event(0, "local_failure")),
     {"T1": (1, 0, 0, 0)}),
    ("an event after the cut does not count",
     history(*ONE, visit(1800), event(1900, "enucleation")),
     {"T1": (0, 1800, 1800, None)}),
    ("the cut falls between two visits", history(*ONE, visit(1700), visit(1900, "failed")),
     {"T1": (0, 1700, 1700, None)}),
    ("visit on the day of death counts",
     history(patient(death_date=day(500)), treated(), visit(200), visit(500, "failed")),
     {"T1": (1, 500, 200, 500)}),
    ("event after death does not count",
     history(patient(death_date=day(500)), treated(), visit(200), event(600, "local_failure")),
     {"T1": (0, 200, 200, None)}),
    ("two tumours in one eye: the failure belongs to the one named",
     history(*ONE, treated("T2", at=10), visit(200, tumour_id="T1"), visit(200, tumour_id="T2"),
             event(400, "local_failure", tumour_id="T2")),
     {"T1": (0, 200, 200, None), "T2": (1, 390, 190, 390)}),
    ("two tumours, eye removed for the failure of one: the other competes",
     history(*ONE, treated("T2", at=10), visit(200, tumour_id="T1"), visit(200, tumour_id="T2"),
             event(400, "local_failure", tumour_id="T2"),
             event(450, "enucleation", reason="local_failure")),
     {"T1": (2, 450, 200, None), "T2": (1, 390, 190, 390)}),
    ("two tumours, eye removed for an unnamed failure: counted once, for the first treated",
     history(*ONE, treated("T2", at=10), event(450, "enucleation", reason="local_failure")),
     {"T1": (1, 450, 0, 450), "T2": (2, 440, 0, None)}),
    ("both eyes: each keeps its own events",
     history(*ONE, treated("T2", eye="left"), visit(200), visit(210, eye="left"),
             event(400, "local_failure", eye="left")),
     {"T1": (0, 200, 200, None), "T2": (1, 400, 210, 400)}),
    ("two implants within 90 days are one course; day 0 is the first",
     history(*ONE, {"implant": [{"implant_id": "I2", "tumour_id": "T1",
                                 "inserted_at": f"{day(60)} 09:00"}]}, visit(300)),
     {"T1": (0, 300, 300, None)}),
]  # fmt: skip


@pytest.mark.parametrize(
    ("records", "expected"),
    [case[1:] for case in LOCAL_HISTORIES],
    ids=[case[0] for case in LOCAL_HISTORIES],
)
def test_local_failure_by_hand(
    registry_of: Callable[..., Any],
    records: Rows,
    expected: dict[str, tuple[int, int, int, int | None]],
) -> None:
    with registry_of(records) as connection:
        table = read_outcome_table(connection, LOCAL_FAILURE, CUT, CohortRules())
    found = {
        unit: (
            int(table.status[row]),
            int(table.time_days[row]),
            int(table.last_known_free_days[row]),
            None
            if np.isnan(table.first_known_event_days[row])
            else int(table.first_known_event_days[row]),
        )
        for row, unit in enumerate(table.unit_id)
    }
    assert found == expected
    assert not table.entry_days.any()


def _variant(name: str) -> Any:
    return next(variant for variant in LOCAL_FAILURE.variants if variant.name == name)


@pytest.mark.parametrize(
    ("variant", "records", "expected"),
    [
        (
            "reason unknown competes",
            history(*ONE, visit(200), event(420, "enucleation")),
            (2, 420),
        ),
        (
            "reason unknown competes",
            history(*ONE, visit(500), event(420, "retreatment", retreatment="plaque")),
            (0, 500),
        ),
        (
            "no regression counts",
            history(*ONE, visit(500), event(300, "local_failure", failure_pattern="no_regression")),
            (1, 300),
        ),
        (
            "dated at suspicion",
            history(*ONE, visit(100), visit(300, "suspected"), visit(400, "failed")),
            (1, 300),
        ),
        (
            "dated at suspicion",
            history(
                *ONE,
                visit(100, "suspected"),
                visit(200),
                visit(300, "suspected"),
                visit(350, "suspected"),
                event(400, "local_failure"),
            ),
            (1, 300),
        ),
    ],
)
def test_sensitivity_variants_by_hand(
    registry_of: Callable[..., Any], variant: str, records: Rows, expected: tuple[int, int]
) -> None:
    with registry_of(records) as connection:
        table = read_outcome_table(connection, LOCAL_FAILURE, CUT, CohortRules(), _variant(variant))
    assert (int(table.status[0]), int(table.time_days[0])) == expected


def test_death_runs_on_its_own_clock(registry_of: Callable[..., Any]) -> None:
    """A death known by linkage long after the last visit is not pulled back to that visit."""
    records = history(
        patient(death_date=day(1500), death_cause="other_cause"), treated(), visit(200)
    )
    with registry_of(records) as connection:
        table = read_outcome_table(connection, LOCAL_FAILURE, CUT, CohortRules())
    days, died = death_clock(table)
    assert (int(table.time_days[0]), int(table.status[0])) == (200, 0)
    assert (int(days[0]), int(died[0])) == (1500, 1)


def test_death_after_failure_is_no_competing_death(registry_of: Callable[..., Any]) -> None:
    records = history(
        patient(death_date=day(1500)), treated(), visit(200), event(400, "local_failure")
    )
    with registry_of(records) as connection:
        days, died = death_clock(read_outcome_table(connection, LOCAL_FAILURE, CUT, CohortRules()))
    assert (int(days[0]), int(died[0])) == (400, 0)


@pytest.mark.parametrize(
    ("end_point", "records", "expected"),
    [
        ("eye_loss", history(*ONE, visit(200, None), event(300, "exenteration")), (1, 300)),
        ("eye_loss", history(*ONE, visit(200, None), event(300, "phthisis")), (0, 200)),
        (
            "metastasis",
            history(patient(metastasis_status_date=day(900)), treated(), visit(200)),
            (0, 900),
        ),
        ("metastasis", history(patient(), treated(), visit(200)), (0, 200)),
        (
            "metastasis",
            history(patient(metastasis_date=day(700)), treated(), visit(200)),
            (1, 700),
        ),
        ("death", history(patient(death_date=day(1500)), treated()), (1, 1500)),
        ("death", history(patient(), treated()), (0, 1826)),
        (
            "melanoma_death",
            history(
                patient(death_date=day(99), death_cause="metastatic_uveal_melanoma"), treated()
            ),
            (1, 99),
        ),
        (
            "melanoma_death",
            history(patient(death_date=day(99), death_cause="other_cause"), treated()),
            (2, 99),
        ),
        ("melanoma_death", history(patient(death_date=day(99)), treated()), (2, 99)),
        # deaths known by linkage alone, nobody having seen the patient since
        ("death", history(patient(death_date=day(900)), treated(), visit(100)), (1, 900)),
        (
            "death",
            history(patient(death_date=day(900), last_contact_date=day(120)), treated()),
            (1, 900),
        ),
        # a linked death after the cut leaves the patient alive to the cut
        ("death", history(patient(death_date=day(1900)), treated(), visit(100)), (0, 1826)),
        # the eye of a patient known dead by linkage is known to the last visit only
        ("eye_loss", history(patient(death_date=day(900)), treated(), visit(100)), (0, 100)),
        # vital status known later than the last contact, metastasis only to its own date
        (
            "metastasis",
            history(
                patient(metastasis_status_date=day(500), last_contact_date=day(1500)), treated()
            ),
            (0, 500),
        ),
        # removed before any visit
        ("eye_loss", history(*ONE, event(30, "enucleation")), (1, 30)),
        # metastasis and death on one day: metastasis comes first
        (
            "metastasis",
            history(patient(metastasis_date=day(700), death_date=day(700)), treated()),
            (1, 700),
        ),
    ],
)
def test_other_end_points_by_hand(
    registry_of: Callable[..., Any], end_point: str, records: Rows, expected: tuple[int, int]
) -> None:
    with registry_of(records) as connection:
        table = read_outcome_table(connection, END_POINTS[end_point], CUT, CohortRules())
    assert (int(table.status[0]), int(table.time_days[0])) == expected


@pytest.mark.parametrize(
    ("end_point", "records", "expected"),
    [
        ("cataract", history(*ONE, visit(200, None), event(300, "cataract")), (1, 300)),
        ("cataract", history(*ONE, visit(200, None), event(-50, "cataract")), None),
        ("cataract", history(*ONE, visit(0, None, lens_status="pseudophakic"), visit(200)), None),
        ("cataract", history(*ONE, visit(0, None, lens_status="phakic"), visit(200)), (0, 200)),
        ("cataract", history(*ONE, event(-90, "cataract_surgery"), visit(200)), None),
        (
            "neovascular_glaucoma",
            history(*ONE, event(300, "enucleation"), event(400, "neovascular_glaucoma")),
            (2, 300),
        ),
        (
            "neovascular_glaucoma",
            history(*ONE, visit(0, None, lens_status="pseudophakic"), visit(200)),
            (0, 200),
        ),
        (
            "radiation_retinopathy:3",
            history(
                *ONE,
                event(200, "radiation_retinopathy", grade=2),
                event(500, "radiation_retinopathy", grade=3),
            ),
            (1, 500),
        ),
        (
            "radiation_retinopathy:3",
            history(*ONE, visit(600), event(200, "radiation_retinopathy")),
            (0, 600),
        ),
    ],
)
def test_toxicity_by_hand(
    registry_of: Callable[..., Any],
    end_point: str,
    records: Rows,
    expected: tuple[int, int] | None,
) -> None:
    with registry_of(records) as connection:
        wanted = find_end_point(end_point)
        table = read_outcome_table(connection, wanted, CUT, CohortRules())
    found = (int(table.status[0]), int(table.time_days[0])) if table.n else None
    assert found == expected


@pytest.mark.parametrize(
    ("records", "main", "surgery_counts"),
    [
        # operated on without a cataract on record: no event, unless surgery counts
        (history(*ONE, visit(600), event(400, "cataract_surgery")), (0, 600), (1, 400)),
        # the recorded cataract came first and dates it either way
        (
            history(*ONE, event(300, "cataract"), event(400, "cataract_surgery")),
            (1, 300),
            (1, 300),
        ),
        # surgery before treatment: no lens, not at risk in either
        (history(*ONE, event(-9, "cataract_surgery"), visit(600)), None, None),
    ],
)
def test_cataract_surgery_as_a_cataract_by_hand(
    registry_of: Callable[..., Any], records: Rows, main: Any, surgery_counts: Any
) -> None:
    cataract = find_end_point("cataract")
    with registry_of(records) as connection:
        for variant, expected in ((MAIN, main), (cataract.variants[-1], surgery_counts)):
            table = read_outcome_table(connection, cataract, CUT, CohortRules(), variant)
            found = [(int(table.status[0]), int(table.time_days[0]))] if table.n else [None]
            assert found == [expected], variant.name


def test_two_tumours_in_one_eye_are_one_eye_and_one_patient(
    registry_of: Callable[..., Any],
) -> None:
    records = history(*ONE, treated("T2", at=10), treated("T3", eye="left", at=20))
    with registry_of(records) as connection:
        eyes = read_outcome_table(connection, EYE_LOSS, CUT, CohortRules())
        people = read_outcome_table(connection, END_POINTS["death"], CUT, CohortRules())
    assert eyes.unit_id == ("P1:left", "P1:right")
    assert people.unit_id == ("P1",)
    assert people.zero_date == (ZERO,)


def test_the_flow_counts_every_tumour_on_record(registry_of: Callable[..., Any]) -> None:
    records = history(
        *ONE,
        {"tumour": [{"tumour_id": "T9", "patient_id": "P1", "eye": "left"}]},
        patient("P2"),
        treated("T2", patient="P2"),
        patient("P3"),
        treated("T3", patient="P3", at=2000),
    )
    records["tumour"][2]["prior_treatment"] = "proton_beam"
    with registry_of(records) as connection:
        steps = flow(connection, "tumour", CUT, CohortRules())
        all_treated = flow(connection, "tumour", CUT, CohortRules(with_prior_treatment=True))
    assert [(step.left_out, step.kept) for step in steps] == [(0, 4), (2, 2), (1, 1)]
    assert all_treated[-1].kept == 2


def test_delayed_entry_is_counted_from_the_day_care_began(
    registry_of: Callable[..., Any],
) -> None:
    records = history(*ONE, visit(900))
    records["tumour"][0]["care_since_date"] = day(400)
    with registry_of(records) as connection:
        table = read_outcome_table(connection, LOCAL_FAILURE, CUT, CohortRules())
    assert (int(table.entry_days[0]), int(table.time_days[0])) == (400, 900)


def test_what_was_recorded_after_the_cut_does_not_count(
    registry_of: Callable[..., Any],
) -> None:
    early, late = datetime(2023, 1, 1), datetime(2026, 6, 1)
    with registry_of(history(*ONE, visit(200)), recorded_at=early):
        pass
    with registry_of(event(300, "local_failure"), recorded_at=late) as connection:
        before = read_outcome_table(
            connection, LOCAL_FAILURE, DataCut(CUT.event_date, datetime(2025, 1, 1)), CohortRules()
        )
        after = read_outcome_table(connection, LOCAL_FAILURE, CUT, CohortRules())
    assert (int(before.status[0]), int(before.time_days[0])) == (0, 200)
    assert (int(after.status[0]), int(after.time_days[0])) == (1, 300)


def test_an_empty_registry_has_no_units(registry_of: Callable[..., Any]) -> None:
    with registry_of({}) as connection:
        table = read_outcome_table(connection, LOCAL_FAILURE, CUT, CohortRules(), MAIN)
    assert table.n == 0


def test_the_definition_in_words_follows_the_declaration() -> None:
    text = definition_in_words(LOCAL_FAILURE)
    assert "the last visit at which local status was assessed" in text
    assert "absent regression only" not in text.split("Sensitivity")[0]
    assert all(variant.name in text for variant in LOCAL_FAILURE.variants)
