"""What ``afterplaque vision`` answers: analysed vision as plain values, times in years."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from typing import Any

from analysis.estimators.group_tests import list_tests
from analysis.outcomes.outcome import OutcomeTable
from analysis.outcomes.vision import Vision, VisionGroup
from analysis.outcomes.vision_definition import ESTIMATION_IN_WORDS, definition_in_words
from analysis.outcomes.vision_history import NOT_AT_RISK
from registry.csv_cells import defuse_row
from reports.answers.outcome_answer import ROW_HEADINGS, describe_group
from reports.page.vision_curves import Banded, followed_at, kept_band, loss_band

BOUNDS = {
    "unconfirmed last visit counts": "upper, for what the unconfirmed last visit can change",
    "unconfirmed last visit ignored": "lower, for what the unconfirmed last visit can change",
}


def _rows(group: VisionGroup, band: Banded, times: Sequence[float] | None) -> list[dict[str, Any]]:
    wanted = None if times is None else set(times)
    return [
        {
            "time": float(time),
            "at_risk": followed_at(group, float(time)),
            "estimate": float(value),
            "lower": float(low),
            "upper": float(high),
        }
        for time, value, low, high in zip(
            group.times_years, band.estimate, band.lower, band.upper, strict=True
        )
        if (wanted is None and not math.isnan(value)) or (wanted is not None and time in wanted)
    ]


def _describe_illness_death(group: VisionGroup, at: Sequence[float]) -> dict[str, Any] | None:
    fit = group.illness_death
    if fit is None:
        return None
    band = loss_band(group)
    return {
        "estimates": "cumulative incidence of loss, death competing; loss between visits",
        "interval": band.interval or None,
        "level": group.limits.level if group.limits else None,
        "resamples": group.limits.resamples if group.limits else 0,
        "resamples_failed": group.limits.failed if group.limits else 0,
        "n": fit.n,
        "losses_seen": fit.losses_seen,
        "deaths": fit.deaths,
        "deaths_after_seen_loss": fit.deaths_after_seen_loss,
        "person_years": fit.person_time,
        "last_reading": group.last_reading_years,
        "knots": {name: list(knots) for name, knots in fit.knots.items()},
        "intensity_per_year": {name: rate.tolist() for name, rate in fit.intensity.items()},
        "log_likelihood": fit.log_likelihood,
        "is_converged": fit.is_converged,
        "notes": list(group.notes),
        "curve": _rows(group, band, None),
        "at": _rows(group, band, at),
    }


def _describe_occupation(group: VisionGroup, at: Sequence[float]) -> dict[str, Any] | None:
    occupation = group.occupation
    if occupation is None:
        return None
    band = kept_band(group)
    others = ("lost", "dead", "death_without_loss", "loss_if_no_one_died")

    def with_others(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
        place = {float(time): k for k, time in enumerate(group.times_years)}
        return [
            row | {name: float(getattr(occupation, name)[place[row["time"]]]) for name in others}
            for row in rows
        ]

    return {
        "estimates": "share alive, eye kept, no confirmed loss so far",
        "interval": band.interval or None,
        "level": group.limits.level if group.limits else None,
        "curve": with_others(_rows(group, band, None)),
        "at": with_others(_rows(group, band, at)),
    }


def _describe_if_no_one_died(group: VisionGroup, at: Sequence[float]) -> dict[str, Any] | None:
    """Give the NPMLE as ``estimate`` gives it: survival, with bootstrap limits where drawn.

    Inside a mass interval ``estimate`` is None, and ``lowest`` and ``highest`` bound survival.
    """
    found = group.npmle
    if found is None:
        return None
    curve = [
        {"from": float(low), "to": float(high), "mass": float(mass), "estimate": float(after)}
        for low, high, mass, after in zip(
            found.lower, found.upper, found.mass, found.survival, strict=True
        )
    ]
    read = found.at(list(at))
    limits = group.npmle_limits
    place = {float(time): k for k, time in enumerate(group.times_years)}
    rows = [
        {
            "time": float(time),
            "at_risk": followed_at(group, float(time)),
            "estimate": float(read.estimate[k]),
            "lowest": float(read.lowest[k]),
            "highest": float(read.highest[k]),
            "lower": float(limits.lower[place[time]]) if limits else math.nan,
            "upper": float(limits.upper[place[time]]) if limits else math.nan,
        }
        for k, time in enumerate(at)
    ]
    return {
        "estimates": "survival without loss if no one died (nonparametric, interval-censored)",
        "n": found.n,
        "events": found.events,
        "log_likelihood": found.log_likelihood,
        "interval": "bootstrap over patients, percentile" if limits else None,
        "curve": curve,
        "at": rows,
    }


def _describe_whole(group: VisionGroup, at: Sequence[float]) -> dict[str, Any]:
    return {
        "illness_death": _describe_illness_death(group, at),
        "if_no_one_died": _describe_if_no_one_died(group, at),
        "state_occupation": _describe_occupation(group, at),
    }


def describe_vision(vision: Vision, at_years: Sequence[float]) -> dict[str, Any]:
    """Describe analysed vision: as an end point, with the three estimates of vision added.

    The three stand in every group, and once more beside the groups for the whole cohort.

    Parameters
    ----------
    at_years
        Times at which the curves are read; they were among those asked of the analysis.
    """
    names = vision.end_point.cause_names

    def describe(group: VisionGroup) -> dict[str, Any]:
        return describe_group(group.outcome, names, at_years) | _describe_whole(group, at_years)

    return {
        "command": "vision",
        "end_point": vision.level.name,
        "level": {
            "kind": vision.level.kind,
            "written": vision.level.written,
            "letters": vision.level.letters,
        },
        "unit": "eye",
        "definition": definition_in_words(vision.level, vision.vision_rules),
        "estimation": ESTIMATION_IN_WORDS,
        "data_cut": vision.cut.event_date,
        "by": vision.grouping.by if vision.grouping else None,
        "flow": list(vision.flow),
        "groups": [describe(group) for group in vision.groups],
        **_describe_whole(vision.whole, at_years),
        "tests": list_tests(vision.tests),
        "sensitivity": [
            {
                "name": variant.name,
                "words": variant.words,
                "bound": BOUNDS.get(variant.name),
                "groups": [describe(group) for group in variant.groups],
            }
            for variant in vision.sensitivity
        ],
        "warnings": list(vision.warnings),
    }


def _blank_or_days(value: float) -> str:
    return "" if math.isnan(value) else str(int(value))


def _row(table: OutcomeTable, row: int, group: str) -> dict[str, object]:
    return {
        "unit_id": table.unit_id[row],
        "patient_id": table.patient_id[row],
        "group": group,
        "entry_days": int(table.entry_days[row]),
        "time_days": int(table.time_days[row]),
        "status": int(table.status[row]),
        "status_name": "loss" if table.status[row] else "censored",
        "last_known_free_days": int(table.last_known_free_days[row]),
        "first_known_event_days": _blank_or_days(table.first_known_event_days[row]),
        "death_days": _blank_or_days(table.death_days[row]),
        "baseline_included": "yes",
        "vital_known_days": int(table.vital_known_days[row]),
    }


def _defuse(row: dict[str, Any]) -> dict[str, Any]:
    return dict(zip(row, defuse_row(row.values()), strict=True))


def write_vision_rows(vision: Vision) -> str:
    """Write the analysis table as CSV, a row an eye of the cohort.

    The loss lies after ``last_known_free_days`` and not after ``first_known_event_days``. An eye
    that is not at risk has ``baseline_included`` "no", its reason as ``status_name``, and no times.
    """
    text = io.StringIO()
    writer = csv.DictWriter(text, ROW_HEADINGS, restval="", lineterminator="\n")
    writer.writeheader()
    for group in vision.groups:
        table = group.outcome.table
        writer.writerows(_defuse(_row(table, row, group.group)) for row in range(table.n))
    eyes = vision.histories
    for row in range(eyes.n):
        if eyes.reason[row]:
            reason = NOT_AT_RISK[int(eyes.reason[row]) - 1].format(
                window=vision.vision_rules.baseline_window_days, level=vision.level.level_words
            )
            named = {"unit_id": eyes.unit_id[row], "patient_id": eyes.patient_id[row]}
            writer.writerow(_defuse(named | {"baseline_included": "no", "status_name": reason}))
    return text.getvalue()
