"""Toxicity by hand: grades from acuity, grades of recorded findings, prevalence, incidence.

Grade wordings: Common Terminology Criteria for Adverse Events 5.0 (2017), eye disorders; the
precedence between its two rules is ours and stated in ``analysis.outcomes.toxicity``.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.outcome import Estimation
from analysis.outcomes.toxicity import Acuity, analyse_toxicity, grade_findings, grade_from_acuity

ZERO = date(2020, 1, 1)
CUT = DataCut(date(2024, 12, 31))
OFF = Acuity(None)


def day(n: int) -> str:
    return (ZERO + timedelta(days=n)).isoformat()


@pytest.mark.parametrize(
    ("now", "before", "worst", "lines"),
    [
        (85, 85, 1, 1),  # 20/20 kept
        (81, 85, 1, 1),  # less than a line
        (80, 85, 2, 2),  # one line, still 20/40 or better
        (70, 85, 2, 2),  # 20/40 exactly, three lines exactly
        (69, 84, 3, 2),  # worse than 20/40, but three lines only: the rules contradict
        (75, 95, 3, 3),  # 20/40 or better, but four lines: they contradict the other way
        (69, 85, 3, 3),  # more than three lines
        (36, 80, 3, 3),  # better than 20/200
        (35, 80, 4, 4),  # 20/200 exactly
        (35, 40, 4, 4),  # 20/200 after the loss of one line
        (30, 33, 1, 1),  # poor before, unchanged: not the treatment's
        (60, 64, 1, 1),  # worse than 20/40 before too, less than a line lost
        (None, 60, 4, 4),  # off the chart
        (None, None, 4, 4),  # off the chart, baseline unknown
        (60, None, 3, 3),  # baseline unknown: the band alone
        (85, None, 2, 2),
    ],
)
def test_grades_by_hand(now: int | None, before: int | None, worst: int, lines: int) -> None:
    baseline = None if before is None else Acuity(before)
    assert grade_from_acuity(Acuity(now), baseline) == worst
    assert grade_from_acuity(Acuity(now), baseline, precedence="lines") == lines


def test_no_reading_no_grade_and_off_the_chart_before() -> None:
    assert grade_from_acuity(None, Acuity(85)) is None
    assert grade_from_acuity(OFF, OFF) == 1


def test_the_worst_rule_never_grades_lower_than_the_lines() -> None:
    for now in range(0, 96, 5):
        for before in range(now, 96, 5):
            grades = [
                grade_from_acuity(Acuity(now), Acuity(before), precedence=rule)
                for rule in ("worst", "lines")
            ]
            assert grades[0] is not None
            assert grades[1] is not None
            assert grades[0] >= grades[1]


Rows = dict[str, list[dict[str, Any]]]


def eye(
    name: str,
    readings: dict[int, str | None],
    events: tuple[tuple[int, str, int | None], ...] = (),
    **patient: Any,
) -> Rows:
    whose = {"patient_id": name, "eye": "left"}
    implant = {"implant_id": f"I{name}", "tumour_id": f"T{name}"}
    return {
        "patient": [{"patient_id": name, "vital_status_date": day(1826), **patient}],
        "tumour": [{"tumour_id": f"T{name}", **whose}],
        "implant": [implant | {"inserted_at": f"{day(0)} 10:00"}],
        "visit": [
            {"visit_id": f"V{name}{at}", **whose, "visit_date": day(at), "acuity": read}
            for at, read in readings.items()
        ],
        "event": [
            {"event_id": f"E{name}{at}{kind}", **whose, "event_date": day(at), "kind": kind}
            | {"grade": grade}
            for at, kind, grade in events
        ],
    }


def together(*eyes: Rows) -> Rows:
    return {table: [row for one in eyes for row in one[table]] for table in eyes[0]}


RETINOPATHY = "radiation_retinopathy"
EYES = (
    eye("A", {-10: "85 letters", 400: "60 letters"}, ((400, RETINOPATHY, None),)),
    eye("B", {-10: "85 letters", 400: "60 letters"}, ((400, RETINOPATHY, 1),)),
    eye("C", {-10: "85 letters", 300: "60 letters"}, ((400, RETINOPATHY, None),)),
    eye("D", {-10: "85 letters", 400: "60 letters"}, ((-50, RETINOPATHY, 1),)),
    eye("E", {-200: "85 letters", 400: "60 letters"}, ((400, RETINOPATHY, None),)),
    eye("F", {-10: "85 letters", 390: "CF", 425: "80 letters"}, ((410, RETINOPATHY, None),)),
    eye("G", {-10: "85 letters", 400: "60 letters"}, ((400, "dry_eye", None),)),
    eye("H", {-10: "85 letters", 400: "CF"}, ((400, "dry_eye", None),)),
)  # fmt: skip


def test_findings_are_graded_by_hand(in_memory_of: Callable[..., Any]) -> None:
    connection = in_memory_of(together(*EYES))
    found = {
        (one.unit_id[0], one.kind): (one.recorded, one.by_acuity, one.grade)
        for one in grade_findings(connection, CUT, CohortRules())
    }
    assert found == {
        ("A", RETINOPATHY): (None, 3, 3),
        ("B", RETINOPATHY): (1, 3, 1),  # the recorded grade stands
        ("C", RETINOPATHY): (None, None, None),  # no reading within 31 days
        # D had it before treatment
        ("E", RETINOPATHY): (None, 3, 3),  # baseline too old: by the band alone
        ("F", RETINOPATHY): (None, 2, 2),  # the nearer reading counts: one line lost
        ("G", "dry_eye"): (None, 3, 3),
        ("H", "dry_eye"): (None, 3, 3),  # the term stops at grade 3
    }


def test_prevalence_and_incidence_by_hand(in_memory_of: Callable[..., Any]) -> None:
    """At 1 year (day 365): who is alive, kept and seen between days 182 and 548."""
    kind, fine = "neovascular_glaucoma", "85 letters"
    connection = in_memory_of(together(
        eye("A", {300: fine}, ((200, kind, None),)),                            # has it, seen
        eye("B", {300: fine}, ((400, kind, None),)),                            # gets it later
        eye("C", {300: fine, 700: fine}),                                       # free, seen
        eye("D", {100: fine}, ((90, kind, None),)),                             # not seen near
        eye("E", {300: fine}, ((200, kind, None), (320, "enucleation", None))),  # eye gone
        eye("F", {300: fine}, ((200, kind, None),), death_date=day(350)),        # dead
        eye("G", {300: fine}, ((-5, kind, None),)),                              # had it before
    ))  # fmt: skip
    found = {
        one.kind: one
        for one in analyse_toxicity(connection, CUT, CohortRules(), how=Estimation(replicates=100))
    }
    assert set(found) == {kind}
    one = found[kind]
    assert (one.n, one.not_at_risk, one.group.events) == (6, 1, 5)
    first = one.prevalence[0]
    assert (first.years, first.with_it, first.seen) == (1.0, 1, 3)
    # exact limits of 1 of 3: 0.84 to 90.57 % (Clopper and Pearson 1934)
    assert (first.lower, first.upper) == pytest.approx((0.0084, 0.9057), abs=5e-5)


def test_an_eye_without_its_lens_is_not_at_risk_of_cataract(
    in_memory_of: Callable[..., Any],
) -> None:
    rows = together(
        eye("A", {-10: "85 letters", 300: "60 letters"}, ((300, "cataract", None),)),
        eye("B", {-10: "85 letters", 300: "60 letters"}),
    )
    rows["visit"][2]["lens_status"] = "pseudophakic"
    (one,) = analyse_toxicity(
        in_memory_of(rows), CUT, CohortRules(), how=Estimation(replicates=100)
    )
    assert (one.kind, one.n, one.not_at_risk, one.worst_grades) == ("cataract", 1, 1, {3: 1})


def test_grades_by_acuity_alone_and_by_the_other_precedence_are_counted(
    in_memory_of: Callable[..., Any],
) -> None:
    """From 20/10 to 20/30: grade 2 by the band, 3 by lines, so 3 either way; 20/63 from 20/50:
    grade 3 by the band, 2 by the one line lost. A recorded grade is not counted."""
    rows = together(
        eye("A", {-10: "95 letters", 400: "76 letters"}, ((400, RETINOPATHY, None),)),
        eye("B", {-10: "65 letters", 400: "60 letters"}, ((400, RETINOPATHY, None),)),
        eye("C", {-10: "65 letters", 400: "60 letters"}, ((400, RETINOPATHY, 1),)),
        eye("D", {-10: "65 letters"}, ((400, RETINOPATHY, None),)),
    )
    (one,) = analyse_toxicity(
        in_memory_of(rows), CUT, CohortRules(), how=Estimation(replicates=100)
    )
    assert (one.from_acuity, one.changed_by_lines) == (2, 1)
    assert one.worst_grades == {0: 1, 1: 1, 3: 2}
