"""A plan for a dose–response question, locked before looking, as a TOML file.

Fields: ``question`` (in words), ``end_point``, ``dose``, ``horizon_years``, ``adjust`` (list),
``exclusions`` (list of FIELD=VALUE), ``method`` (auto, cox, firth-cox), ``dose_model``, ``level``,
``alpha_beta_gy``, ``repair_half_time_hours``, ``rbe`` (list of ISOTOPE=VALUE),
``pool_dose_models`` and ``with_prior_treatment`` (true or false), ``decided_on`` (a day) and
``locked_hash``; what a plan leaves out is as by default. Locking adds the last: the
SHA-256 of the others in a fixed form, so that spaces and order do not count. That the lock came
before the looks is told by the log of questions beside the registry, where the lock is entered too.
"""

from __future__ import annotations

import hashlib
import json
import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from registry.errors import RefusedInputError, UsageError
from registry.records import TABLES
from reports.studies.question_log import ASKED, LOCKED, LoggedLook

FIELDS: dict[str, tuple[type, ...]] = {
    "question": (str,),
    "end_point": (str,),
    "dose": (str,),
    "horizon_years": (int, float),
    "adjust": (list,),
    "exclusions": (list,),
    "method": (str,),
    "dose_model": (str,),
    "level": (int, float),
    "alpha_beta_gy": (int, float),
    "repair_half_time_hours": (int, float),
    "rbe": (list,),
    "pool_dose_models": (bool,),
    "with_prior_treatment": (bool,),
    "decided_on": (date,),
    "locked_hash": (str,),
}
NEEDED = ("question", "end_point", "dose", "horizon_years", "adjust", "decided_on")
METHODS = ("auto", "cox", "firth-cox")
ALPHA_BETA_GY, REPAIR_HALF_TIME_HOURS = 10.0, 1.5


@dataclass(frozen=True, slots=True)
class DosePlan:
    """A plan as written. ``content_hash`` is worked out; ``locked_hash`` empty until locked."""

    question: str
    end_point: str
    dose: str
    horizon_years: float
    adjust: tuple[str, ...]
    exclusions: tuple[str, ...]
    method: str
    decided_on: str
    locked_hash: str
    content_hash: str
    dose_model: str = ""
    level: float = 0.95
    alpha_beta_gy: float = ALPHA_BETA_GY
    repair_half_time_hours: float = REPAIR_HALF_TIME_HOURS
    rbe: tuple[str, ...] = ()
    pool_dose_models: bool = False
    with_prior_treatment: bool = False

    @property
    def is_locked(self) -> bool:
        """Whether it is locked and unchanged since."""
        return self.locked_hash == self.content_hash


@dataclass(frozen=True, slots=True)
class PlanState:
    """What a report says of its plan: ``state`` in words, the hash, every deviation."""

    question: str
    state: str
    locked_hash: str
    locked_at: str
    looks_before_lock: int | None
    deviations: tuple[str, ...]


