"""Waits by hand: from referral over the decision to the first plaque."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import numpy as np

from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.waiting_times import read_waiting_times, summarise_waits

# referral, decision, insertion, diagnosis
TUMOURS = [
    ("2022-03-01", "2022-03-11", "2022-03-31", "2022-02-20"),
    ("2022-03-01", "2022-03-21", "2022-03-31", ""),
    ("2021-03-01", "2021-03-31", "2021-04-10", "2021-03-02"),  # diagnosis after referral
    ("", "2022-04-02", "2022-04-01", "2022-03-01"),  # decision after insertion
]


def test_waits_are_counted_in_days_and_backward_ones_apart(
    registry_of: Callable[..., Any],
) -> None:
    rows: dict[str, list[dict[str, str]]] = {"patient": [], "tumour": [], "implant": []}
    for k, (referred, decided, inserted, diagnosed) in enumerate(TUMOURS):
        rows["patient"].append({"patient_id": f"P{k}"})
        rows["tumour"].append(
            {"tumour_id": f"T{k}", "patient_id": f"P{k}", "eye": "left", "referral_date": referred,
             "treatment_decision_date": decided, "diagnosis_date": diagnosed}
        )  # fmt: skip
        rows["implant"] += [
            {"implant_id": f"I{k}", "tumour_id": f"T{k}", "inserted_at": f"{inserted} 10:00"},
            {"implant_id": f"J{k}", "tumour_id": f"T{k}", "inserted_at": "2023-01-01 10:00"},
        ]
    with registry_of(rows) as connection:
        waits = read_waiting_times(connection, DataCut(date(2024, 1, 1)), CohortRules())
    found = {one.wait.name: one for one in summarise_waits(waits)}
    decided = found["referral_to_decision"]
    assert (decided.n, decided.known, decided.backward, decided.median) == (4, 3, 0, 20.0)
    assert (decided.lower_quartile, decided.upper_quartile) == (15.0, 25.0)
    treated = found["decision_to_treatment"]
    assert (treated.known, treated.backward, treated.median) == (3, 1, 10.0)
    assert found["referral_to_treatment"].median == 30.0
    diagnosed = found["diagnosis_to_referral"]
    assert (diagnosed.known, diagnosed.backward, diagnosed.median) == (1, 1, 9.0)
    own = {one.wait.name: one for one in summarise_waits(waits.in_year(2021))}
    assert (own["referral_to_decision"].n, own["referral_to_decision"].median) == (1, 30.0)


def test_an_empty_cohort_has_no_wait(registry_of: Callable[..., Any]) -> None:
    with registry_of({"patient": [{"patient_id": "P"}]}) as connection:
        waits = read_waiting_times(connection, DataCut(date(2024, 1, 1)), CohortRules())
    assert [one.n for one in summarise_waits(waits)] == [0, 0, 0, 0]
    assert np.isnan(summarise_waits(waits)[0].median)
