"""Settings that definitions depend on, kept with the records and versioned like them.

A setting's value is stored as JSON text. Defaults are recorded when a registry is created, so an
old registry keeps the meaning it was recorded under when a later program has other defaults.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import Any

from registry.errors import RefusedInputError
from registry.free_text import check_free_text

HALF_LIFE_SOURCES = ("ICRP Publication 107 (2008)", "ENSDF")
"""The sources of half-lives that a registry may name; :mod:`analysis.implants.decay` holds their
values."""

DEFAULT_VISIT_SCHEDULE: tuple[Mapping[str, float | None], ...] = (
    MappingProxyType({"every_months": 6, "until_years": 5}),
    MappingProxyType({"every_months": 12, "until_years": None}),
)
"""Every 6 months for 5 years, then yearly: the schedule of the COMS (Report 19)."""

DEFAULT_GROWTH_RULE: Mapping[str, float] = MappingProxyType(
    {
        "height_fraction": 0.15,
        "height_mm": 0.5,
        "lateral_mm": 0.25,
        "height_not_before_days": 183,
    }
)
"""Growth at two successive visits, by height or laterally; values from memory."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting: what it means and which values it takes."""

    name: str
    meaning: str
    allowed: str
    accepts: Callable[[Any], bool]


def _is_days(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 3650


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_off_chart_mapping(value: Any) -> bool:
    levels = ["CF", "HM", "LP", "NLP"]
    if not isinstance(value, Mapping) or sorted(value) != sorted(levels):
        return False
    steps = [value[level] for level in levels]
    return all(map(_is_number, steps)) and steps == sorted(steps) and -0.5 <= steps[0] <= 3.5


def _is_half_life_source(value: Any) -> bool:
    return isinstance(value, str) and value in HALF_LIFE_SOURCES


def _is_visit_schedule(value: Any) -> bool:
    """Whether it is a list of ``{"every_months": m, "until_years": y}``, the last one open."""
    keys = {"every_months", "until_years"}
    if not isinstance(value, list | tuple) or not value:
        return False
    if not all(isinstance(step, Mapping) and set(step) == keys for step in value):
        return False
    gaps, ends = ([step[name] for step in value] for name in ("every_months", "until_years"))
    if ends[-1] is not None or not all(map(_is_number, [*gaps, *ends[:-1]])):
        return False
    rising = all(low < high for low, high in pairwise([0, *ends[:-1]]))
    return rising and all(0 < gap <= 60 for gap in gaps)


def _is_growth_rule(value: Any) -> bool:
    if not isinstance(value, Mapping) or set(value) != set(DEFAULT_GROWTH_RULE):
        return False
    return all(map(_is_number, value.values())) and all(
        (number >= 0 if name == "height_not_before_days" else number > 0)
        for name, number in value.items()
    )


_DAYS = "a whole number of days from 1 to 3650"

SETTINGS = MappingProxyType(
    {
        setting.name: setting
        for setting in (
            Setting("centre_id", "The centre that keeps this registry", "text", _is_text),
            Setting(
                "off_chart_logmar",
                "logMAR given to counting fingers, hand movements, light perception and none",
                "a logMAR for each of CF, HM, LP and NLP, in rising order from -0.5 to 3.5",
                _is_off_chart_mapping,
            ),
            Setting(
                "half_life_source",
                "Where the half-lives come from",
                " or ".join(repr(name) for name in HALF_LIFE_SOURCES),
                _is_half_life_source,
            ),
            Setting(
                "course_gap_days",
                "Implants on one tumour that start within this many days are one course",
                _DAYS,
                _is_days,
            ),
            Setting(
                "baseline_window_days",
                "Baseline acuity is the last in this many days up to insertion",
                _DAYS,
                _is_days,
            ),
            Setting(
                "confirmation_days",
                "A loss of acuity is confirmed by a visit at least this many days later",
                _DAYS,
                _is_days,
            ),
            Setting(
                "visit_schedule",
                "How often a treated eye is to be examined, by years since treatment",
                'a list of {"every_months": ..., "until_years": ...}, the years rising and the'
                " last until_years null",
                _is_visit_schedule,
            ),
            Setting(
                "growth_rule",
                "From which growth at two successive visits a tumour is looked at again",
                f"a number for each of {', '.join(DEFAULT_GROWTH_RULE)}",
                _is_growth_rule,
            ),
        )
    }
)
"""Every setting by name."""


def default_settings(centre_id: str) -> dict[str, Any]:
    """Return the settings that a new registry records."""
    from registry.acuity import DEFAULT_OFF_CHART_LOGMAR

    return {
        "centre_id": centre_id,
        "off_chart_logmar": {k: float(v) for k, v in DEFAULT_OFF_CHART_LOGMAR.items()},
        "half_life_source": HALF_LIFE_SOURCES[0],
        "course_gap_days": 90,
        "baseline_window_days": 90,
        "confirmation_days": 28,
        "visit_schedule": [dict(step) for step in DEFAULT_VISIT_SCHEDULE],
        "growth_rule": dict(DEFAULT_GROWTH_RULE),
    }


def write_value(name: str, value: Any) -> str:
    """Write a setting's value as JSON text.

    Raises
    ------
    RefusedInputError
        When there is no such setting, or it does not take this value.

    Examples
    --------
    >>> write_value("course_gap_days", 120)
    '120'
    """
    if name not in SETTINGS:
        raise RefusedInputError(
            f"There is no setting {name!r}. Settings are {', '.join(SETTINGS)}.", setting=name
        )
    setting = SETTINGS[name]
    if not setting.accepts(value):
        raise RefusedInputError(
            f"The setting {name} takes {setting.allowed}; {value!r} is not.", setting=name
        )
    if name == "centre_id":
        value = check_free_text(value, what="The centre's name", option=name)
    return json.dumps(value, sort_keys=True, ensure_ascii=False, allow_nan=False)


def read_value(text: str) -> Any:
    """Read a setting's value from its JSON text."""
    return json.loads(text)
