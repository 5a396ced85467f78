"""What ``afterplaque dose-response`` answers: the figures as plain values."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from analysis.dose_effect.censoring_weights import READING_WORDS
from analysis.dose_effect.dose_horizon import CurveAtHorizon
from analysis.dose_effect.dose_models import Ratio
from analysis.dose_effect.dose_power import DetectableEffect
from analysis.dose_effect.dose_response import DoseResponse, Refused
from analysis.dose_effect.dose_validation import ModelValidation
from analysis.models.dose_curve import Quantity
from reports.studies.dose_plan import PlanState
from reports.studies.question_log import QuestionCount


def describe_answer(
    answer: DoseResponse, plan: PlanState | None, count: QuestionCount
) -> dict[str, Any]:
    """Describe an answered question."""
    rows, question = answer.rows, answer.question
    return {
        "command": "dose-response",
        "question": question.words(),
        "end_point": question.end_point,
        "unit": rows.end_point.unit,
        "dose": {
            "name": rows.field.name,
            "words": rows.field.words,
            "source": rows.source,
            "unit": rows.field.unit,
            "per": rows.field.per,
        },
        "adjust": question.adjust,
        "horizon_years": question.horizon_years,
        "level": question.level,
        "data_cut": answer.cut.event_date,
        "flow": rows.flow,
        "n": rows.n,
        "events": rows.events,
        "method": answer.method,
        "models": [describe_ratio(one) for one in answer.models],
        "imputed": describe_ratio(answer.imputed) if answer.imputed else None,
        "curves": [
            {"adjustment": adjustment, "reading": reading, "means": READING_WORDS[reading]}
            | (_refused(curve) or describe_curve(curve))  # type: ignore[arg-type]
            for (adjustment, reading), curve in answer.curves.items()
        ],
        "spline": _refused(answer.spline) or _plain(answer.spline),
        "rare_events": _describe_rare(answer),
        "confounding": _refused(answer.confounding) or _describe_confounding(answer),
        "e_value": _refused(answer.e_value) or _plain(answer.e_value),
        "assumed_causes": [asdict(cause) for cause in answer.causes],
        "other_doses": [
            {"dose": name} | (_refused(one) or describe_ratio(one))  # type: ignore[arg-type]
            for name, one in answer.other_doses
        ],
        "bed": _describe_bed(answer),
        "against": _describe_against(answer),
        "smallest_detectable": _described(answer.power, _describe_power),
        "dose_error": _described(answer.error, _plain),
        "validation": _described(answer.validation, _describe_validation),
        "plan": None if plan is None else asdict(plan),
        "questions_tried": asdict(count),
        "warnings": answer.warnings,
    }


def _refused(part: object) -> dict[str, str] | None:
    return {"refused": part.reason} if isinstance(part, Refused) else None


def _described(part: Any, describe: Any) -> Any:
    if part is None:
        return None
    return _refused(part) or describe(part)


def _plain(part: Any) -> dict[str, Any]:
    made: dict[str, Any] = asdict(part)
    return made


def describe_ratio(one: Ratio) -> dict[str, Any]:
    """Describe one model's ratio per step of dose."""
    described = _plain(one)
    if one.is_estimable:
        described.pop("refused")
    return described


def describe_quantity(quantity: Quantity) -> dict[str, Any]:
    """Describe D50, γ50 and the like, or why there is none."""
    described: dict[str, Any] = {
        "value": quantity.value,
        "lower": quantity.lower,
        "upper": quantity.upper,
        "estimable": quantity.is_estimable,
    }
    return described if quantity.is_estimable else described | {"reason": quantity.reason}


