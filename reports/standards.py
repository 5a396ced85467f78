"""The standards file: what a department promised itself before it looked at the data.

A TOML file of the department's own. ``[primary]`` names the one primary end point and its time;
each ``[[standard]]`` is a target for the share free of an end point at a time.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.outcomes.end_points import END_POINTS
from registry.errors import RefusedInputError


@dataclass(frozen=True, slots=True)
class Primary:
    """The primary end point of the audit and the time at which it is read."""

    end_point: str = "local_failure"
    years: float = 5.0
    decided: bool = False


@dataclass(frozen=True, slots=True)
class Standard:
    """A target: at least ``at_least`` (a fraction) free of ``end_point`` at ``years``."""

    name: str
    end_point: str
    years: float
    at_least: float
    source: str
    decided_on: str


@dataclass(frozen=True, slots=True)
class Standards:
    """The primary end point and the targets; empty when the department stated none."""

    primary: Primary = Primary()
    targets: tuple[Standard, ...] = ()


def judge(target: Standard, lower: float | None, upper: float | None) -> str:
    """Say whether a target is "met", "not met" or "cannot tell" from the interval of the free side.

    >>> judge(Standard("a", "local_failure", 5, 0.9, "", ""), 0.85, 0.96)
    'cannot tell'
    """
    if lower is None or upper is None:
        return "cannot tell"
    if lower >= target.at_least:
        return "met"
    return "not met" if upper < target.at_least else "cannot tell"


def _refuse(path: Path, place: str, problem: str) -> RefusedInputError:
    return RefusedInputError(f"{path.name}: {place}: {problem}", file=path.name, entry=place)


def _end_point(path: Path, place: str, entry: dict[str, Any]) -> str:
    name = entry.get("end_point", "local_failure")
    if name not in END_POINTS:
        raise _refuse(path, place, f"end_point {name!r} is not one of {', '.join(END_POINTS)}.")
    return str(name)


def _number(path: Path, place: str, entry: dict[str, Any], key: str, high: float) -> float:
    value = entry.get(key)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not 0 < float(value) <= high:  # type: ignore[arg-type]
        raise _refuse(path, place, f"{key} must be a number above 0 and up to {high:g}.")
    return float(value)  # type: ignore[arg-type]


def read_standards(path: Path) -> Standards:
    """Read a standards file.

    Raises
    ------
    RefusedInputError
        For a file that cannot be read, or an entry that is unknown, missing or out of range.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise RefusedInputError(
            f"{path.name} cannot be read as a standards file (TOML): {type(error).__name__}.",
            file=path.name,
        ) from None
    unknown = set(content) - {"primary", "standard"}
    if unknown:
        raise _refuse(path, sorted(unknown)[0], "known are [primary] and [[standard]].")
    primary = content.get("primary", {})
    chosen = Primary(
        _end_point(path, "[primary]", primary),
        _number(path, "[primary]", primary, "years", 50) if primary else 5.0,
        decided=bool(primary),
    )
    targets = []
    for number, entry in enumerate(content.get("standard", []), start=1):
        place = f"[[standard]] {number}"
        for key in ("name", "source", "decided_on"):
            if not str(entry.get(key, "")).strip():
                raise _refuse(path, place, f"{key} is missing; a target needs name, source, date.")
        targets.append(
            Standard(
                name=str(entry["name"]),
                end_point=_end_point(path, place, entry),
                years=_number(path, place, entry, "years", 50),
                at_least=_number(path, place, entry, "at_least", 1),
                source=str(entry["source"]),
                decided_on=str(entry["decided_on"]),
            )
        )
    return Standards(chosen, tuple(targets))
