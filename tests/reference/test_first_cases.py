"""First cases against later ones: R's poisson.test, printed by r/first_cases.R."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from analysis.benchmarking.unit_comparison import UnitOverExpected, compare_first_cases
from analysis.counts.exact_counts import observed_over_expected

R = json.loads((Path(__file__).parent / "r" / "first_cases.json").read_text())


def number(value: Any) -> float:
    """JSON has no infinity; R writes "Inf"."""
    return math.inf if value == "Inf" else float(value)


@pytest.mark.parametrize("row", R["rows"], ids=lambda row: str(row["events"]))
def test_ratio_and_limits_are_those_of_poisson_test(row: dict[str, Any]) -> None:
    pairs = zip(row["events"], row["expected"], strict=True)
    first, later = (observed_over_expected(int(seen), due) for seen, due in pairs)
    # the later cases in two bands, which count together
    half = later.observed // 2
    bands = [
        UnitOverExpected("first", 20, first),
        UnitOverExpected("b", 20, observed_over_expected(half, later.expected / 4)),
        UnitOverExpected(
            "c", 20, observed_over_expected(later.observed - half, later.expected * 3 / 4)
        ),
    ]
    found = compare_first_cases(bands)
    assert found is not None
    assert found.ratio == pytest.approx(number(row["ratio"]), rel=1e-10)
    assert found.lower == pytest.approx(number(row["lower"]), rel=1e-9, abs=1e-12)
    assert found.upper == pytest.approx(number(row["upper"]), rel=1e-9)
