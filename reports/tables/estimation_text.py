"""The answer of ``afterplaque estimate`` as text for a terminal."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, is_dataclass
from typing import Any

from reports.render.text import lay_out_table


def lay_out_answer(answer: Mapping[str, Any]) -> str:
    """Lay an answer out: groups, values at times, tests, differences, warnings."""
    percent = f"{100 * answer['level']:g} %"
    by = answer["interval"]
    limits = "no limits" if by is None else f"{percent} limits by {by}"
    blocks = [f"{answer['method']}, {limits}", _lay_out_groups(answer)]
    for part in (_lay_out_times, _lay_out_weibull, _lay_out_tests, _lay_out_differences):
        text = part(answer)
        if text:
            blocks.append(text)
    if "completeness" in answer:
        from reports.tables.estimation_completeness import lay_out_completeness

        blocks.append(lay_out_completeness(answer["completeness"]))
    if "second_opinion" in answer:
        from reports.tables.second_opinion import lay_out_opinions

        blocks.append(lay_out_opinions(answer["second_opinion"]))
    if "standardised" in answer:
        from reports.tables.estimation_standardised import lay_out_standardised

        blocks.append(lay_out_standardised(answer["standardised"]))
    if not any(_times_of(group) for group in answer["groups"]):
        blocks.append("Values at times: --at 1,2,5. Whole curves: --json.")
    blocks += [f"Warning: {warning}" for warning in answer["warnings"]]
    return "\n\n".join(blocks)


def show_number(value: object) -> str:
    """Show a number to four figures, a dash for what does not exist.

    Examples
    --------
    >>> show_number(0.78293), show_number(float("nan")), show_number(12345)
    ('0.7829', '–', '12345')
    """
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return "–"
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _as_mapping(value: Any) -> Mapping[str, Any]:
    return asdict(value) if is_dataclass(value) and not isinstance(value, type) else value or {}


def _show_quantile(value: Any) -> str:
    quantile = _as_mapping(value)
    centre = show_number(quantile.get("value"))
    if centre == "–":
        known_to_lie = quantile["lower"] is not None and quantile.get("value") is None
        centre = "between" if known_to_lie else "not reached"
    return f"{centre} ({show_number(quantile['lower'])} to {show_number(quantile['upper'])})"


def _lay_out_groups(answer: Mapping[str, Any]) -> str:
    first = answer["groups"][0]
    columns: dict[str, str] = {"group": "group", "n": "n", "events": "events"}
    if "person_time" in first:
        columns["person_time"] = "person-time"
    for key, heading in (("median", "median"), ("median_follow_up", "median follow-up")):
        if key in first:
            columns[key] = heading
    if first.get("restricted_mean") is not None:
        until = show_number(_as_mapping(first["restricted_mean"])["until"])
        columns["restricted_mean"] = f"mean to {until} (se)"
    if "effective_n" in first:
        columns["effective_n"] = "effective n"
    rows = [[_show_cell(key, group[key]) for key in columns] for group in answer["groups"]]
    return lay_out_table(list(columns.values()), rows)


def _show_cell(key: str, value: Any) -> str:
    if key in ("median", "median_follow_up"):
        return _show_quantile(value)
    if key == "restricted_mean":
        mean = _as_mapping(value)
        return f"{show_number(mean['value'])} ({show_number(mean['se'])})"
    return show_number(value)


def _times_of(group: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any]]]:
    if "causes" in group:
        return [(str(cause["cause"]), row) for cause in group["causes"] for row in cause["at"]]
    return [("", row) for row in group["at"]]


def _lay_out_times(answer: Mapping[str, Any]) -> str:
    found = [
        (str(group["group"]), cause, row)
        for group in answer["groups"]
        for cause, row in _times_of(group)
    ]
    if not found:
        return ""
    keys = [
        key for key in ("time", "at_risk", "estimate", "se", "lower", "upper") if key in found[0][2]
    ]
    if answer["method"] in ("interval-censored", "illness-death"):
        keys.remove("se")
    if answer["method"] == "illness-death":
        keys += ["above", "lost", "dead", "loss_if_no_one_died"]
    has_causes = any(cause for _, cause, _ in found)
    headings = [
        "group",
        *(["cause"] if has_causes else []),
        *(key.replace("_", " ") for key in keys),
    ]
    rows = [
        [group, *([cause] if has_causes else []), *(_show_of_row(row, key) for key in keys)]
        for group, cause, row in found
    ]
    return lay_out_table(headings, rows)


def _lay_out_weibull(answer: Mapping[str, Any]) -> str:
    found = [
        (str(group["group"]), row)
        for group in answer["groups"]
        for row in group.get("weibull", {}).get("at", [])
    ]
    if not found:
        return ""
    keys = ("time", "estimate", "lower", "upper")
    rows = [[name, *(show_number(row[key]) for key in keys)] for name, row in found]
    return "Weibull beside it\n" + lay_out_table(["group", *keys], rows)


def _show_of_row(row: Mapping[str, Any], key: str) -> str:
    """A value; inside a mass interval the bounds of the estimate, and always confidence limits."""
    if row.get("is_inside_mass_interval") and key == "estimate":
        return f"{show_number(row['lower'])} to {show_number(row['upper'])}"
    return show_number(row.get(f"limit_{key}", row[key]))


def _lay_out_tests(answer: Mapping[str, Any]) -> str:
    if not answer["tests"]:
        return ""
    rows = [
        [
            test["name"] + (f", cause {test['cause']}" if test.get("cause") is not None else ""),
            show_number(test["statistic"]),
            test["df"],
            show_number(test["p"]),
        ]
        for test in answer["tests"]
    ]
    return lay_out_table(["test", "chi-squared", "df", "p"], rows)


def _lay_out_differences(answer: Mapping[str, Any]) -> str:
    if not answer.get("differences"):
        return ""
    rows = []
    for one in answer["differences"]:
        cause = f", cause {one['cause']}" if "cause" in one else ""
        rows.append(
            [
                f"{one['quantity']}{cause}",
                show_number(one.get("time", one.get("until"))),
                " − ".join(one["groups"]),
                *(show_number(one[key]) for key in ("value", "se", "lower", "upper", "p")),
            ]
        )
    headings = ["difference of", "at", "groups", "value", "se", "lower", "upper", "p"]
    return lay_out_table(headings, rows)
