"""Settings take what they mean and nothing else."""

from __future__ import annotations

import json

import pytest

from analysis.implants.decay import HALF_LIVES
from registry.errors import RefusedInputError
from registry.settings import (
    DEFAULT_VISIT_SCHEDULE,
    HALF_LIFE_SOURCES,
    SETTINGS,
    default_settings,
    write_value,
)

SCHEDULE = [{"every_months": 3, "until_years": 2}, {"every_months": 12, "until_years": None}]
GROWTH = {"height_fraction": 0.2, "height_mm": 1, "lateral_mm": 0.5, "height_not_before_days": 0}


def test_the_sources_of_half_lives_are_those_that_have_values() -> None:
    assert set(HALF_LIFE_SOURCES) == set(HALF_LIVES)


def test_every_default_is_accepted_and_every_setting_has_one() -> None:
    defaults = default_settings("invented")
    assert set(defaults) == set(SETTINGS)
    for name, value in defaults.items():
        assert json.loads(write_value(name, value)) == json.loads(json.dumps(value))


def test_the_default_schedule_is_the_one_of_the_coms() -> None:
    # COMS protocol: every 6 months for 5 years, then yearly (Ophthalmology 2001;108:348, Report 19)
    assert [tuple(step.values()) for step in DEFAULT_VISIT_SCHEDULE] == [(6, 5), (12, None)]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("half_life_source", "ENSDF"),
        ("visit_schedule", SCHEDULE),
        ("visit_schedule", SCHEDULE[1:]),
        ("growth_rule", GROWTH),
    ],
)
def test_a_setting_takes_what_it_means(name: str, value: object) -> None:
    assert json.loads(write_value(name, value)) == value


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("half_life_source", "a table somewhere"),
        ("half_life_source", 107),
        ("visit_schedule", []),
        ("visit_schedule", SCHEDULE[:1]),
        ("visit_schedule", [*SCHEDULE, SCHEDULE[1]]),
        ("visit_schedule", [SCHEDULE[0], SCHEDULE[0], SCHEDULE[1]]),
        ("visit_schedule", [{"every_months": 0, "until_years": None}]),
        ("visit_schedule", [{"every_months": True, "until_years": None}]),
        ("visit_schedule", [{"every_months": 6}]),
        ("visit_schedule", "6 months"),
        ("growth_rule", GROWTH | {"height_mm": 0}),
        ("growth_rule", GROWTH | {"height_not_before_days": -1}),
        ("growth_rule", {"height_mm": 0.5}),
        ("growth_rule", GROWTH | {"lateral_mm": "0.25"}),
    ],
)
def test_a_setting_refuses_anything_else(name: str, value: object) -> None:
    with pytest.raises(RefusedInputError, match=f"The setting {name} takes"):
        write_value(name, value)


def test_the_centre_has_a_name_that_can_be_seen() -> None:
    with pytest.raises(RefusedInputError, match="line break"):
        write_value("centre_id", "north\nwest")
    assert write_value("centre_id", " north ") == '"north"'
