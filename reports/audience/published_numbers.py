"""One value to its published form; see :mod:`reports.audience.suppression` for the rule."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, get_args

from reports.words.values import (
    Count,
    CurveEstimate,
    KnownOf,
    Missing,
    ObservedExpected,
    PValue,
    Quantity,
    Rate,
    SingleRecord,
    Value,
)

SMALLEST_SHOWN = 8
ROUNDED_TO = 5


def is_small(count: int | None) -> bool:
    """Whether a count is from 1 to 7.

    >>> [is_small(k) for k in (0, 1, 7, 8, None)]
    [False, True, True, False, False]
    """
    return count is not None and 0 < count < SMALLEST_SHOWN


def round_to_five(count: float) -> int:
    """The nearest multiple of 5, halves upward.

    >>> [round_to_five(k) for k in (0, 8, 12, 13, 98)]
    [0, 10, 10, 15, 100]
    """
    return int(count / ROUNDED_TO + 0.5) * ROUNDED_TO


def shown_count(count: int | None) -> int | None:
    """The published form of a count that is not small; None for what is small or unknown."""
    return None if count is None or is_small(count) else round_to_five(count)


def is_value(thing: Any) -> bool:
    """Whether something is one of the tagged values."""
    return isinstance(thing, get_args(Value))


def publish_value(value: Value) -> Value:
    """The published form of any tagged value.

    >>> publish_value(Count(7)), publish_value(Rate(12, 98, style="percent")).numerator
    (Count(value=None, hidden=True, withheld=False), 10)
    """
    if getattr(value, "hidden", False) or getattr(value, "withheld", False):
        return value
    match value:
        case Count():
            return replace(value, value=shown_count(value.value), hidden=is_small(value.value))
        case KnownOf():
            hidden = is_small(value.known) or is_small(value.total)
            known = None if hidden else shown_count(value.known)
            return KnownOf(known, shown_count(value.total), hidden)
        case SingleRecord():
            return SingleRecord("", hidden=True)
        case PValue():
            hidden = _rests_on_few(value.events)
            return PValue(None if hidden else value.value, None, hidden)
        case Missing():
            return Missing(value.what, _harmless(value.reason))
        case Rate():
            return _publish_rate(value)
        case CurveEstimate():
            return publish_estimate(value)
        case ObservedExpected():
            return _publish_ratio(value)
        case Quantity():
            return _publish_quantity(value)


def _rests_on_few(events: int | None) -> bool:
    """Whether a model or test rests on under 8 events in some group, none included."""
    return events is not None and events < SMALLEST_SHOWN


def _harmless(reason: str) -> str:
    """A reason without a number in it; others are left out."""
    return "" if any(letter.isdigit() for letter in reason) else reason


def _publish_rate(rate: Rate) -> Rate:
    if is_small(rate.numerator) or is_small(rate.denominator):
        return replace(rate, numerator=None, denominator=None, lower=None, upper=None, hidden=True)
    top, bottom = shown_count(rate.numerator), shown_count(rate.denominator)
    low, high = None, None
    if rate.lower is not None and top is not None and bottom:
        low, high = beta_limits(top, bottom, rate.level)
    return replace(rate, numerator=top, denominator=bottom, lower=low, upper=high)


def publish_estimate(estimate: CurveEstimate) -> CurveEstimate:
    """A share of a curve as a count rounded to 5 over n rounded to 5.

    Its limits are Clopper and Pearson's at the effective number Peto's formula gives from the
    published share and number at risk, at_risk / (1 − share) (Peto et al. 1977, Br J Cancer 35:1,
    from memory): nothing but published numbers goes into them. Hidden when 1 to 7 events or
    people, or 1 to 7 at risk, stand behind it.
    """
    if estimate.hidden:
        return estimate
    counts = (estimate.n, estimate.events, estimate.at_risk)
    n, events, at_risk = (shown_count(count) for count in counts)
    bare = replace(
        estimate,
        failure=None,
        lower=None,
        upper=None,
        n=n,
        events=events,
        at_risk=at_risk,
        reason=_harmless(estimate.reason),
    )
    if any(is_small(count) for count in counts):
        return replace(bare, hidden=True)
    if estimate.failure is None or not n:
        return bare
    share = min(round_to_five(estimate.failure * n) / n, 1.0)
    if estimate.lower is None or estimate.upper is None or not at_risk or share >= 1:
        return replace(bare, failure=share)
    effective = min(n, at_risk / (1 - share))
    low, high = beta_limits(share * effective, effective, estimate.level)
    return replace(bare, failure=share, lower=low, upper=high)


def _publish_ratio(ratio: ObservedExpected) -> ObservedExpected:
    shown = shown_count(ratio.observed)
    if shown is None:
        return replace(ratio, observed=None, lower=None, upper=None, hidden=True)
    low, high = None, None
    if ratio.lower is not None and ratio.expected > 0:
        low, high = (limit / ratio.expected for limit in poisson_limits(shown, ratio.level))
    if ratio.lower is not None and ratio.expected > 0 and ratio.log_sd is not None:
        from analysis.benchmarking.expected_events import integrated_limits

        found = integrated_limits(shown, ratio.expected, ratio.log_sd, (1 - ratio.level) / 2)
        low, high = found.lower, found.upper
    return replace(ratio, observed=shown, lower=low, upper=high)


def _publish_quantity(value: Quantity) -> Quantity:
    bare = replace(
        value,
        n=shown_count(value.n),
        events=shown_count(value.events),
        reason=_harmless(value.reason),
    )
    if value.is_extreme or is_small(value.n) or _rests_on_few(value.events):
        return replace(bare, value=None, lower=None, upper=None, reason="", hidden=True)
    return bare


def beta_limits(events: float, n: float, level: float) -> tuple[float, float]:
    """Clopper and Pearson's limits, also for a count that is not whole.

    >>> low, high = beta_limits(0, 10, 0.95)
    >>> low, round(high, 4)
    (0.0, 0.3085)
    """
    from scipy.stats import beta

    tail = (1 - level) / 2
    low = 0.0 if events <= 0 else float(beta.ppf(tail, events, n - events + 1))
    high = 1.0 if events >= n else float(beta.ppf(1 - tail, events + 1, n - events))
    return low, high


def poisson_limits(events: int, level: float) -> tuple[float, float]:
    """Exact limits of a Poisson mean (Garwood 1936).

    >>> [round(limit, 3) for limit in poisson_limits(10, 0.95)]
    [4.795, 18.39]
    """
    from scipy.stats import chi2

    tail = (1 - level) / 2
    low = 0.0 if events == 0 else float(chi2.ppf(tail, 2 * events)) / 2
    return low, float(chi2.ppf(1 - tail, 2 * events + 2)) / 2