def hash_plan(fields: dict[str, Any]) -> str:
    """SHA-256 over the plan's fields but ``locked_hash``, in a fixed form."""
    plain = {
        name: value.isoformat() if isinstance(value, date) else value
        for name, value in fields.items()
        if name != "locked_hash"
    }
    if "horizon_years" in plain:
        plain["horizon_years"] = float(plain["horizon_years"])
    text = json.dumps(plain, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def read_plan(path: Path) -> DosePlan:
    """Read a plan.

    Raises
    ------
    RefusedInputError
        The file cannot be read, is no TOML, or a field is missing, unknown or of the wrong kind;
        the message names it.
    """
    fields = _read_fields(path)
    return DosePlan(
        question=fields["question"],
        end_point=fields["end_point"],
        dose=fields["dose"],
        horizon_years=float(fields["horizon_years"]),
        adjust=tuple(fields["adjust"]),
        exclusions=tuple(fields.get("exclusions", [])),
        method=fields.get("method", "auto"),
        decided_on=fields["decided_on"].isoformat(),
        locked_hash=fields.get("locked_hash", ""),
        content_hash=hash_plan(fields),
        dose_model=fields.get("dose_model", ""),
        level=float(fields.get("level", 0.95)),
        alpha_beta_gy=float(fields.get("alpha_beta_gy", ALPHA_BETA_GY)),
        repair_half_time_hours=float(fields.get("repair_half_time_hours", REPAIR_HALF_TIME_HOURS)),
        rbe=say_rbe(read_rbe(fields.get("rbe", []))),
        pool_dose_models=fields.get("pool_dose_models", False),
        with_prior_treatment=fields.get("with_prior_treatment", False),
    )


def read_rbe(parts: Sequence[str]) -> tuple[tuple[str, float], ...]:
    """Read ISOTOPE=VALUE, each isotope once, in the order of their names.

    Raises
    ------
    UsageError
        No such isotope, stated twice, or no number from 0.1 to 10.

    Examples
    --------
    >>> read_rbe(["Ru-106=1", "I-125=1.2"])
    (('I-125', 1.2), ('Ru-106', 1.0))
    """
    known = TABLES["applicator"].field("isotope").codes
    found: dict[str, float] = {}
    for part in parts:
        name, _, number = (piece.strip() for piece in part.partition("="))
        try:
            value = float(number)
        except ValueError:
            value = math.nan
        if name not in known or name in found or not 0.1 <= value <= 10:
            raise UsageError(
                f"{part}: write ISOTOPE=VALUE, each of {', '.join(known)} at most once and a"
                " value from 0.1 to 10.",
                option="--rbe",
            )
        found[name] = value
    return tuple(sorted(found.items()))


def say_rbe(rbe: tuple[tuple[str, float], ...]) -> tuple[str, ...]:
    """Return it as a plan writes it."""
    return tuple(f"{name}={value:g}" for name, value in rbe)


def _read_fields(path: Path) -> dict[str, Any]:
    def refuse(what: str, field: str = "") -> RefusedInputError:
        where = {"file": str(path)} | ({"field": field} if field else {})
        return RefusedInputError(f"The plan {path.name} {what}", **where)

    try:
        fields = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise refuse(f"cannot be read: {error.strerror}.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise refuse(f"is not TOML: {error}.") from None
    for name in fields:
        if name not in FIELDS:
            raise refuse(f"has an unknown field {name}; known are {', '.join(FIELDS)}.", name)
    for name in NEEDED:
        if name not in fields:
            raise refuse(f"lacks the field {name}.", name)
    for name, value in fields.items():
        wrong = not isinstance(value, FIELDS[name]) or isinstance(value, datetime)
        wrong |= isinstance(value, bool) and FIELDS[name] != (bool,)
        if wrong or (isinstance(value, list) and any(not isinstance(x, str) for x in value)):
            kind = {
                date: "a day (2024-05-01, no quotes)", list: "a list of texts", str: "a text",
                bool: "true or false",
            }  # fmt: skip
            raise refuse(f"needs {kind.get(FIELDS[name][0], 'a number')} as {name}.", name)
    if not 0 < fields["horizon_years"] <= 50:
        raise refuse("needs horizon_years above 0 and up to 50.", "horizon_years")
    if fields.get("method", "auto") not in METHODS:
        raise refuse(f"needs one of {', '.join(METHODS)} as method.", "method")
    if not 0.5 <= fields.get("level", 0.95) < 1:
        raise refuse("needs a level from 0.5 to below 1, such as 0.95.", "level")
    if not fields.get("alpha_beta_gy", 1) > 0:
        raise refuse("needs alpha_beta_gy above 0.", "alpha_beta_gy")
    if not fields.get("repair_half_time_hours", 1) >= 0:
        raise refuse("needs repair_half_time_hours of 0 or more.", "repair_half_time_hours")
    try:
        read_rbe(fields.get("rbe", []))
    except UsageError as error:
        raise refuse(f"has an rbe that cannot be read: {error.message}", "rbe") from None
    for text in fields.get("exclusions", []):
        if not all(part.strip() for part in text.partition("=")):
            raise refuse(f"writes an exclusion as {text!r}; write FIELD=VALUE.", "exclusions")
    return fields


def lock_text(text: str, locked_hash: str) -> str:
    """Return the plan's text with its lock at the end."""
    end = "" if text.endswith("\n") or not text else "\n"
    return f'{text}{end}locked_hash = "{locked_hash}"\n'


def lock_plan(path: Path) -> tuple[DosePlan, bytes | None]:
    """Return the plan, locked, and the new content of its file (None when it was locked already).

    Raises
    ------
    RefusedInputError
        As :func:`read_plan`; the plan was locked and changed since.
    """
    plan = read_plan(path)
    if plan.is_locked:
        return plan, None
    if plan.locked_hash:
        raise RefusedInputError(
            f"The plan {path.name} was locked and has changed since (hash {plan.locked_hash[:12]}…,"
            f" now {plan.content_hash[:12]}…). Put it back, or write a new plan in a new file.",
            file=str(path),
        )
    text = lock_text(path.read_text(encoding="utf-8"), plan.content_hash)
    made = tomllib.loads(text)
    if hash_plan(made) != plan.content_hash:
        raise RefusedInputError(f"The plan {path.name} cannot take its lock.", file=str(path))
    return plan, text.encode("utf-8")


def compare_with_plan(
    plan: DosePlan, asked: dict[str, Any], looks: tuple[LoggedLook, ...]
) -> PlanState:
    """Say whether the plan was locked before looking, and every deviation from it.

    Parameters
    ----------
    plan
        The plan.
    asked
        What was really asked, by the names of the plan's fields.
    looks
        The log of questions before this look.
    """
    deviations = []
    for name, value in asked.items():
        planned = getattr(plan, name)
        if tuple(planned) != tuple(value) if isinstance(planned, tuple) else planned != value:
            deviations.append(f"{name}: planned {_said(planned)}, done {_said(value)}")
    lock = next(
        (
            place
            for place, look in enumerate(looks)
            if look.action == LOCKED and look.plan_hash == plan.locked_hash and plan.locked_hash
        ),
        None,
    )
    before = None
    if not plan.locked_hash:
        state = "not locked"
        deviations.insert(0, "the plan was not locked before looking")
    elif not plan.is_locked:
        state = "changed after locking"
        deviations.insert(0, "the plan was changed after it was locked")
    elif lock is None:
        state = "locked, but not in the log of this registry"
    else:
        before = sum(
            1 for look in looks[:lock] if look.action == ASKED and look.end_point == plan.end_point
        )
        state = "locked before looking" if before == 0 else "locked after looking"
        if before:
            deviations.insert(
                0, f"{before} looks at {plan.end_point} came before the plan was locked"
            )
    at = looks[lock].at if lock is not None else ""
    return PlanState(plan.question, state, plan.locked_hash, at, before, tuple(deviations))


def _said(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple | list):
        return ", ".join(map(str, value)) or "nothing"
    return f"{value:g}" if isinstance(value, float) else str(value)
