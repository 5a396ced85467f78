"""Margins: how much worse than a published rate would still be acceptable, decided beforehand.

A TOML file of ``[[margin]]`` tables: ``end_point``, ``ratio`` (a failure rate of up to that many
times the published one is acceptable; above 1), ``source`` and ``decided_on``. A margin decided
after the data cut was not decided beforehand, so it is refused.
"""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from datetime import date

from analysis.outcomes.end_points import END_POINTS
from analysis.outcomes.vision_levels import level_named
from registry.errors import RefusedInputError

KEYS = ("end_point", "ratio", "source", "decided_on")


@dataclass(frozen=True, slots=True)
class Margin:
    """An acceptable ratio to the published rate, with who says so and since when."""

    end_point: str
    ratio: float
    source: str
    decided_on: date


@dataclass(frozen=True, slots=True)
class Margins:
    """The margins of a file, one an end point at most, and the SHA-256 of the file."""

    margins: tuple[Margin, ...] = ()
    sha256: str = ""

    def find(self, end_point: str) -> Margin | None:
        """Return the margin of an end point, or None."""
        return next((one for one in self.margins if one.end_point == end_point), None)


def read_margins(text: str, name: str, data_cut: date) -> Margins:
    """Read a margins file.

    Raises
    ------
    RefusedInputError
        For text that is no TOML, an unknown or missing entry, a ratio outside (1, 10], two margins
        for one end point, or one decided after the data cut.

    Examples
    --------
    >>> text = '''[[margin]]
    ... end_point = "local_failure"
    ... ratio = 1.5
    ... source = "department meeting"
    ... decided_on = 2020-01-31'''
    >>> read_margins(text, "margins.toml", date(2024, 12, 31)).find("local_failure").ratio
    1.5
    """
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RefusedInputError(f"{name} is no TOML: {error}.", file=name) from None
    entries = content.get("margin")
    if set(content) != {"margin"} or not isinstance(entries, list):
        raise RefusedInputError(f"{name} holds [[margin]] tables and nothing else.", file=name)
    margins = tuple(
        _read_margin(entry, f"{name}, [[margin]] {number}", name, data_cut)
        for number, entry in enumerate(entries, start=1)
    )
    names = [margin.end_point for margin in margins]
    twice = next((one for one in names if names.count(one) > 1), None)
    if twice:
        raise RefusedInputError(f"{name} has two margins for {twice}; keep one.", file=name)
    return Margins(margins, hashlib.sha256(text.encode("utf-8")).hexdigest())


def _read_margin(entry: dict[str, object], place: str, name: str, data_cut: date) -> Margin:
    def refuse(key: str, allowed: str) -> RefusedInputError:
        return RefusedInputError(f"{place}: {key} must be {allowed}.", file=name, entry=key)

    if set(entry) != set(KEYS):
        raise refuse("each entry", f"one of {', '.join(KEYS)}, all of them given")
    end_point = str(entry["end_point"])
    if end_point not in END_POINTS and level_named(end_point) is None:
        raise refuse("end_point", f"one of {', '.join(END_POINTS)}, or vision_at_least_6_60 ...")
    ratio = entry["ratio"]
    if isinstance(ratio, bool) or not isinstance(ratio, int | float) or not 1 < ratio <= 10:
        raise refuse("ratio", "a number above 1 and up to 10, such as 1.5")
    if not isinstance(entry["source"], str) or not entry["source"].strip():
        raise refuse("source", "a text saying who decided, and why")
    decided = _read_day(entry["decided_on"])
    if decided is None:
        raise refuse("decided_on", "a date such as 2024-01-31")
    if decided > data_cut:
        raise refuse(
            "decided_on",
            f"no later than the data cut, {data_cut.isoformat()}: a margin set after the results"
            " could be seen is none",
        )
    return Margin(end_point, float(ratio), entry["source"].strip(), decided)


def _read_day(found: object) -> date | None:
    """Read a date of TOML, or the same written as a text; None for anything else."""
    if type(found) is date:
        return found
    try:
        return date.fromisoformat(found) if isinstance(found, str) else None
    except ValueError:
        return None
