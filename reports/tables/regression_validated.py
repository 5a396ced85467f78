"""``regress --validate``: how well a model ranks and fits, with the optimism taken off."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.errors import UsageError

if TYPE_CHECKING:
    from analysis.models.calibration import CalibrationGroup
    from analysis.models.regression import RegressionRows
    from reports.tables.regression import RegressionQuestion

MODELS = ("cox", "firth-cox", "logistic")


def check_validation(question: RegressionQuestion) -> None:
    """Refuse what cannot be validated.

    Raises
    ------
    UsageError
        Names the option.
    """
    if question.calibrate_at is not None and not question.validate:
        raise UsageError("--calibrate-at needs --validate.", option="--calibrate-at")
    if not question.validate:
        return
    if question.model not in MODELS:
        raise UsageError(
            f"--validate goes with --model {', '.join(MODELS)}, not {question.model}.",
            option="--validate",
        )
    for option, given in (
        ("--entry", question.entry), ("--strata", question.strata),
        ("--imputations", question.imputations), ("--spline", question.splines),
    ):  # fmt: skip
        if given:
            raise UsageError(
                "--validate resamples rows that are all at risk from time zero, in one model fitted"
                f" once: it does not go with {option}.",
                option="--validate",
            )
    if question.calibrate_at is not None and (
        question.model == "logistic" or not question.calibrate_at > 0
    ):
        raise UsageError(
            "--calibrate-at takes a time above 0, for --model cox or firth-cox.",
            option="--calibrate-at",
        )


def validate(rows: RegressionRows, question: RegressionQuestion) -> dict[str, Any]:
    """Return C (or the area under the curve), calibration slope and calibration at a time."""
    from dataclasses import asdict

    import numpy as np

    from analysis.models.calibration import calibrate_cox
    from analysis.models.discrimination import validate_cox, validate_logistic
    from analysis.models.optimism import too_narrow

    event, matrix = rows.status == 1, rows.frame.matrix
    rng, samples = np.random.default_rng(question.seed), question.validate
    penalised = question.model == "firth-cox"
    if rows.time is None:
        found = validate_logistic(
            matrix, event, cluster=rows.cluster, level=question.level, resamples=samples, rng=rng
        )
    else:
        found = validate_cox(
            matrix, rows.time, event, penalised=penalised, ties=question.ties,
            cluster=rows.cluster, level=question.level, resamples=samples, rng=rng,
        )  # fmt: skip
    described = asdict(found)
    described["c"]["corrected"] = found.c.corrected
    described["slope"]["corrected"] = found.slope.corrected
    events = int(event.sum()) if rows.time is not None else int(min(event.sum(), (~event).sum()))
    said = too_narrow(events, matrix.shape[1]) if found.has_limits else ""
    described["warnings"] = [said] if said else []
    described["level"] = question.level
    described["drawn"] = "rows" if question.cluster is None else f"clusters of {question.cluster}"
    described["seed"] = question.seed
    if rows.time is not None and question.calibrate_at is not None:
        groups = calibrate_cox(
            matrix, rows.time, event, question.calibrate_at, penalised=penalised,
            ties=question.ties, cluster=rows.cluster, level=question.level, resamples=samples,
            rng=np.random.default_rng(question.seed),
        )  # fmt: skip
        described["calibration"] = {
            "time": question.calibrate_at,
            "groups": [_describe_group(one) for one in groups],
        }
    return described


def _describe_group(group: CalibrationGroup) -> dict[str, Any]:
    """One group of a calibration, ready for JSON."""
    from dataclasses import asdict

    return asdict(group) | {
        "corrected": group.corrected,
        "corrected_lower": group.corrected_lower,
        "corrected_upper": group.corrected_upper,
    }


def lay_out_validation(found: dict[str, Any]) -> str:
    """Lay it out for a person."""
    from reports.render.text import lay_out_table

    limits = f"{100 * found['level']:g} % limits"
    measures = (("C", found["c"]), ("calibration slope", found["slope"]))
    rows = [
        [
            name, *(f"{one[part]:.4f}" for part in ("apparent", "optimism", "corrected")),
            _limits(one["corrected_lower"], one["corrected_upper"]),
        ]
        for name, one in measures
    ]  # fmt: skip
    said = (
        f"Validation by {found['fitted']} of {found['resamples']} bootstrap samples of"
        f" {found['drawn']}\n"
        + lay_out_table(["measure", "as it appears", "optimism", "corrected", limits], rows)
        + "".join(f"\nLimits of {name}: {one['interval']}" for name, one in measures)
        + "".join(f"\nNote: {warning}" for warning in found["warnings"])
    )
    if "calibration" not in found:
        return said
    groups = [
        [
            str(one["n"]), str(one["events"]), f"{one['predicted']:.4f}",
            _with_limits(one["observed"], one["lower"], one["upper"]),
            _with_limits(one["corrected"], one["corrected_lower"], one["corrected_upper"]),
        ]
        for one in found["calibration"]["groups"]
    ]  # fmt: skip
    headings = ["n", "events", "predicted", "observed (1 − Kaplan–Meier)", "less optimism"]
    return f"{said}\nCalibration at {found['calibration']['time']:g}\n" + lay_out_table(
        headings, groups
    )


def _limits(lower: float, upper: float) -> str:
    return "–" if lower != lower else f"{lower:.4f} to {upper:.4f}"


def _with_limits(value: float, lower: float, upper: float) -> str:
    return "–" if value != value else f"{value:.4f} ({_limits(lower, upper)})"
