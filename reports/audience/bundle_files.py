"""Bundles as JSON files, with a checksum over what they say; read strictly."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Any

from analysis.benchmarking.bundles import GRID_DAYS, LAST_YEAR, NOT_LATE, Bundle, Cell
from registry.errors import RefusedInputError
from reports.audience.bundle_suppression import SuppressedBundle, SuppressedStratum, range_of

SCHEMA_VERSION = 1
OPEN, SUPPRESSED = "open", "suppressed"
SHARED = ("centre", "end_point", "definition", "data_cut", "strata_by")


def write_bundle(bundle: Bundle | SuppressedBundle, content_hash: str) -> str:
    """Write a bundle as JSON text.

    Parameters
    ----------
    content_hash
        Of the registry that it was counted from; only in an open bundle.
    """
    said: dict[str, Any] = {name: getattr(bundle, name) for name in SHARED}
    if isinstance(bundle, Bundle):
        said |= {
            "kind": OPEN,
            "content_hash": content_hash,
            "grid_days": list(bundle.grid_days),
            "left_out": bundle.left_out,
            "cells": [list(asdict(cell).values()) for cell in bundle.cells],
            "person_days": {name: list(days) for name, days in bundle.person_days.items()},
        }
    else:
        said |= {"kind": SUPPRESSED, "strata": [asdict(one) for one in bundle.strata]}
    said = {"schema_version": SCHEMA_VERSION, **said}
    return json.dumps({"bundle": said, "sha256": _checksum(said)}, ensure_ascii=False, indent=1)


def _checksum(said: dict[str, Any]) -> str:
    text = json.dumps(said, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def read_bundle(path: Path) -> Bundle | SuppressedBundle:
    """Read a bundle file.

    Raises
    ------
    RefusedInputError
        When it cannot be read, is not whole, was changed, or is of another schema or grid.
    """

    def refuse(problem: str) -> RefusedInputError:
        return RefusedInputError(f"{path.name} {problem}", file=path.name)

    try:
        written = path.read_text(encoding="utf-8")
    except OSError as error:
        raise refuse(f"cannot be read: {error.strerror}.") from None
    except UnicodeDecodeError:
        raise refuse("cannot be read as a bundle; `afterplaque share` makes one.") from None
    try:
        content = json.loads(written)
        said, checksum = content["bundle"], content["sha256"]
        kind, version = said["kind"], said["schema_version"]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise refuse("cannot be read as a bundle; `afterplaque share` makes one.") from None
    if checksum != _checksum(said):
        raise refuse("is not what was written: its checksum differs. Ask the centre for it again.")
    if version != SCHEMA_VERSION or kind not in (OPEN, SUPPRESSED):
        raise refuse(
            f"is of schema {version!r} and kind {kind!r}; this program reads schema"
            f" {SCHEMA_VERSION}, {OPEN} or {SUPPRESSED}."
        )
    try:
        date.fromisoformat(said["data_cut"])
        if not said["centre"].strip():
            raise ValueError("centre")
        made = _rebuild_open(said) if kind == OPEN else _rebuild_suppressed(said)
    except (ValueError, KeyError, TypeError, AttributeError, AssertionError):
        raise refuse("is not a whole bundle: a part is missing or of another kind.") from None
    if isinstance(made, Bundle) and made.grid_days != GRID_DAYS:
        raise refuse("was counted on another grid than this program's.")
    return made


def _rebuild_open(said: dict[str, Any]) -> Bundle:
    cells = tuple(Cell(str(c[0]), *(_whole(x) for x in c[1:])) for c in said["cells"])
    days = {str(k): tuple(float(x) for x in v) for k, v in said["person_days"].items()}
    ticks = range(len(GRID_DAYS))
    for c in cells:
        is_late = NOT_LATE <= c.entry_tick < c.tick
        if c.tick not in ticks or c.count < 1 or c.status < 0 or not is_late:
            raise ValueError("cells")
    if {c.stratum for c in cells} != set(days):
        raise ValueError("strata")
    for spent in days.values():
        if len(spent) != len(GRID_DAYS) - 1 or not all(0 <= x < math.inf for x in spent):
            raise ValueError("person_days")
    return Bundle(
        **{name: str(said[name]) for name in SHARED},
        grid_days=tuple(float(day) for day in said["grid_days"]),
        cells=cells,
        person_days=days,
        left_out=_whole(said["left_out"]),
        content_hash=str(said["content_hash"]),
    )


def _whole(value: object) -> int:
    """Return a whole number that is written as one: 1.5 people are nobody's count."""
    if not isinstance(value, int) or isinstance(value, bool):
        raise TypeError("not a whole number")
    return value


def _rebuild_suppressed(said: dict[str, Any]) -> SuppressedBundle:
    strata = tuple(
        SuppressedStratum(
            str(one["stratum"]),
            tuple(one["at_risk"]),
            tuple(one["events"]),
            tuple(int(x) for x in one["person_years"]),
        )
        for one in said["strata"]
    )
    for one in strata:
        if {len(one.at_risk), len(one.events), len(one.person_years)} != {LAST_YEAR}:
            raise ValueError("years")
        for value in (*one.at_risk, *one.events):
            range_of(value)
    return SuppressedBundle(**{name: str(said[name]) for name in SHARED}, strata=strata)
