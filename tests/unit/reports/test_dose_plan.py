"""The plan of a dose–response question and the log of questions."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from registry.errors import RefusedInputError, UsageError
from reports.options.dose_options import (
    DoseOptions,
    choose_against,
    describe_asked,
    read_question,
)
from reports.studies.dose_plan import compare_with_plan, lock_plan, read_plan
from reports.studies.question_log import LoggedLook, add_look, count_questions, read_log

PLAN = """question = "Does apex dose lower local failure?"
end_point = "local_failure"
dose = "apex"
horizon_years = 5
adjust = ["thickness_mm"]
decided_on = 2024-05-01
"""
ASKED = {
    "end_point": "local_failure", "dose": "apex", "horizon_years": 5.0,
    "adjust": ("thickness_mm",), "exclusions": (), "method": "auto",
}  # fmt: skip


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def lock(path: Path) -> str:
    locked, content = lock_plan(path)
    assert content is not None
    path.write_bytes(content)
    return locked.content_hash


def look(action: str, plan_hash: str = "", end_point: str = "local_failure") -> LoggedLook:
    return LoggedLook("2024-05-02T00:00:00Z", action, end_point, "apex", "words", plan_hash)


def test_lock_survives_spaces_but_no_change(plan: Path) -> None:
    found = lock(plan)
    assert read_plan(plan).is_locked
    assert lock_plan(plan)[1] is None
    text = plan.read_text(encoding="utf-8")
    plan.write_text(text.replace("horizon_years = 5", "horizon_years   =   5.0"), encoding="utf-8")
    assert read_plan(plan).locked_hash == found
    assert read_plan(plan).is_locked
    plan.write_text(text.replace('"apex"', '"base"'), encoding="utf-8")
    assert not read_plan(plan).is_locked
    with pytest.raises(RefusedInputError, match="changed since"):
        lock_plan(plan)


def test_hash_is_that_of_the_stated_form(plan: Path) -> None:
    """SHA-256 of the JSON with sorted keys, worked out here by other means."""
    import hashlib

    text = (
        '{"adjust":["thickness_mm"],"decided_on":"2024-05-01","dose":"apex",'
        '"end_point":"local_failure","horizon_years":5.0,'
        '"question":"Does apex dose lower local failure?"}'
    )
    assert read_plan(plan).content_hash == hashlib.sha256(text.encode()).hexdigest()


def test_state_tells_whether_looks_came_first(plan: Path) -> None:
    loose = compare_with_plan(read_plan(plan), ASKED, ())
    assert loose.state == "not locked"
    assert loose.deviations
    found = lock(plan)
    locked = read_plan(plan)
    first = compare_with_plan(locked, ASKED, (look("locked", found), look("asked")))
    assert (first.state, first.deviations) == ("locked before looking", ())
    other = compare_with_plan(
        locked, ASKED, (look("asked", end_point="death"), look("locked", found))
    )
    assert other.state == "locked before looking"
    late = compare_with_plan(locked, ASKED, (look("asked"), look("locked", found)))
    assert late.state == "locked after looking"
    assert late.looks_before_lock == 1
    elsewhere = compare_with_plan(locked, ASKED, ())
    assert "not in the log" in elsewhere.state


def test_every_deviation_is_listed(plan: Path) -> None:
    found = lock(plan)
    done = ASKED | {"horizon_years": 3.0, "adjust": ()}
    state = compare_with_plan(read_plan(plan), done, (look("locked", found),))
    assert state.deviations == (
        "horizon_years: planned 5, done 3",
        "adjust: planned thickness_mm, done nothing",
    )


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ('dose = "apex"\n', "lacks the field dose"),
        ("horizon_years = 5", "needs a number as horizon_years"),
        ("decided_on = 2024-05-01", "a day"),
    ],
)
def test_bad_plans_are_refused(plan: Path, change: str, said: str) -> None:
    bad = {
        'dose = "apex"\n': "",
        "horizon_years = 5": 'horizon_years = "5"',
        "decided_on = 2024-05-01": "decided_on = 2024-05-01T10:00:00",
    }[change]
    plan.write_text(PLAN.replace(change, bad), encoding="utf-8")
    with pytest.raises(RefusedInputError, match=said):
        read_plan(plan)
    plan.write_text(PLAN + "colour = 3\n", encoding="utf-8")
    with pytest.raises(RefusedInputError, match="unknown field colour"):
        read_plan(plan)


def test_stated_parameters_are_part_of_the_plan(plan: Path) -> None:
    """α/β, repair and RBE change a BED as much as the dose does: silence would hide a deviation."""
    plan.write_text(
        PLAN.replace('"apex"', '"bed"') + 'rbe = ["Ru-106=1.0", "I-125=1.20"]\nalpha_beta_gy = 3\n',
        encoding="utf-8",
    )
    planned = read_plan(plan)
    assert planned.rbe == ("I-125=1.2", "Ru-106=1")
    question = read_question(DoseOptions(), planned)
    assert question.rbe == (("I-125", 1.2), ("Ru-106", 1.0))
    assert question.repair.alpha_beta_gy == 3
    assert compare_with_plan(planned, describe_asked(question), ()).deviations == (
        "the plan was not locked before looking",
    )
    other = read_question(DoseOptions(alpha_beta=10, rbe=["I-125=1.4", "Ru-106=1"]), planned)
    assert compare_with_plan(planned, describe_asked(other), ()).deviations[1:] == (
        "alpha_beta_gy: planned 3, done 10",
        "rbe: planned I-125=1.2, Ru-106=1, done I-125=1.4, Ru-106=1",
    )


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('rbe = ["Xx-1=1"]', "each of Ru-106"),
        ('rbe = ["I-125=much"]', "a value from 0.1 to 10"),
        ("alpha_beta_gy = 0", "alpha_beta_gy above 0"),
        ("repair_half_time_hours = -1", "0 or more"),
        ("level = 95", "a level from 0.5"),
    ],
)
def test_parameters_out_of_range_are_refused(plan: Path, line: str, said: str) -> None:
    plan.write_text(f"{PLAN}{line}\n", encoding="utf-8")
    with pytest.raises(RefusedInputError, match=said):
        read_plan(plan)


def test_log_counts_different_questions(tmp_path: Path) -> None:
    path = tmp_path / "a.registry.questions.csv"
    assert read_log(path) == ()
    add_look(path, look("asked"))
    add_look(path, look("asked"))
    add_look(path, LoggedLook("t", "asked", "death", "bed", "other, with comma", ""))
    add_look(path, look("locked", "abc"))
    count = count_questions(read_log(path), "death", path)
    assert (count.looks, count.different, count.same_end_point) == (3, 2, 1)
    path.write_text("something else\n", encoding="utf-8")
    with pytest.raises(RefusedInputError, match="not a log of questions"):
        read_log(path)


def test_who_is_in_and_how_it_is_estimated_make_another_question(plan: Path) -> None:
    """A choice tried out is one more chance of a small p; before, these counted as one question."""
    asked = DoseOptions("local_failure", "apex", adjust=["none"])
    tried = [
        asked,
        replace(asked, method="cox"),
        replace(asked, dose_model="monte_carlo"),
        replace(asked, pool_dose_models=True),
        replace(asked, with_prior_treatment=True),
        replace(asked, exclude=["isotope=I-125"]),
    ]
    words = [read_question(one, None).words() for one in tried]
    assert len(set(words)) == len(tried)
    # the level of an interval changes neither
    assert read_question(replace(asked, level=0.9), None).words() == words[0]


def test_the_cohort_is_part_of_the_plan(plan: Path) -> None:
    planned = read_plan(plan)
    wider = DoseOptions(with_prior_treatment=True, pool_dose_models=True)
    state = compare_with_plan(planned, describe_asked(read_question(wider, planned)), ())
    assert "with_prior_treatment: planned no, done yes" in state.deviations
    assert "pool_dose_models: planned no, done yes" in state.deviations
    text = plan.read_text(encoding="utf-8")
    plan.write_text(f"{text}with_prior_treatment = true\npool_dose_models = true\n")
    planned = read_plan(plan)
    question = read_question(DoseOptions(), planned)
    assert question.with_prior_treatment
    assert question.pool_dose_models
    state = compare_with_plan(planned, describe_asked(question), ())
    assert state.deviations == ("the plan was not locked before looking",)
    plan.write_text(f'{text}with_prior_treatment = "yes"\n')
    with pytest.raises(RefusedInputError, match="true or false"):
        read_plan(plan)
    plan.write_text(text.replace("horizon_years = 5", "horizon_years = true"))
    with pytest.raises(RefusedInputError, match="needs a number as horizon_years"):
        read_plan(plan)


@pytest.mark.parametrize("name", ["nosuch", "vision:9/9", "vision"])
def test_what_it_is_set_against_is_known_beforehand(name: str) -> None:
    with pytest.raises(UsageError, match="--against"):
        choose_against("local_failure", name)


def test_an_end_point_is_not_set_against_itself() -> None:
    with pytest.raises(UsageError, match="the end point itself"):
        choose_against("death", "death")
    assert choose_against("death", "none") is None
    assert choose_against("death", "vision:6/60") == "vision:6/60"


def test_a_dose_model_is_of_recorded_doses_only() -> None:
    with pytest.raises(UsageError, match="a recomputed dose has none"):
        read_question(DoseOptions("death", "apex:recomputed", dose_model="monte_carlo"), None)
