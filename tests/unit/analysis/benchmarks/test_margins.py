"""Margins are decided beforehand, with who says so."""

from __future__ import annotations

from datetime import date

import pytest

from analysis.benchmarking.margins import read_margins
from registry.errors import RefusedInputError

CUT = date(2024, 12, 31)
TEXT = """[[margin]]
end_point = "local_failure"
ratio = 1.5
source = "minutes of the department"
decided_on = 2020-01-31
"""


def test_a_margin_is_read_with_its_file_hash() -> None:
    margins = read_margins(TEXT, "margins.toml", CUT)
    found = margins.find("local_failure")
    assert found is not None
    assert (found.ratio, found.decided_on) == (1.5, date(2020, 1, 31))
    assert margins.find("death") is None
    # sha256sum of the text above (GNU coreutils)
    assert margins.sha256 == "0aae250a08a1e7194cb62be03cd0d028bf3cbfec46634374169d4314d3d3a057"


def test_a_date_may_stand_in_quotes_as_in_a_standards_file() -> None:
    quoted = TEXT.replace("2020-01-31", '"2020-01-31"')
    found = read_margins(quoted, "margins.toml", CUT).find("local_failure")
    assert found is not None
    assert found.decided_on == date(2020, 1, 31)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("2020-01-31", "2025-01-01", "no later than the data cut"),
        ("2020-01-31", '"2020"', "a date"),
        ("2020-01-31", "2020", "a date"),
        ("2020-01-31", "2020-01-31T10:00:00", "a date"),
        ("1.5", "1.0", "above 1"),
        ("1.5", "true", "above 1"),
        ("local_failure", "regrowth", "one of local_failure"),
        ('source = "minutes of the department"', "", "all of them given"),
        ("minutes of the department", " ", "who decided"),
        ("[[margin]]", "[margin]", "tables and nothing else"),
        ("ratio = 1.5", "ratio = ", "no TOML"),
    ],
)
def test_what_is_no_margin_beforehand_is_refused(old: str, new: str, said: str) -> None:
    with pytest.raises(RefusedInputError, match=said) as refused:
        read_margins(TEXT.replace(old, new), "margins.toml", CUT)
    assert refused.value.where["file"] == "margins.toml"


def test_two_margins_for_one_end_point_are_refused() -> None:
    with pytest.raises(RefusedInputError, match="two margins for local_failure"):
        read_margins(TEXT + TEXT, "margins.toml", CUT)
