"""The interval-censored answer of ``afterplaque estimate``, ready for JSON.

``describe_interval_censored`` makes the groups and the test of the answer from plain arrays; the
command only reads the table. Nothing heavy is imported before it is called.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.errors import RefusedEstimateError, RefusedInputError

if TYPE_CHECKING:
    from analysis.estimators.interval_censored import Npmle

METHOD = "interval-censored"
BETA_PRODUCT, MID_P, BOOTSTRAP = "beta-product", "beta-product-mid-p", "bootstrap"
INTERVALS = (BETA_PRODUCT, MID_P, BOOTSTRAP)


@dataclass(frozen=True, slots=True)
class Limiting:
    """How limits are made: one of ``INTERVALS``; samples and seed are those of the bootstrap."""

    interval: str = BETA_PRODUCT
    level: float = 0.95
    replicates: int = 200
    seed: int = 1


@dataclass(frozen=True, slots=True)
class _Ends:
    """Checked intervals of one group, with frequency weights or None."""

    low: Any
    high: Any
    weight: Any


def describe_interval_censored(
    lower: Sequence[float],
    upper: Sequence[float],
    *,
    group: Sequence[str] | None = None,
    weight: Sequence[float] | None = None,
    at: Sequence[float] = (),
    lines: Sequence[int] | None = None,
    limiting: Limiting | None = None,
) -> dict[str, Any]:
    """Estimate every group and compare them.

    Parameters
    ----------
    lower, upper
        Ends of (L, U]; ``upper`` infinite or NaN is right-censored, equal ends are exact.
    group
        Group of each row as text; None is one group named "all".
    weight
        Frequency weights; with them no test is made.
    at
        Times to read, in the unit of the data.
    lines
        Line of the file of each row, for refusals; without it rows are counted from 1.
    limiting
        How limits are made; the beta product of both ends at 95 % without it.

    Returns
    -------
    dict
        ``groups`` (each with ``curve``, ``at``, ``median``, ``log_likelihood``), ``tests`` and
        ``warnings``, to be merged into the answer of the command.

    Raises
    ------
    RefusedInputError
        For an interval that ends before it starts, a negative time or a weight that is not above
        0, naming the line.
    RefusedEstimateError
        For no row at all.

    Examples
    --------
    >>> answer = describe_interval_censored([0, 1, 3], [2, 4, float("nan")], at=[1.5])
    >>> answer["groups"][0]["curve"][0]["to"], answer["groups"][0]["at"][0]["estimate"]
    (2.0, None)
    """
    import numpy as np

    from analysis.estimators.interval_censored import npmle

    low, high = np.asarray(lower, float), np.asarray(upper, float)
    high = np.where(np.isnan(high), np.inf, high)
    labels = np.asarray(["all"] * len(low) if group is None else list(group), dtype=str)
    heavy = None if weight is None else np.asarray(weight, float)
    where = list(range(1, len(low) + 1)) if lines is None else list(lines)
    _refuse_rows(low >= 0, where, "a lower end is a time of 0 or more")
    _refuse_rows(np.isfinite(low), where, "a lower end is a finite time")
    _refuse_rows(high >= low, where, "an interval ends at or after its start (lower <= upper)")
    if heavy is not None:
        is_weight = np.isfinite(heavy) & (heavy > 0)
        _refuse_rows(is_weight, where, "a weight is a finite number above 0")
    if len(low) == 0:
        raise RefusedEstimateError("There is no observation, so there is nothing to estimate.")
    groups: list[dict[str, Any]] = []
    warnings: list[str] = []
    for name in np.unique(labels).tolist():
        mine = labels == name
        ends = _Ends(low[mine], high[mine], None if heavy is None else heavy[mine])
        estimate = npmle(ends.low, ends.high, ends.weight)
        groups.append({"group": name} | describe_npmle(estimate, ends, at, limiting or Limiting()))
        warnings += _warn(name, estimate)
    tests: list[dict[str, Any]] = []
    if len(groups) > 1 and heavy is None:
        tests, more = _test(low, high, labels)
        warnings += more
    elif len(groups) > 1:
        warnings.append("No test was made: the interval-censored log-rank takes no weights.")
    return {"groups": groups, "tests": tests, "warnings": warnings}


def _refuse_rows(is_good: Any, lines: list[int], rule: str) -> None:
    """Refuse the first row that breaks a rule, and say how many do."""
    bad = [line for line, good in zip(lines, is_good.tolist(), strict=True) if not good]
    if bad:
        others = f" ({len(bad)} rows in all)" if len(bad) > 1 else ""
        raise RefusedInputError(
            f"Line {bad[0]}: {rule}, and here it is not so{others}. Correct the table.",
            line=bad[0],
        )


def describe_npmle(
    estimate: Npmle, ends: _Ends, at: Sequence[float], limiting: Limiting
) -> dict[str, Any]:
    """Give one estimate as plain values; what does not exist is None.

    ``estimate`` of a curve row is survival after ``to``. In ``at``, a time inside a mass interval
    has no estimate; ``lower`` and ``upper`` are then the bounds between which the estimate lies
    there and ``is_inside_mass_interval`` is true. ``limit_lower`` and ``limit_upper`` are the
    confidence limits at every time, which elsewhere are ``lower`` and ``upper`` too.
    """
    lower, upper = _limits(estimate, ends, estimate.upper, limiting)
    columns = (estimate.lower, estimate.upper, estimate.mass, estimate.survival, lower, upper)
    curve = [
        {
            "from": float(low),
            "to": _finite(high),
            "mass": float(mass),
            "estimate": float(after),
            "lower": _finite(below),
            "upper": _finite(above),
        }
        for low, high, mass, after, below, above in zip(*columns, strict=True)
    ]
    since, until = estimate.quantile(0.5)
    return {
        "n": estimate.n,
        "events": estimate.events,
        "median": {
            "value": since if since == until else None,
            "lower": _finite(since),
            "upper": _finite(until),
        },
        "curve": curve,
        "at": _describe_at(estimate, ends, at, limiting),
        "log_likelihood": estimate.log_likelihood,
        "log_likelihood_gap": estimate.gap,
        "last_time": estimate.last_time,
        "weibull": _describe_weibull(ends, at, limiting.level),
    }


def _describe_weibull(ends: _Ends, at: Sequence[float], level: float) -> dict[str, Any]:
    """The parametric curve S(t) = exp(-(t / scale) ** shape) beside the estimate, or why not."""
    from analysis.estimators.interval_parametric import fit_interval_parametric

    if ends.weight is not None:
        return {"estimable": False, "reason": "The parametric curve takes no weights."}
    try:
        fit = fit_interval_parametric(ends.low, ends.high)
        intercept, log_scale = fit.coef.tolist()
        scale, shape = math.exp(intercept), math.exp(-log_scale)
    except (RefusedEstimateError, ValueError) as refusal:
        return {"estimable": False, "reason": str(refusal)}
    except OverflowError:
        return {"estimable": False, "reason": "The scale of the parametric curve is no number."}
    read = fit.at(list(at), level=level)
    columns = zip(read.time, read.estimate, read.lower, read.upper, strict=True)
    return {
        "estimable": True,
        "scale": scale,
        "shape": shape,
        "log_likelihood": fit.log_likelihood,
        "at": [
            {"time": float(t), "estimate": float(s), "lower": float(low), "upper": float(high)}
            for t, s, low, high in columns
        ],
    }


def _limits(estimate: Npmle, ends: _Ends, times: Any, limiting: Limiting) -> tuple[Any, Any]:
    """Confidence limits at ``times``, NaN where there are none."""
    import numpy as np

    from analysis.estimators.interval_censored import bootstrap_npmle
    from analysis.estimators.interval_limits import limit_by_ends

    level = limiting.level
    if limiting.interval == BOOTSTRAP:
        rng, resamples = np.random.default_rng(limiting.seed), limiting.replicates
        drawn = bootstrap_npmle(ends.low, ends.high, times, rng, resamples=resamples, level=level)
        return drawn.lower, drawn.upper
    found = limit_by_ends(
        estimate,
        ends.low,
        ends.high,
        times,
        ends.weight,
        level=level,
        mid_p=limiting.interval == MID_P,
    )
    return found.lower, found.upper


def _describe_at(
    estimate: Npmle, ends: _Ends, at: Sequence[float], limiting: Limiting
) -> list[dict[str, Any]]:
    if not at:
        return []
    read = estimate.at(list(at))
    lower, upper = _limits(estimate, ends, list(at), limiting)
    rows = []
    for time, value, lowest, highest, below, above in zip(
        read.time, read.estimate, read.lowest, read.highest, lower, upper, strict=True
    ):
        is_inside = math.isnan(value) and not math.isnan(lowest)
        rows.append(
            {
                "time": float(time),
                "estimate": _finite(value),
                "se": None,
                "lower": _finite(lowest if is_inside else below),
                "upper": _finite(highest if is_inside else above),
                "is_inside_mass_interval": is_inside,
                "limit_lower": _finite(below),
                "limit_upper": _finite(above),
            }
        )
    return rows


def _warn(name: str, estimate: Npmle) -> list[str]:
    found = []
    if estimate.events == 0:
        found.append(
            f"Group {name}: no event, so survival is 1 throughout; the lower limit of the beta "
            "product is the exact one of the people known to be free at the time (the bootstrap "
            "has none)."
        )
    if estimate.gap > 1e-6:
        found.append(
            f"Group {name}: the search ended within {estimate.gap:.1e} of the greatest "
            "log-likelihood."
        )
    return found


def _test(lower: Any, upper: Any, labels: Any) -> tuple[list[dict[str, Any]], list[str]]:
    from analysis.estimators.interval_censored import interval_censored_log_rank

    try:
        test = interval_censored_log_rank(lower, upper, labels)
    except RefusedEstimateError as refusal:
        return [], [f"No test was made: {refusal.message}"]
    described = {
        "name": test.name,
        "statistic": test.statistic,
        "df": test.df,
        "p": test.p,
        "z": _finite(test.z),
        "scores": test.scores,
    }
    return [described], []


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
