"""``regress --validate``: how well a model ranks and fits, with the optimism taken off."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.errors import UsageError

if TYPE_CHECKING:
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

    event, matrix = rows.status == 1, rows.frame.matrix
    rng, samples = np.random.default_rng(question.seed), question.validate
    if rows.time is None:
        found = validate_logistic(matrix, event, resamples=samples, rng=rng)
    else:
        penalised = question.model == "firth-cox"
        found = validate_cox(
            matrix, rows.time, event, penalised=penalised, resamples=samples, rng=rng
        )
    described = asdict(found)
    described["c"]["corrected"] = found.c.corrected
    described["slope"]["corrected"] = found.slope.corrected
    described["seed"] = question.seed
    if rows.time is not None and question.calibrate_at is not None:
        groups = calibrate_cox(
            matrix, rows.time, event, question.calibrate_at, penalised=penalised,
            level=question.level, resamples=samples, rng=np.random.default_rng(question.seed),
        )  # fmt: skip
        described["calibration"] = {
            "time": question.calibrate_at,
            "groups": [asdict(one) | {"corrected": one.corrected} for one in groups],
        }
    return described


def lay_out_validation(found: dict[str, Any]) -> str:
    """Lay it out for a person."""
    from reports.render.text import lay_out_table

    rows = [
        [name, *(f"{found[key][part]:.4f}" for part in ("apparent", "optimism", "corrected"))]
        for name, key in (("C", "c"), ("calibration slope", "slope"))
    ]
    said = (
        f"Validation by {found['fitted']} of {found['resamples']} bootstrap samples\n"
        + lay_out_table(["measure", "as it appears", "optimism", "corrected"], rows)
    )
    if "calibration" not in found:
        return said
    groups = [
        [
            str(one["n"]), str(one["events"]), f"{one['predicted']:.4f}",
            f"{one['observed']:.4f} ({one['lower']:.4f} to {one['upper']:.4f})",
            f"{one['corrected']:.4f}",
        ]
        for one in found["calibration"]["groups"]
    ]  # fmt: skip
    headings = ["n", "events", "predicted", "observed (1 − Kaplan–Meier)", "less optimism"]
    return f"{said}\nCalibration at {found['calibration']['time']:g}\n" + lay_out_table(
        headings, groups
    )
