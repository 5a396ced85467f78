"""The answer to a dose–response question as text for a terminal."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from reports.render.text import lay_out_table


def lay_out_answer(found: Mapping[str, Any]) -> str:
    """Lay the answer of :func:`reports.answers.dose_answer.describe_answer` out as text."""
    dose = found["dose"]
    blocks = [
        f"{found['question']}\nData cut {found['data_cut']}: {found['n']} {found['unit']}s with a"
        f" dose, {found['events']} events. Ratios are per {dose['per']:g} {dose['unit']}.",
        lay_out_table(
            ["step", "left out", "kept"], [[s.step, s.left_out, s.kept] for s in found["flow"]]
        ),
        _models(found),
        *lay_out_curves(found["curves"], dose["unit"]),
        _spline(found),
        *_confounding(found),
        *_simulations(found),
        _validation(found),
        _doses(found),
        _bed(found),
        _honesty(found),
    ]
    blocks += [f"Warning: {warning}" for warning in found["warnings"]]
    return "\n\n".join(block for block in blocks if block)


def _ratio_row(name: str, one: Mapping[str, Any]) -> list[object]:
    if one.get("refused"):
        return [name, one["n"], one["events"], "not estimated", "", "", one["refused"]]
    return [
        name, one["n"], one["events"], f"{one['ratio']:.3f}", f"{one['lower']:.3f}",
        f"{one['upper']:.3f}", f"{one['p']:.3g}",
    ]  # fmt: skip


def _ratio_name(one: Mapping[str, Any]) -> str:
    said = f"adjusted for {', '.join(one['adjusted_for'])}" if one["adjusted_for"] else "unadjusted"
    return f"{one['model']}, {said} (rows: {one['rows']})"


def _models(found: Mapping[str, Any]) -> str:
    every = [*found["models"], *([found["imputed"]] if found["imputed"] else [])]
    rows = [_ratio_row(_ratio_name(one), one) for one in every]
    rare = found["rare_events"]
    if "model" in rare:
        rows.append(_ratio_row(_ratio_name(rare), rare))
    level = f"{100 * found['level']:g} %"
    headings = ["model", "n", "events", "ratio", f"{level} lower", f"{level} upper", "p"]
    return lay_out_table(headings, rows)


def _quantity(name: str, one: Mapping[str, Any], unit: str) -> str:
    if not one["estimable"]:
        return f"  {name}: not estimable: {one['reason']}"
    said = f"{one['value']:.4g} ({one['lower']:.4g} to {one['upper']:.4g})"
    return f"  {name}: {said}{' ' + unit if unit else ''}"


def lay_out_curves(curves: Sequence[Mapping[str, Any]], unit: str) -> list[str]:
    """Lay out curves at the horizon, one block each."""
    blocks = []
    for one in curves:
        head = f"At the horizon, {one['adjustment']}, {one['reading']} ({one['means']})"
        if "refused" in one:
            blocks.append(f"{head}:\n  not estimated: {one['refused']}")
            continue
        weights = one["weights"]
        lines = [
            head,
            f"  {one['events']} events, outcome known in {one['known']} of {one['n']}; weights"
            f" {weights['least']:.2f} to {weights['largest']:.2f} (median"
            f" {weights['median']:.2f}), effective n {one['effective_n']:.1f}; {one['interval']}"
            " intervals",
            _quantity("D50", one["d50"], unit),
            _quantity("gamma50", one["gamma50"], ""),
        ]
        lines += [
            _quantity(f"dose for {100 * q['control']:.0f} % free of it", q, unit)
            for q in one["dose_for_control"]
        ]
        difference = one["risk_difference_between_quartiles"]
        lines.append(_quantity("risk at third less first quartile of dose", difference, ""))
        blocks.append("\n".join(lines))
    return blocks


def _spline(found: Mapping[str, Any]) -> str:
    spline = found["spline"]
    if "refused" in spline:
        return f"Spline of dose: not fitted: {spline['refused']}"
    test = spline["test"]
    knots = ", ".join(f"{k:.4g}" for k in spline["knots"])
    return (
        f"Spline of dose ({spline['model']}, knots {knots}): non-linearity chi-square"
        f" {test['statistic']:.2f}, {test['df']} df, p = {test['p']:.3g}"
    )


def _confounding(found: Mapping[str, Any]) -> list[str]:
    facts, blocks = found["confounding"], []
    if "refused" in facts:
        blocks.append(f"Confounding by indication: not assessed: {facts['refused']}")
    else:
        lines = [
            "Confounding by indication",
            f"  R2 of dose on thickness {_two(facts['r2_thickness'])} (curved"
            f" {_two(facts['r2_thickness_curved'])}), on all covariates"
            f" {_two(facts['r2_covariates'])}; {100 * facts['overlap']:.0f} % have a dose that is"
            " given in every third of thickness",
        ]
        propensity = facts["propensity"]
        if propensity["refused"]:
            lines.append(f"  generalised propensity refused: {propensity['refused']}")
        elif propensity["ratio"]:
            lines.append("  " + " ".join(str(x) for x in _ratio_row("weighted odds ratio",
                         propensity["ratio"])))  # fmt: skip
        for one in propensity["balance"]:
            lines.append(
                f"  correlation of {one['term']} with dose {one['before']:.2f}, weighted"
                f" {one['after']:.2f}"
            )
        blocks.append("\n".join(lines))
    value = found["e_value"]
    if "refused" in value:
        blocks.append(f"E-value: none: {value['refused']}")
    else:
        blocks.append(
            f"E-value {value['estimate']:.2f}, of the limit nearer to 1 {value['limit']:.2f}: an"
            " unmeasured cause would need that risk ratio with dose and with the outcome"
        )
    arrows = [[c["source"], c["target"], c["dealt_with"]] for c in found["assumed_causes"]]
    blocks.append("Assumed causes\n" + lay_out_table(["from", "to", "dealt with"], arrows))
    return blocks


def _simulations(found: Mapping[str, Any]) -> list[str]:
    blocks = []
    power, error = found["smallest_detectable"], found["dose_error"]
    if power is None:
        blocks.append("Smallest detectable effect and dose error: not simulated (--simulations)")
    elif "refused" in power:
        blocks.append(f"Smallest detectable effect: none: {power['refused']}")
    else:
        blocks.append(
            f"Smallest effect found with {100 * power['power']:.0f} % power: ratio"
            f" {power['ratio_below']:.3f} or {power['ratio_above']:.3f} ({power['replicates']}"
            f" drawn cohorts at each effect; Schoenfeld's formula"
            f" {power['formula_ratio_above']:.3f})"
        )
    if error is not None and "refused" in error:
        blocks.append(f"Dose error: not simulated: {error['refused']}")
    elif error is not None:
        model = error["model"]
        blocks.append(
            f"Dose error (shared by plaque {100 * model['shared_sd']:.1f} %, own"
            f" {100 * model['own_sd']:.1f} %, Berkson share {100 * model['berkson_share']:.0f} %)"
            f" moves the log ratio by {error['shift']:+.3f} (simulation SE"
            f" {error['shift_se']:.3f}), so that {error['coef']:.3f} from recorded doses would"
            f" stand for {error['corrected']:.3f}; spread {error['sd_without']:.3f} without,"
            f" {error['sd_with']:.3f} with it"
            + (f"; {error['at_zero']} recorded doses of 0 stay 0" if error["at_zero"] else "")
        )
    return blocks


def _validation(found: Mapping[str, Any]) -> str:
    model = found["validation"]
    if model is None:
        return "Ranking and calibration: not resampled (--validation-samples)"
    if "refused" in model:
        return f"Ranking and calibration: not given: {model['refused']}"
    c, slope, level = model["c"], model["slope"], found["level"]
    said = (
        f"Ranking by the adjusted model ({model['model']}): Harrell's C {c['apparent']:.3f}, less"
        f" optimism {c['corrected']:.3f}{_limits_of(c, 3, level)}; calibration slope less optimism"
        f" {slope['corrected']:.2f}{_limits_of(slope, 2, level)}"
        f" ({model['fitted']} bootstrap samples)"
    )
    if model["too_narrow"]:
        said += f"\n{model['too_narrow']}"
    groups = model["calibration"]
    if "refused" in groups:
        return f"{said}\nCalibration at {model['horizon_years']:g} years: {groups['refused']}"
    rows = [
        [
            one["n"],
            one["events"],
            f"{100 * one['predicted']:.1f} %",
            f"{100 * one['observed']:.1f} %"
            f" ({100 * one['lower']:.1f} % to {100 * one['upper']:.1f} %)",
            f"{100 * one['corrected']:.1f} %"
            f" ({100 * one['corrected_lower']:.1f} % to {100 * one['corrected_upper']:.1f} %)",
        ]
        for one in groups
    ]
    headings = ["n", "events", "predicted", "observed (Kaplan–Meier)", "less optimism"]
    return f"{said}\nCalibration at {model['horizon_years']:g} years\n" + lay_out_table(
        headings, rows
    )


def _limits_of(measure: Mapping[str, Any], digits: int, level: float) -> str:
    lower, upper = measure["corrected_lower"], measure["corrected_upper"]
    if lower != lower:
        return ""
    return f" ({100 * level:g} % limits {lower:.{digits}f} to {upper:.{digits}f})"


def _doses(found: Mapping[str, Any]) -> str:
    if not found["other_doses"]:
        return ""
    known = [one for one in found["other_doses"] if "refused" not in one]
    lines = ["The same by other doses, adjusted"]
    if known:
        rows = [_ratio_row(one["dose"], one) for one in known]
        lines.append(lay_out_table(["dose", "n", "events", "ratio", "lower", "upper", "p"], rows))
    lines += [
        f"  {one['dose']}: not estimated: {one['refused']}"
        for one in found["other_doses"]
        if "refused" in one
    ]
    return "\n".join(lines)


def _bed(found: Mapping[str, Any]) -> str:
    bed = found["bed"]
    if bed is None:
        return ""
    rows = []
    for one in bed["sensitivity"]:
        name = f"{one['parameter']} {one['value']}".strip()
        if "refused" in one:
            rows.append([name, "", f"not estimated: {one['refused']}", ""])
            continue
        step, apart = one["per_step"], one["third_against_first_quartile"]
        rows.append(
            [
                name,
                f"{one['median_bed_gy']:.1f}",
                f"{step['ratio']:.3f} ({step['lower']:.3f} to {step['upper']:.3f})",
                f"{apart['ratio']:.3f} ({apart['lower']:.3f} to {apart['upper']:.3f})",
            ]
        )
    rbe = ", ".join(f"{name} {value:g}" for name, value in bed["rbe"].items()) or "not stated"
    return (
        f"BED by alpha/beta {bed['alpha_beta_gy']:g} Gy, repair half-time"
        f" {bed['repair_half_time_hours']:g} h, RBE {rbe}; the adjusted ratio as each varies\n"
        + lay_out_table(["parameter", "median BED Gy", "per step", "third/first quartile"], rows)
    )


def _honesty(found: Mapping[str, Any]) -> str:
    count, plan = found["questions_tried"], found["plan"]
    lines = [
        count["note"]
        or f"Different questions put to this registry so far: {count['different']}; times asked:"
        f" {count['looks']}; different ones on this end point: {count['same_end_point']}"
        f" ({count['file']})"
    ]
    if plan is None:
        lines.append("No plan was given: this is an exploration.")
    else:
        lines.append(f"Plan {plan['state']} (hash {plan['locked_hash'][:16] or 'none'})")
        lines += [f"  deviation: {one}" for one in plan["deviations"]]
    return "\n".join(lines)


def _two(value: float) -> str:
    """Two decimals, or that there is none."""
    return f"{value:.2f}" if math.isfinite(value) else "none"
