"""The answer of ``afterplaque regress`` as text for a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from reports.render.text import lay_out_table
from reports.tables.regression_extras import lay_out_e_values
from reports.tables.regression_standardised import lay_out_standardised_risks
from reports.tables.regression_validated import lay_out_validation
from reports.tables.second_opinion import lay_out_opinions


def lay_out_regression(payload: Mapping[str, Any]) -> str:
    """Lay an answer out: terms, tests, what was asked besides, references, notes."""
    likelihood = ""
    if payload["log_likelihood"] is not None:
        kind, value = payload["log_likelihood_kind"], payload["log_likelihood"]
        likelihood = f", {kind} log-likelihood {value:.4f}"
    parts = [
        f"{payload['model']}: n = {payload['n']}, events = {payload['events']}"
        f"{likelihood}; limits: {payload['interval']}",
        _lay_out_terms(payload),
    ]
    if payload["tests"]:
        tests = [
            [t["name"], t["term"], _number(t["statistic"]), str(t["df"]), _number(t["p"])]
            for t in payload["tests"]
        ]
        parts.append(lay_out_table(["test", "term", "chi-squared", "df", "p"], tests))
    if "second_opinion" in payload:
        parts.append(lay_out_opinions(payload["second_opinion"]))
    if "validation" in payload:
        parts.append(lay_out_validation(payload["validation"]))
    if "e_values" in payload:
        parts.append(lay_out_e_values(payload["e_values"]))
    if "standardised" in payload:
        parts.append(lay_out_standardised_risks(payload["standardised"]))
    parts += [f"Reference of {k}: {v}" for k, v in payload["references"].items()]
    parts += [f"Knots of {k}: {', '.join(map(_number, v))}" for k, v in payload["knots"].items()]
    parts += [f"Note: {warning}" for warning in payload["warnings"]]
    return "\n".join(parts)


def _number(value: float | None) -> str:
    return "–" if value is None or value != value else f"{value:.4g}"


def _lay_out_terms(payload: Mapping[str, Any]) -> str:
    """Lay out coefficients and ratios, a term a row."""
    logistic = "logistic" in payload["model"]
    hazard = "subdistribution hazard ratio" if payload["model"] == "fine-gray" else "hazard ratio"
    ratio = "odds ratio" if logistic else hazard
    limits = f"{100 * payload['level']:g} % limits"
    rows = [
        [
            t["term"],
            _number(t["coef"]),
            _number(t["se"] if t["robust_se"] is None else t["robust_se"]),
            _number(t["ratio"]),
            f"{_number(t['lower'])} to {_number(t['upper'])}",
            _number(t["p"]),
        ]
        for t in payload["terms"]
    ]
    return lay_out_table(["term", "coef", "SE", ratio, limits, "p"], rows)
