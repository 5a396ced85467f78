"""Settings that definitions depend on, kept with the records and versioned like them.

A setting's value is stored as JSON text. Defaults are recorded when a registry is created, so an
old registry keeps the meaning it was recorded under when a later program has other defaults.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from registry.errors import RefusedInputError


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
            Setting("half_life_source", "Where the half-lives come from", "text", _is_text),
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
        "half_life_source": "ICRP Publication 107 (2008)",
        "course_gap_days": 90,
        "baseline_window_days": 90,
        "confirmation_days": 28,
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
    return json.dumps(value, sort_keys=True, ensure_ascii=False, allow_nan=False)


def read_value(text: str) -> Any:
    """Read a setting's value from its JSON text."""
    return json.loads(text)
