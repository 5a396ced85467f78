"""Standards files: what is read, what is refused and where, and the three verdicts."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from registry.errors import RefusedInputError
from reports.results.standards import Standard, judge, read_standards

GOOD = """
[primary]
end_point = "eye_loss"
years = 3

[[standard]]
name = "Eye kept"
end_point = "eye_loss"
years = 3
at_least = 0.9
source = "invented"
decided_on = "2020-01-01"
"""
TARGET = Standard("a", "local_failure", 5, 0.9, "b", date(2020, 1, 1))


def written(folder: Path, text: str) -> Path:
    path = folder / "standards.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_standards_file_is_read(tmp_path: Path) -> None:
    standards = read_standards(written(tmp_path, GOOD))
    assert (standards.primary.end_point, standards.primary.years) == ("eye_loss", 3.0)
    assert standards.primary.decided
    assert standards.targets[0].at_least == 0.9


def test_an_empty_file_states_nothing(tmp_path: Path) -> None:
    standards = read_standards(written(tmp_path, ""))
    assert not standards.primary.decided
    assert standards.targets == ()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("at_least = 0.9", "at_least = 90"), "at_least must be a number above 0 and up to 1"),
        (("at_least = 0.9", "at_least = true"), "at_least must be a number"),
        (("years = 3\nat_least", "years = -1\nat_least"), "years must be a number above 0"),
        (('"Eye kept"', '" "'), "name is missing"),
        (('source = "invented"', ""), "source is missing"),
        (('"2020-01-01"', '"soon"'), "decided_on must be a date"),
        (("[primary]", "[first]"), "known are"),
        (('end_point = "eye_loss"\nyears = 3\nat', 'end_point = "pain"\nyears = 3\nat'), "'pain'"),
        (("[[standard]]", "[[standard"), "cannot be read"),
    ],
)
def test_a_faulty_file_is_refused_with_its_place(
    tmp_path: Path, change: tuple[str, str], said: str
) -> None:
    text = GOOD.replace(*change)
    assert text != GOOD
    with pytest.raises(RefusedInputError, match=said.replace("[", r"\[")) as refusal:
        read_standards(written(tmp_path, text))
    assert refusal.value.where["file"] == "standards.toml"


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RefusedInputError, match="cannot be read"):
        read_standards(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("lower", "upper", "verdict"),
    [
        (0.90, 0.99, "met"),
        (0.80, 0.95, "cannot tell"),
        (0.80, 0.90, "cannot tell"),
        (0.70, 0.89, "not met"),
        (None, None, "cannot tell"),
    ],
)
def test_the_verdict_needs_the_whole_interval(
    lower: float | None, upper: float | None, verdict: str
) -> None:
    assert judge(TARGET, lower, upper) == verdict


REFERENCE = """
[[reference]]
end_point = "eye_loss"
curve = "standard"
source = "department meeting"
decided_on = 2019-06-30
"""


def test_a_reference_for_results_in_time_order_is_read(tmp_path: Path) -> None:
    standards = read_standards(written(tmp_path, GOOD + REFERENCE))
    found = standards.reference_of("eye_loss")
    assert found is not None
    assert (found.curve, found.decided_on.isoformat()) == ("standard", "2019-06-30")
    assert standards.reference_of("death") is None


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('curve = "standard"', "", "curve is missing"),
        ("2019-06-30", '"last year"', "decided_on must be a date"),
        ('end_point = "eye_loss"\ncurve', 'end_point = "death"\ncurve', "no .*standard.* of death"),
        ('source = "department meeting"', "", "source is missing"),
    ],
)
def test_what_is_no_reference_is_refused(tmp_path: Path, old: str, new: str, said: str) -> None:
    with pytest.raises(RefusedInputError, match=said):
        read_standards(written(tmp_path, GOOD + REFERENCE.replace(old, new)))


def test_two_references_of_one_end_point_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RefusedInputError, match="two for eye_loss"):
        read_standards(written(tmp_path, GOOD + REFERENCE + REFERENCE))
