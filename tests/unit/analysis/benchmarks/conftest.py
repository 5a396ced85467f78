"""Puts the invented departments of this folder within reach of its tests."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from benchmark_tables import build_outcome, build_table

from analysis.outcomes.outcome import Outcome, OutcomeTable


@pytest.fixture
def table_of() -> Callable[..., OutcomeTable]:
    return build_table


@pytest.fixture
def outcome_of() -> Callable[..., Outcome]:
    return lambda *args, **how: build_outcome(build_table(*args, **how))
