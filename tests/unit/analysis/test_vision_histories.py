"""Hand-made histories of acuity whose answer was worked out by hand.

The plaque is inserted on 2020-01-01 (day 0), so day n is that date plus n. The data cut is
2024-12-31 (day 1826). The baseline reading is 20 days before insertion unless said otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np

from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.vision_history import (
    Reading,
    VisionHistories,
    VisionRules,
    compile_contradictions,
    date_losses,
    read_histories,
)
from analysis.outcomes.vision_levels import VisionLevel, at_least, better_than, loss_of
from registry.acuity import read_acuity

ZERO = date(2020, 1, 1)
CUT = DataCut(date(2024, 12, 31))
Rows = dict[str, list[dict[str, Any]]]


def day(n: int) -> str:
    return (ZERO + timedelta(days=n)).isoformat()


def patient(**fields: Any) -> Rows:
    return {"patient": [{"patient_id": "P1", "vital_status_date": day(1826), **fields}]}


def treated(tumour: str = "T1", eye: str = "right", at: int = 0, **fields: Any) -> Rows:
    return {
        "tumour": [{"tumour_id": tumour, "patient_id": "P1", "eye": eye, **fields}],
        "implant": [
            {"implant_id": f"I-{tumour}", "tumour_id": tumour, "inserted_at": f"{day(at)} 10:00"}
        ],
    }


def visit(at: int, acuity: str | None, eye: str = "right", **fields: Any) -> Rows:
    row: dict[str, Any] = {
        "visit_id": f"V{at}-{eye}-{fields.get('tumour_id', '')}",
        "patient_id": "P1",
        "eye": eye,
        "visit_date": day(at),
    }
    if acuity is not None:
        read = read_acuity(acuity)
        row |= {"acuity": acuity, "acuity_logmar": round(read.logmar, 6)}
        row |= {"acuity_letters": read.letters, "acuity_off_chart": read.off_chart}
    return {"visit": [row | fields]}


def removed(at: int, kind: str = "enucleation") -> Rows:
    row = {"event_id": f"E{at}", "patient_id": "P1", "eye": "right", "event_date": day(at)}
    return {"event": [row | {"kind": kind}]}


def history(*parts: Rows) -> Rows:
    together: Rows = {}
    for part in parts:
        for table, rows in part.items():
            together.setdefault(table, []).extend(rows)
    return together


def seen(*readings: tuple[int, str | None], baseline: str = "6/6") -> Rows:
    """One eye with a baseline and readings."""
    visits = [visit(at, acuity) for at, acuity in readings]
    return history(patient(), treated(), visit(-20, baseline), *visits)


def test_an_eye_removed_after_the_last_contact_shows_the_patient_alive(
    registry_of: Callable[..., Any],
) -> None:
    """A department that keeps one date of last contact: the theatre knows the later one.

    The history ended before its own event, and vision could not be estimated at all.
    """
    asked = {"vital_status_date": "", "last_contact_date": day(200)}
    seen_by_visit = (visit(-20, "6/6"), visit(200, "6/9"))
    records = history(patient(**asked), treated(), *seen_by_visit, removed(230))
    eyes = read(registry_of, records, at_least("6/12"))
    assert (eyes.removed_days.tolist(), eyes.vital_days.tolist()) == ([230], [230])
    treated_twice = treated(at=300, tumour="T2", eye="left")
    eyes = read(registry_of, history(records, treated_twice), at_least("6/12"))
    assert sorted(eyes.vital_days.tolist()) == [0, 300]  # of the left eye and of the right one


def test_a_metastasis_found_after_the_last_contact_shows_the_patient_alive(
    registry_of: Callable[..., Any],
) -> None:
    asked = {"vital_status_date": "", "last_contact_date": day(200), "metastasis_date": day(400)}
    records = history(patient(**asked), treated(), visit(-20, "6/6"), visit(200, "6/9"))
    assert read(registry_of, records, at_least("6/12")).vital_days.tolist() == [400]


# "above" readings are 6/9, "below" are 6/18, of the level 6/12.
# name, records, (reason, last above, first below or None, time)
HISTORIES: list[tuple[str, Rows, tuple[int, int, int | None, int]]] = [
    ("no visit after treatment", seen(), (0, 0, None, 0)),
    ("one visit above: nothing can be confirmed at it", seen((100, "6/9")), (0, 0, None, 0)),
    ("kept throughout: censored at the last visit but one",
     seen((100, "6/9"), (200, "6/9"), (300, "6/9")), (0, 200, None, 200)),
    ("one dip, then recovery, is no loss",
     seen((100, "6/9"), (200, "6/18"), (300, "6/9"), (400, "6/9")), (0, 300, None, 300)),
    ("a loss that the next visit confirms, dated at the first of the two",
     seen((100, "6/9"), (200, "6/18"), (300, "6/24")), (0, 100, 200, 200)),
    ("the loss begins after the dip, not at it",
     seen((100, "6/18"), (200, "6/9"), (300, "6/18"), (400, "6/18")), (0, 200, 300, 300)),
    ("recovery after a confirmed loss does not undo it",
     seen((100, "6/18"), (200, "6/18"), (300, "6/6"), (400, "6/6")), (0, 0, 100, 100)),
    ("lost at the first visit: interval from the baseline",
     seen((100, "6/18"), (200, "6/18")), (0, 0, 100, 100)),
    ("unconfirmed last visit: censored at the visit before it",
     seen((100, "6/9"), (200, "6/9"), (300, "6/18")), (0, 200, None, 200)),
    ("two visits under 28 days apart: the second does not confirm",
     seen((100, "6/9"), (200, "6/18"), (227, "6/18")), (0, 100, None, 200)),
    ("exactly 28 days apart it does",
     seen((100, "6/9"), (200, "6/18"), (228, "6/18")), (0, 100, 200, 200)),
    ("the next visit at least 28 days later confirms past a nearer one",
     seen((100, "6/9"), (200, "6/18"), (210, "6/18"), (300, "6/18")), (0, 100, 200, 200)),
    ("a reading above in between ends the run",
     seen((100, "6/9"), (200, "6/18"), (210, "6/9"), (300, "6/18"), (400, "6/18")),
     (0, 210, 300, 300)),
    ("6/12 itself is at least 6/12 (0.301 logMAR as a float is not at most 0.30)",
     seen((100, "6/12"), (200, "20/40"), (300, "0.30 logMAR"), (400, "70 letters")),
     (0, 300, None, 300)),
    ("one letter fewer is not", seen((100, "69 letters"), (200, "69 letters")), (0, 0, 100, 100)),
    ("off the chart is below every level",
     seen((100, "6/9"), (200, "CF"), (300, "HM")), (0, 100, 200, 200)),
    ("acuity missing at a visit: that visit neither keeps nor confirms",
     seen((100, "6/9"), (200, "6/18"), (300, None), (400, "6/9"), (500, "6/9")),
     (0, 400, None, 400)),
    ("missing at the last visit: the last reading but one counts",
     seen((100, "6/9"), (200, "6/9"), (300, None)), (0, 100, None, 100)),
    ("eye removed before the first visit",
     history(seen(), removed(60)), (0, 0, 60, 60)),
    ("eye removed with the level kept: loss after the last reading above",
     history(seen((100, "6/9")), removed(150, "exenteration")), (0, 100, 150, 150)),
    ("removal confirms a loss at the last visit, however soon",
     history(seen((100, "6/9"), (200, "6/18")), removed(210)), (0, 100, 200, 200)),
    ("a dip that was refuted before removal: loss at removal",
     history(seen((100, "6/18"), (200, "6/9")), removed(260)), (0, 200, 260, 260)),
    ("removed so near the cut (day 1826) that a loss then, of an eye still in, could not be known",
     history(seen((1550, "6/9"), (1650, "6/9")), removed(1700)), (0, 1650, None, 1650)),
    ("nearer: not even the last reading would have counted",
     history(seen((1660, "6/9"), (1760, "6/9")), removed(1780)), (0, 1660, None, 1660)),
    ("a day earlier two more readings would have come by the cut: it counts",
     history(seen((1526, "6/9"), (1626, "6/9")), removed(1650)), (0, 1626, 1650, 1650)),
    ("removal confirms the last reading only if another would have come by the cut",
     history(seen((1660, "6/9"), (1760, "6/18")), removed(1780)), (0, 1660, None, 1660)),
    ("removed shortly before death: no other loss then could have been confirmed",
     history(patient(death_date=day(350)), treated(), visit(-20, "6/6"), visit(100, "6/9"),
             visit(200, "6/9"), removed(250)), (0, 200, None, 200)),
    ("readings after removal (a socket) do not count",
     history(seen((100, "6/9")), removed(150), visit(200, "NLP"), visit(300, "NLP")),
     (0, 100, 150, 150)),
    ("a reading on the day of removal counts as before it",
     history(seen((100, "6/9")), removed(200), visit(200, "6/9")), (0, 200, 200, 200)),
    ("removal dated before insertion is a contradiction and does not count",
     history(seen((100, "6/9"), (200, "6/9")), removed(-5)), (0, 100, None, 100)),
    ("death between visits does not confirm",
     history(patient(death_date=day(250)), treated(), visit(-20, "6/6"), visit(100, "6/9"),
             visit(200, "6/18")), (0, 100, None, 100)),
    ("a visit on the day of death counts",
     history(patient(death_date=day(300)), treated(), visit(-20, "6/6"), visit(100, "6/9"),
             visit(200, "6/18"), visit(300, "6/18")), (0, 100, 200, 200)),
    ("a visit after death does not",
     history(patient(death_date=day(250)), treated(), visit(-20, "6/6"), visit(100, "6/9"),
             visit(200, "6/18"), visit(300, "6/18")), (0, 100, None, 100)),
    ("the cut between two visits takes the confirmation away",
     seen((1600, "6/9"), (1800, "6/18"), (1900, "6/18")), (0, 1600, None, 1600)),
    ("a removal after the cut does not confirm",
     history(seen((1600, "6/9"), (1800, "6/18")), removed(1850)), (0, 1600, None, 1600)),
    ("baseline at the level itself is at risk",
     seen((100, "6/12"), (200, "6/12"), baseline="6/12"), (0, 100, None, 100)),
    ("baseline below the level is not",
     seen((100, "6/6"), (200, "6/6"), baseline="6/12-1"), (4, 100, None, 100)),
    ("no acuity in the 90 days up to insertion",
     history(patient(), treated(), visit(-91, "6/6"), visit(100, "6/6")), (2, 0, None, 0)),
    ("90 days before is in the window; the last in it counts, not the best",
     history(patient(), treated(), visit(-90, "6/6"), visit(-10, "6/18"), visit(100, "6/6"),
             visit(200, "6/6")), (4, 100, None, 100)),
    ("a reading on the day of insertion is the baseline, not follow-up",
     history(patient(), treated(), visit(-20, "6/6"), visit(0, "6/9"), visit(100, "6/18"),
             visit(200, "6/18")), (0, 0, 100, 100)),
    ("a second tumour in the same eye: one eye, counted from the first",
     history(patient(), treated(), treated("T2", at=400), visit(-20, "6/6"),
             visit(100, "6/9", tumour_id="T1"), visit(450, "6/18", tumour_id="T2"),
             visit(500, "6/18", tumour_id="T1")), (0, 100, 450, 450)),
    ("the other eye's acuity is its own",
     history(seen((100, "6/9"), (200, "6/9")), visit(100, "6/60", eye="left"),
             visit(200, "6/60", eye="left")), (0, 100, None, 100)),
    ("care taken over later: not at risk",
     history(patient(), treated(care_since_date=day(300)), visit(-20, "6/6"), visit(400, "6/9")),
     (1, 0, None, 0)),
]  # fmt: skip


def read(
    registry_of: Callable[..., Any],
    records: Rows,
    level: VisionLevel,
    cut: DataCut = CUT,
    vision: VisionRules | None = None,
) -> VisionHistories:
    with registry_of(records) as connection:
        return read_histories(connection, level, cut, CohortRules(), vision or VisionRules())


def found(eyes: VisionHistories, reading: Reading = "confirmed") -> list[Any]:
    losses = date_losses(eyes, reading)
    return [
        (
            int(eyes.reason[row]),
            int(losses.last_above[row]),
            int(losses.first_below[row]) if losses.is_loss[row] else None,
            int(losses.time_days[row]),
        )
        for row in range(eyes.n)
    ]


def beside(cases: Sequence[Rows]) -> Rows:
    """Put histories of one patient each into one registry: patients P000, P001, ..."""
    together: Rows = {}
    for number, records in enumerate(cases):
        for table, rows in records.items():
            for row in rows:
                named = {
                    field: f"{value}-{number:03d}" if field.endswith("_id") else value
                    for field, value in row.items()
                }
                together.setdefault(table, []).append(
                    named | {"patient_id": f"P{number:03d}"} if table not in ("implant",) else named
                )
    return together


def test_loss_of_6_12_by_hand(registry_of: Callable[..., Any]) -> None:
    records = beside([case[1] for case in HISTORIES])
    answers = found(read(registry_of, records, at_least("6/12")))
    by_name = dict(zip([case[0] for case in HISTORIES], answers, strict=True))
    assert by_name == {case[0]: case[2] for case in HISTORIES}


def test_both_eyes_of_one_patient_are_two_units(registry_of: Callable[..., Any]) -> None:
    records = history(
        patient(),
        treated(),
        treated("T2", eye="left", at=100),
        *(visit(at, text) for at, text in ((-20, "6/6"), (150, "6/9"), (300, "6/9"))),
        *(visit(at, text, eye="left") for at, text in ((90, "6/6"), (200, "CF"), (300, "CF"))),
    )
    eyes = read(registry_of, records, at_least("6/12"))
    assert eyes.unit_id == ("P1:left", "P1:right")
    assert eyes.patient_id == ("P1", "P1")
    assert found(eyes) == [(0, 0, 100, 100), (0, 150, None, 150)]


def test_at_least_and_better_than_differ_at_the_level_itself(
    registry_of: Callable[..., Any],
) -> None:
    later = ((100, "6/60"), (200, "6/60"), (300, "6/60"))
    records = beside([seen(*later, baseline="6/18"), seen(*later, baseline="6/60")])
    with registry_of(records) as connection:

        def loss(level: VisionLevel) -> list[Any]:
            return found(read_histories(connection, level, CUT, CohortRules(), VisionRules()))

        assert loss(at_least("6/60")) == [(0, 200, None, 200), (0, 200, None, 200)]
        assert loss(at_least("3/60")) == [(0, 200, None, 200), (0, 200, None, 200)]
        # an eye that starts at 6/60 is not at risk of losing "better than 6/60"
        assert loss(better_than("6/60"))[0] == (0, 0, 100, 100)
        assert loss(better_than("6/60"))[1][0] == 4


# loss in logMAR, baseline, both later readings, whether that is a loss (None: not at risk)
LETTERS = [
    # 85 letters to 70 is a loss of exactly 15 letters; in floats 0.301 - 0 is not 0.30
    ("0.3", "6/6", "6/12", True),
    ("0.3", "6/6", "71 letters", False),
    ("0.5", "6/6", "61 letters", False),
    ("0.5", "6/6", "60 letters", True),
    ("0.6", "6/6", "6/24", True),
    ("0.6", "6/6", "56 letters", False),
    # too few letters to lose 15, but off the chart is a loss
    ("0.3", "10 letters", "0 letters", False),
    ("0.3", "10 letters", "CF", True),
    # off the chart at baseline: letters lost cannot be counted
    ("0.3", "CF", "NLP", None),
]


def test_loss_of_letters_from_baseline(registry_of: Callable[..., Any]) -> None:
    records = beside([seen((100, b), (200, b), baseline=a) for _, a, b, _ in LETTERS])
    with registry_of(records) as connection:
        for loss in ("0.3", "0.5", "0.6"):
            eyes = read_histories(connection, loss_of(loss), CUT, CohortRules(), VisionRules())
            dated = date_losses(eyes)
            for row, (asked, baseline, later, is_loss) in enumerate(LETTERS):
                if asked != loss:
                    continue
                case = (loss, baseline, later)
                assert (case, eyes.reason[row]) == (case, 3 if is_loss is None else 0)
                if is_loss is not None:
                    assert (case, bool(dated.is_loss[row])) == (case, is_loss)


OTHER_READINGS: list[tuple[Reading, Rows, tuple[int, int, int | None, int]]] = [
    # a dip is the first observed loss, and nothing to the bounds
    ("first_observed", seen((100, "6/18"), (200, "6/9"), (300, "6/9")), (0, 0, 100, 100)),
    ("unconfirmed_counts", seen((100, "6/18"), (200, "6/9")), (0, 200, None, 200)),
    ("unconfirmed_ignored", seen((100, "6/18"), (200, "6/9")), (0, 200, None, 200)),
    # the last visit below
    ("first_observed", seen((100, "6/9"), (200, "6/18")), (0, 100, 200, 200)),
    ("unconfirmed_counts", seen((100, "6/9"), (200, "6/18")), (0, 100, 200, 200)),
    ("unconfirmed_ignored", seen((100, "6/9"), (200, "6/18")), (0, 200, None, 200)),
    # a confirmed loss is the same under all but the first observed
    ("unconfirmed_counts", seen((100, "6/18"), (200, "6/18"), (300, "6/9"), (400, "6/18")),
     (0, 0, 100, 100)),
    ("first_observed", seen((100, "6/18"), (200, "6/9"), (300, "6/18"), (400, "6/18")),
     (0, 0, 100, 100)),
    # removal is a loss under every reading
    ("unconfirmed_ignored", history(seen((100, "6/9")), removed(150)), (0, 100, 150, 150)),
    ("first_observed", history(seen((100, "6/9")), removed(150)), (0, 100, 150, 150)),
]  # fmt: skip


def test_other_readings_of_unconfirmed_visits(registry_of: Callable[..., Any]) -> None:
    records = beside([records for _, records, _ in OTHER_READINGS])
    eyes = read(registry_of, records, at_least("6/12"))
    answers = [found(eyes, reading)[row] for row, (reading, _, _) in enumerate(OTHER_READINGS)]
    assert answers == [expected for _, _, expected in OTHER_READINGS]


def test_settings_move_window_and_confirmation(registry_of: Callable[..., Any]) -> None:
    early = (visit(at, text) for at, text in ((-100, "6/6"), (100, "6/18"), (150, "6/18")))
    records = beside(
        [history(patient(), treated(), *early), seen((100, "6/9"), (200, "6/18"), (250, "6/18"))]
    )
    with registry_of(records) as connection:
        for vision, expected in (
            (VisionRules(90, 28), [2, (0, 100, 200, 200)]),
            (VisionRules(120, 28), [0, (0, 100, 200, 200)]),
            (VisionRules(90, 60), [2, (0, 100, None, 200)]),
        ):
            eyes = read_histories(connection, at_least("6/12"), CUT, CohortRules(), vision)
            assert [int(eyes.reason[0]), found(eyes)[1]] == expected


def test_contradictions_are_counted_and_named(registry_of: Callable[..., Any]) -> None:
    records = history(seen((100, "6/9")), removed(150), visit(200, "NLP"), visit(300, None))
    with registry_of(records) as connection:
        sql = compile_contradictions(CohortRules(), VisionRules())
        table = connection.sql(sql, params=CUT.parameters()).to_arrow_table().to_pylist()[0]
    assert table == {
        "acuity dated after the eye was removed: not used": 1,
        "acuity dated after death: not used": 0,
        "eye removed before the plaque was inserted: removal not counted": 0,
    }


def test_vital_status_and_death_stay_on_their_own_clock(registry_of: Callable[..., Any]) -> None:
    records = history(
        patient(death_date=day(1500)), treated(), visit(-20, "6/6"), visit(100, "6/9")
    )
    eyes = read(registry_of, records, at_least("6/12"))
    assert (eyes.death_days.tolist(), eyes.vital_days.tolist()) == ([1500], [1500])
    assert np.isnan(eyes.removed_days).all()
