"""Who is due, overdue or lost; days worked out by hand from gaps of 6 and 12 months."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from analysis.checking.schedule import Due, VisitSchedule, count_states, read_due
from analysis.outcomes.cohort import DataCut

CUT = date(2024, 12, 31)
SCHEDULE = VisitSchedule.of()  # gaps of 182.625 and 365.25 days


def before(days: int) -> str:
    return (CUT - timedelta(days=days)).isoformat()


def treated(p: str, at: int, seen: int | None, **patient: str) -> dict[str, list[dict[str, str]]]:
    visits = [] if seen is None else [seen]
    return {
        "patient": [{"patient_id": p, **patient}],
        "tumour": [{"tumour_id": f"{p}-T", "patient_id": p, "eye": "left"}],
        "implant": [
            {"implant_id": f"{p}-I", "tumour_id": f"{p}-T", "inserted_at": f"{before(at)} 10:00"}
        ],
        "visit": [
            {"visit_id": f"{p}-{day}", "patient_id": p, "eye": "left", "visit_date": before(day)}
            for day in visits
        ],
    }


# treated, last seen (days before the cut), state, days past the due day
CASES = [
    (400, 100, "on schedule", 100 - 183),
    (400, 151, "on schedule", -32),
    (400, 152, "due", -31),
    (400, 183, "due", 0),
    (400, 183 + 45, "due", 45),
    (400, 183 + 46, "overdue", 46),
    (800, 183 + 228, "overdue", 228),
    (800, 183 + 229, "lost", 229),
    (300, None, "overdue", 300 - 183),
    (500, None, "lost", 500 - 183),
    # from 5 years (1826.25 days) on the gap is 365.25 days: overdue from 92 days on, lost from 457
    (2000 + 1827, 2000, "lost", 2000 - 365),
    (365 + 91 + 1827, 365 + 91, "due", 91),
    (365 + 92 + 1827, 365 + 92, "overdue", 92),
    (365 + 92 + 1826, 365 + 92, "lost", 457 - 183),
]


def read(registry_of: Callable[..., Any], *records: dict[str, Any]) -> tuple[Due, ...]:
    rows: dict[str, list[Any]] = {}
    for one in records:
        for table, more in one.items():
            rows[table] = rows.get(table, []) + more
    with registry_of(rows) as connection:
        return read_due(connection, DataCut(CUT), SCHEDULE)


def test_states_by_the_days_since_the_last_visit(registry_of: Callable[..., Any]) -> None:
    records = [treated(f"P{k:02d}", at, seen) for k, (at, seen, _, _) in enumerate(CASES)]
    found = [(one.state, one.days_overdue) for one in read(registry_of, *records)]
    assert found == [(state, late) for _, _, state, late in CASES]


def test_follow_up_that_ended_is_never_overdue(registry_of: Callable[..., Any]) -> None:
    removed = treated("P3", 900, 700)
    removed["event"] = [
        {"event_id": "E", "patient_id": "P3", "eye": "left", "event_date": before(600),
         "kind": "enucleation"}
    ]  # fmt: skip
    found = read(
        registry_of,
        treated("P1", 900, 700, death_date=before(500)),
        treated("P2", 900, 700, follow_up_ended_reason="moved", last_contact_date=before(600)),
        removed,
        treated("P4", 900, 700, follow_up_ended_reason="unknown"),
    )
    assert [(one.state, one.reason, one.due_date) for one in found[:3]] == [
        ("ended", "died", None),
        ("ended", "moved", None),
        ("ended", "eye removed", None),
    ]
    assert found[3].state == "lost"
    assert count_states(found) == {
        "ended": 3, "on schedule": 0, "due": 0, "overdue": 0, "lost": 1
    }  # fmt: skip


def test_a_visit_of_the_eye_counts_for_each_of_its_tumours(registry_of: Callable[..., Any]) -> None:
    rows = treated("P1", 400, None)
    rows["tumour"].append({"tumour_id": "P1-U", "patient_id": "P1", "eye": "left"})
    rows["implant"].append(
        {"implant_id": "J", "tumour_id": "P1-U", "inserted_at": f"{before(400)} 10:00"}
    )
    rows["visit"] = [
        {"visit_id": "V", "patient_id": "P1", "eye": "left", "visit_date": before(20),
         "tumour_id": "P1-T"}
    ]  # fmt: skip
    assert [one.last_seen for one in read(registry_of, rows)] == [CUT - timedelta(days=20)] * 2


def test_steps_must_follow_each_other() -> None:
    with pytest.raises(ValueError, match="do not fit"):
        VisitSchedule((6.0, 12.0), (5.0, 2.0))
    with pytest.raises(ValueError, match="last step is open"):
        VisitSchedule((6.0,), (5.0,))
    three = VisitSchedule((3.0, 6.0, 12.0), (2.0, 5.0, np.inf))
    assert three.gap_days(np.array([1.9, 2.0, 7.0])).tolist() == [91.3125, 182.625, 365.25]
    assert three.in_words().startswith("every 3 months until 2 years, then every 6 months until 5")
