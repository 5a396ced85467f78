"""From the options of ``dose-response`` and its plan to the question asked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.errors import UsageError
from reports.options.estimate_options import check_level, split_list
from reports.studies.dose_plan import (
    ALPHA_BETA_GY,
    REPAIR_HALF_TIME_HOURS,
    DosePlan,
    read_rbe,
    say_rbe,
)

if TYPE_CHECKING:
    from analysis.dose_effect.dose_rows import DoseQuestion


@dataclass(frozen=True, slots=True)
class DoseOptions:
    """The options as given; None where one was left out."""

    end_point: str | None = None
    dose: str | None = None
    adjust: list[str] | None = None
    horizon: float | None = None
    exclude: list[str] | None = None
    method: str | None = None
    dose_model: str | None = None
    pool_dose_models: bool = False
    level: float | None = None
    alpha_beta: float | None = None
    repair_half_time: float | None = None
    rbe: list[str] | None = None
    with_prior_treatment: bool = False


def read_question(options: DoseOptions, plan: DosePlan | None) -> DoseQuestion:
    """Put the question together: options first, then the plan, then the defaults.

    Raises
    ------
    UsageError
        No end point or dose; a value that cannot be read or lies outside its range.
    """
    from analysis.dose_effect.dose_rows import DEFAULT_ADJUST, DoseQuestion
    from analysis.implants.radiobiology import RepairModel

    end_point = options.end_point or (plan.end_point if plan else None)
    dose = options.dose or (plan.dose if plan else None)
    if end_point is None or dose is None:
        missing = "--end-point" if end_point is None else "--dose"
        raise UsageError(f"Give {missing}, or a --plan that says it.", option=missing)
    adjust = plan.adjust if plan else DEFAULT_ADJUST
    if options.adjust is not None:
        names = split_list(options.adjust)
        adjust = () if names == ["none"] else tuple(dict.fromkeys(names))
    exclude = plan.exclusions if plan and options.exclude is None else split_list(options.exclude)
    years = _given(options.horizon, plan.horizon_years if plan else 5.0)
    level = _given(options.level, plan.level if plan else 0.95)
    check_level(level)
    alpha_beta = _given(options.alpha_beta, plan.alpha_beta_gy if plan else ALPHA_BETA_GY)
    half_time = _given(
        options.repair_half_time, plan.repair_half_time_hours if plan else REPAIR_HALF_TIME_HOURS
    )
    for value, right, option in (
        (years, 0 < years <= 50, "--horizon"),
        (alpha_beta, alpha_beta > 0, "--alpha-beta"),
        (half_time, half_time >= 0, "--repair-half-time"),
    ):
        if not right:
            raise UsageError(f"{option} is out of range: {value:g}.", option=option)
    if options.dose_model and dose.endswith(":recomputed"):
        raise UsageError(
            "--dose-model keeps recorded doses of one model; a recomputed dose has none.",
            option="--dose-model",
        )
    rbe = list(plan.rbe) if plan and options.rbe is None else split_list(options.rbe)
    return DoseQuestion(
        end_point,
        dose,
        adjust,
        years,
        tuple(read_exclusion(part) for part in exclude),
        options.method or (plan.method if plan else "auto"),
        options.dose_model or (plan.dose_model if plan else "") or None,
        options.pool_dose_models or (plan.pool_dose_models if plan else False),
        level,
        RepairModel(alpha_beta, half_time),
        read_rbe(rbe),
        options.with_prior_treatment or (plan.with_prior_treatment if plan else False),
    )


def _given(value: float | None, otherwise: float) -> float:
    return float(otherwise if value is None else value)


def read_exclusion(text: str) -> tuple[str, str]:
    """Read FIELD=VALUE.

    >>> read_exclusion("isotope=I-125")
    ('isotope', 'I-125')
    """
    name, sign, value = (part.strip() for part in text.partition("="))
    if not (name and sign and value):
        raise UsageError(f"--exclude {text}: write FIELD=VALUE.", option="--exclude")
    return name, value


def choose_against(end_point: str, asked: str | None) -> str | None:
    """Return the end point of the trade-off: vision against control, control against harm.

    Raises
    ------
    UsageError
        There is no such end point, or it is the one asked about.
    """
    if asked is not None:
        if asked == end_point:
            raise UsageError(
                f"--against {asked} is the end point itself: name another, or none.",
                option="--against",
            )
        return None if asked == "none" else _known_end_point(asked)
    controls = ("local_failure", "eye_loss", "metastasis", "death", "melanoma_death")
    return "vision:6/60" if end_point in controls else "local_failure"


def _known_end_point(name: str) -> str:
    from analysis.dose_effect.dose_rows import find_vision_level
    from analysis.outcomes.end_points import find_end_point

    try:
        if find_vision_level(name) is None:
            find_end_point(name)
    except UsageError as error:
        raise UsageError(f"--against {name}: {error.message}", option="--against") from None
    return name


def describe_asked(question: DoseQuestion) -> dict[str, Any]:
    """Return what was asked by the names of a plan's fields, to be held against the plan."""
    return {
        "end_point": question.end_point,
        "dose": question.dose,
        "horizon_years": question.horizon_years,
        "adjust": question.adjust,
        "exclusions": tuple(f"{name}={value}" for name, value in question.exclude),
        "method": question.method,
        "dose_model": question.dose_model or "",
        "level": question.level,
        "alpha_beta_gy": question.repair.alpha_beta_gy,
        "repair_half_time_hours": question.repair.repair_half_time_hours,
        "rbe": say_rbe(question.rbe),
        "pool_dose_models": question.pool_dose_models,
        "with_prior_treatment": question.with_prior_treatment,
    }