def describe_curve(curve: CurveAtHorizon) -> dict[str, Any]:
    """Describe the curve at the horizon, its weights included."""
    weights = curve.outcome.weight[curve.outcome.known]
    return {
        "horizon_years": curve.outcome.horizon,
        "adjusted_for": curve.adjusted_for,
        "interval": curve.interval,
        "level": curve.level,
        "n": len(curve.outcome.known),
        "known": curve.fit.n,
        "events": curve.fit.events,
        "followed_to_horizon": curve.outcome.at_horizon,
        "effective_n": curve.fit.effective_n,
        "weights": {
            "least": float(weights.min()),
            "median": float(np.median(weights)),
            "largest": float(weights.max()),
        },
        "terms": [
            {"term": term, "coef": float(coef), "se": float(se)}
            for term, coef, se in zip(
                curve.fit.coefficients.terms,
                curve.fit.coefficients.coef,
                curve.fit.coefficients.robust_se
                if curve.fit.coefficients.robust_se is not None
                else curve.fit.coefficients.se,
                strict=True,
            )
        ],
        "d50": describe_quantity(curve.d50),
        "gamma50": describe_quantity(curve.gamma50),
        "dose_for_control": [
            {"control": share} | describe_quantity(quantity)
            for share, quantity in curve.doses_for_control
        ],
        "risk_difference_between_quartiles": describe_quantity(curve.risk_difference),
        "dose_range": {"low": curve.dose_low, "high": curve.dose_high},
        "curve": [
            {"dose": d, "risk": r, "lower": low, "upper": up}
            for d, r, low, up in zip(curve.dose, curve.risk, curve.lower, curve.upper, strict=True)
        ],
    }


def _describe_rare(answer: DoseResponse) -> dict[str, Any]:
    if isinstance(answer.rare, Refused):
        return {"refused": answer.rare.reason}
    rare = answer.rare
    return describe_ratio(rare.ratio) | {
        "edges_years": rare.edges,
        "risk_at_quartiles": [
            {"dose": dose, "risk": risk} for dose, risk in zip(rare.dose, rare.risk, strict=True)
        ],
    }


def _describe_confounding(answer: DoseResponse) -> dict[str, Any]:
    assert not isinstance(answer.confounding, Refused)
    found = answer.confounding
    described = _plain(found)
    weighted = found.propensity.ratio
    described["propensity"]["ratio"] = describe_ratio(weighted) if weighted else None
    return described


def _describe_bed(answer: DoseResponse) -> dict[str, Any] | None:
    """The stated parameters of a BED, and the answer as each of them varies."""
    if not answer.rows.field.is_bed:
        return None
    repair = answer.question.repair
    return {
        "alpha_beta_gy": repair.alpha_beta_gy,
        "repair_half_time_hours": repair.repair_half_time_hours,
        "rbe": dict(answer.question.rbe),
        "sensitivity": [
            {
                "parameter": one.parameter,
                "value": one.value,
                "median_bed_gy": one.median_bed_gy,
                "per_step": describe_ratio(one.ratio) if one.ratio else None,
                "third_against_first_quartile": {
                    "ratio": one.quartile_ratio,
                    "lower": one.quartile_lower,
                    "upper": one.quartile_upper,
                },
            }
            | ({"refused": one.refused} if one.refused else {})
            for one in answer.bed_sensitivity
        ],
    }


def _describe_against(answer: DoseResponse) -> dict[str, Any] | None:
    if answer.against is None:
        return None
    if isinstance(answer.against, Refused):
        return {"refused": answer.against.reason}
    rows, curve = answer.against
    head = {"end_point": rows.end_point.name, "n": rows.n, "events": rows.events}
    return head | (_refused(curve) or describe_curve(curve))  # type: ignore[arg-type]


def _describe_power(power: DetectableEffect) -> dict[str, Any]:
    return _plain(power) | {
        "ratio_below": float(np.exp(-power.coef)),
        "ratio_above": float(np.exp(power.coef)),
        "formula_ratio_above": float(np.exp(power.formula)),
    }


def _describe_validation(found: ModelValidation) -> dict[str, Any]:
    described = _plain(found)
    measured: dict[str, Any] = described.pop("discrimination")
    measured["c"]["corrected"] = found.discrimination.c.corrected
    measured["slope"]["corrected"] = found.discrimination.slope.corrected
    for group, plain in zip(found.calibration, described["calibration"], strict=True):
        plain["corrected"] = group.corrected
        plain["corrected_lower"] = group.corrected_lower
        plain["corrected_upper"] = group.corrected_upper
    if not found.refused:
        described.pop("refused")
    else:
        described["calibration"] = {"refused": described.pop("refused")}
    return described | measured
