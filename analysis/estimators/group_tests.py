"""Tests between groups: the log-rank family, trend, one-sample log-rank and Gray's test."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import chdtrc

from analysis.estimators.counting import count_at_times, count_events, count_risk, spread_counts
from analysis.estimators.gray import NO_VARIANCE, gray_score
from analysis.estimators.observations import FloatArray, IntArray, RightCensored, as_groups
from registry.errors import RefusedEstimateError

NO_INFORMATION = (
    "No test: at no time did some but not all of the people at risk, in two groups, have the event."
)


@dataclass(frozen=True, slots=True)
class GroupTest:
    """A chi-squared test between groups.

    Attributes
    ----------
    name
        Of the test.
    statistic, df, p
        Chi-squared statistic, degrees of freedom and p value.
    cause
        The cause compared, for Gray's test.
    groups, observed, expected
        Names in sorted order with observed and (for rho = 0) expected events; empty for Gray's.
    """

    name: str
    statistic: float
    df: int
    p: float
    cause: int | None = None
    groups: tuple[str, ...] = ()
    observed: tuple[float, ...] = ()
    expected: tuple[float, ...] = ()


def log_rank(
    observed: RightCensored,
    groups: Sequence[object],
    *,
    strata: Sequence[object] | None = None,
    rho: float = 0.0,
) -> GroupTest:
    """Compare survival free of event 1 between k groups (Mantel 1966; Peto & Peto 1972).

    At one time the events of all groups share one risk set (hypergeometric variance). Delayed entry
    and frequencies are allowed for; other codes censor.

    Parameters
    ----------
    observed
        Observations.
    groups
        Shape (n,): group of each row.
    strata
        Shape (n,): observed and expected are added over strata.
    rho
        Weight S(t−)^rho of the pooled curve of the stratum (Harrington & Fleming 1982, Biometrika
        69:553–566): 0 is the log-rank test, 1 Peto & Peto's modification of Gehan's.

    Raises
    ------
    RefusedEstimateError
        With fewer than two groups, no event while two groups are at risk, or probability weights.

    Examples
    --------
    >>> test = log_rank(RightCensored.of([1, 2, 3, 4], [1, 1, 1, 1]), ["a", "a", "b", "b"])
    >>> round(test.statistic, 4), test.df
    (2.8824, 1)
    """
    names, score, variance, counts = _score(observed, groups, strata, rho)
    statistic, df = _quadratic_form(score, variance)
    name = (
        "log-rank" if rho == 0 else "Peto-Peto" if rho == 1 else f"Fleming-Harrington rho={rho:g}"
    )
    return GroupTest(
        name if strata is None else f"stratified {name}",
        statistic,
        df,
        float(chdtrc(df, statistic)),
        groups=names,
        observed=tuple(counts[0].tolist()),
        expected=tuple(counts[1].tolist()),
    )


def trend(
    observed: RightCensored,
    groups: Sequence[object],
    *,
    scores: Sequence[float] | None = None,
    strata: Sequence[object] | None = None,
) -> GroupTest:
    """Test for a trend of survival across ordered groups (Tarone 1975, Biometrika 62:679–682).

    Parameters
    ----------
    scores
        One a group in sorted order of the groups; by default 1, 2, ..., k.

    Raises
    ------
    RefusedEstimateError
        As :func:`log_rank`.
    ValueError
        When there is not one score a group, or they are all equal.
    """
    names, score, variance, counts = _score(observed, groups, strata, 0.0)
    at = np.arange(1.0, len(names) + 1) if scores is None else np.asarray(scores, dtype=np.float64)
    if at.shape != (len(names),) or np.ptp(at) == 0:
        raise ValueError(f"{len(names)} groups need as many scores, not all equal: {scores!r}")
    spread = float(at @ variance @ at)
    if spread <= 0:
        raise RefusedEstimateError(NO_INFORMATION)
    statistic = float(at @ score) ** 2 / spread
    return GroupTest(
        "trend" if strata is None else "stratified trend",
        statistic,
        1,
        float(chdtrc(1, statistic)),
        groups=names,
        observed=tuple(counts[0].tolist()),
        expected=tuple(counts[1].tolist()),
    )


def one_sample_log_rank(events: float, expected: float) -> GroupTest:
    """Compare observed events with those expected from a reference (Breslow 1975, Int Stat Rev).

    ``expected`` is the sum over people of the reference's cumulative hazard over their time under
    observation. The statistic is (O − E)²/E on 1 degree of freedom; with few events prefer the
    exact Poisson limits of O/E.

    Examples
    --------
    >>> round(one_sample_log_rank(10, 15.0).statistic, 4)
    1.6667
    """
    if not (np.isfinite(expected) and expected > 0 and events >= 0):
        raise ValueError(f"observed ≥ 0 and expected > 0 are needed, not {events!r}, {expected!r}")
    statistic = (events - expected) ** 2 / expected
    return GroupTest(
        "one-sample log-rank",
        statistic,
        1,
        float(chdtrc(1, statistic)),
        observed=(float(events),),
        expected=(float(expected),),
    )


def gray(
    observed: RightCensored,
    groups: Sequence[object],
    *,
    cause: int = 1,
    strata: Sequence[object] | None = None,
    rho: float = 0.0,
) -> GroupTest:
    """Compare the cumulative incidence of a cause between k groups (Gray 1988, Ann Stat 16:1141).

    Tied times are handled as in the paper's own program (``cmprsk``); scores and variances are
    added over strata.

    Parameters
    ----------
    cause
        Code of the cause compared; every other code above 0 competes.
    rho
        Weight (1 − F(t−))^rho of the pooled incidence.

    Raises
    ------
    RefusedEstimateError
        With delayed entry or probability weights (the test is not derived for them), fewer than two
        groups, no event of the cause, or so few people that its variance has no value or comes out
        negative (where the paper's own program prints NaN or a negative statistic).
    """
    if observed.entry is not None:
        raise RefusedEstimateError("Gray's test is not defined with delayed entry.")
    names, of_row = _check_groups(observed, groups)
    if not (observed.status == cause).any():
        raise RefusedEstimateError(f"Nobody has an event of cause {cause}: no test.", cause=cause)
    score, variance = np.zeros(len(names)), np.zeros((len(names), len(names)))
    for rows in _stratum_rows(strata, observed.n):
        part, numbers = observed.select(rows), of_row[rows]
        at_risk, own, other = _count_causes(part, numbers, len(names), cause)
        one_score, one_variance = gray_score(at_risk, own, other, rho)
        score, variance = score + one_score, variance + one_variance
    if (np.diag(variance) < -1e-10 * np.abs(variance).max()).any():
        raise RefusedEstimateError(NO_VARIANCE)
    statistic, df = _quadratic_form(score, variance)
    name = "gray" if strata is None else "stratified gray"
    return GroupTest(name, statistic, df, float(chdtrc(df, statistic)), cause, names)


def _check_groups(
    observed: RightCensored, groups: Sequence[object]
) -> tuple[tuple[str, ...], IntArray]:
    if observed.weight_kind == "probability":
        raise RefusedEstimateError(
            "No test between groups is offered with probability weights: its variance would be "
            "wrong. Compare the curves at fixed times instead."
        )
    names, of_row = as_groups(groups, observed.n)
    if len(names) < 2:
        raise RefusedEstimateError("A test between groups needs at least two groups.")
    return names, of_row


def _stratum_rows(strata: Sequence[object] | None, n: int) -> Iterator[IntArray]:
    if strata is None:
        yield np.arange(n)
        return
    names, of_row = as_groups(strata, n)
    order = np.argsort(of_row, kind="stable")
    yield from np.split(order, np.cumsum(np.bincount(of_row, minlength=len(names)))[:-1])


def _score(
    observed: RightCensored,
    groups: Sequence[object],
    strata: Sequence[object] | None,
    rho: float,
) -> tuple[tuple[str, ...], FloatArray, FloatArray, tuple[FloatArray, FloatArray]]:
    """Observed minus expected, its variance, and unweighted observed and expected."""
    names, of_row = _check_groups(observed, groups)
    k = len(names)
    score, variance = np.zeros(k), np.zeros((k, k))
    seen, expected = np.zeros(k), np.zeros(k)
    for rows in _stratum_rows(strata, observed.n):
        at_risk, events = _count_groups(observed.select(rows), of_row[rows], k)
        total, failed = at_risk.sum(axis=0), events.sum(axis=0)
        survival = np.cumprod(1 - failed / total)
        weight = np.concatenate([[1.0], survival[:-1]])[: failed.size] ** rho
        share = at_risk / total
        expected_now = share * failed
        score += (weight * (events - expected_now)).sum(axis=1)
        scale = weight**2 * failed * (total - failed) / np.maximum(total - 1, 1.0)
        variance += np.diag((share * scale).sum(axis=1)) - (share * scale) @ share.T
        seen, expected = seen + events.sum(axis=1), expected + expected_now.sum(axis=1)
    return names, score, variance, (seen, expected)


def _count_groups(part: RightCensored, numbers: IntArray, k: int) -> tuple[FloatArray, FloatArray]:
    """Numbers at risk and events of code 1, shape (k, m), at the stratum's event times."""
    time = count_events(part, part.status == 1)[0]
    at_risk, events = np.zeros((k, time.size)), np.zeros((k, time.size))
    for number in np.unique(numbers):
        member = part.select(numbers == number)
        at_risk[number] = count_risk(member).just_before(time)
        events[number] = spread_counts(time, *count_events(member, member.status == 1))
    return at_risk, events


def _count_causes(
    part: RightCensored, numbers: IntArray, k: int, cause: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    time = count_at_times(part.time[part.status > 0])[0]
    at_risk, own, other = (np.zeros((k, time.size)) for _ in range(3))
    for number in np.unique(numbers):
        member = part.select(numbers == number)
        at_risk[number] = count_risk(member).just_before(time)
        is_own = member.status == cause
        own[number] = spread_counts(time, *count_events(member, is_own))
        is_other = (member.status > 0) & ~is_own
        other[number] = spread_counts(time, *count_events(member, is_other))
    return at_risk, own, other


def _quadratic_form(score: FloatArray, variance: FloatArray) -> tuple[float, int]:
    """Score' V⁻ Score with the rank of V: groups never compared drop out."""
    size = float(np.abs(np.diag(variance)).max())
    if size <= 0:
        raise RefusedEstimateError(NO_INFORMATION)
    values, vectors = np.linalg.eigh(variance / size)
    is_used = values > 1e-10
    parts = (vectors[:, is_used].T @ score) ** 2 / (values[is_used] * size)
    return float(parts.sum()), int(is_used.sum())


def list_tests(tests: Sequence[GroupTest]) -> list[dict[str, Any]]:
    """Return tests as plain mappings: name, cause where there is one, statistic, df, p."""
    return [
        {"name": one.name}
        | ({} if one.cause is None else {"cause": one.cause})
        | {"statistic": one.statistic, "df": one.df, "p": one.p}
        for one in tests
    ]
