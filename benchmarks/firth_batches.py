"""Penalised likelihoods of many samples at once, for the study of the Firth models' limits.

The same likelihoods as ``analysis.models.firth``, for two covariates of which the second is 0 or 1,
over a whole block of samples: ten times as fast for small ones. ``firth_coverage.py`` holds every
hundredth sample to the models themselves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Floats = np.ndarray
MOST_STEPS, SMALL_SCORE, LONGEST_STEP = 120, 1e-7, 3.0


@dataclass(frozen=True, slots=True)
class Points:
    """Penalised log-likelihood (s,), score (s, p) and information (s, p, p) of s samples."""

    value: Floats
    score: Floats
    information: Floats


class CoxBlock:
    """Breslow partial likelihood of samples of n people; arrays (s, n)."""

    size = 2

    def __init__(self, x: Floats, months: Floats, event: Floats) -> None:
        order = np.argsort(-months, axis=1, kind="stable")
        first, second, month = (
            np.take_along_axis(a, order, 1) for a in (x[..., 0], x[..., 1], months)
        )
        happened = np.take_along_axis(event, order, 1)
        place = np.arange(month.shape[1])
        ends = np.diff(month, axis=1, append=-1.0) != 0
        last = np.flip(np.minimum.accumulate(np.flip(np.where(ends, place, 10**9), 1), axis=1), 1)
        most = int(happened.sum(axis=1).max())
        rows = np.argsort(~happened, axis=1, kind="stable")[:, :most]
        self.counts = np.take_along_axis(happened, rows, 1).astype(float)
        self.rows, self.until = rows, np.take_along_axis(last, rows, 1)
        self.first, self.second = first, second

    def take(self, chosen: Floats) -> CoxBlock:
        """The samples chosen."""
        block = object.__new__(CoxBlock)
        for name in ("counts", "rows", "until", "first", "second"):
            setattr(block, name, getattr(self, name)[chosen])
        return block

    def evaluate(self, beta: Floats) -> Points:
        """The penalised partial likelihood at beta (s, 2)."""
        a, b, d = self.first, self.second, self.counts
        eta = a * beta[:, :1] + b * beta[:, 1:]
        r = np.exp(eta)
        ra, rb = r * a, r * b
        raa, rab = ra * a, ra * b

        def at_events(values: Floats) -> Floats:
            return np.take_along_axis(np.cumsum(values, axis=1), self.until, 1)

        s0 = at_events(r)
        e1, e2, e11, e12 = (at_events(v) / s0 for v in (ra, rb, raa, rab))
        e111, e112 = at_events(raa * a) / s0, at_events(raa * b) / s0
        own = [np.take_along_axis(v, self.rows, 1) for v in (a, b, eta)]
        v11, v12, v22 = e11 - e1 * e1, e12 - e1 * e2, e2 - e2 * e2
        m111 = e111 - 3 * e1 * e11 + 2 * e1**3
        m112 = e112 - e2 * e11 - 2 * e1 * e12 + 2 * e1 * e1 * e2
        m122 = e12 - e1 * e2 - 2 * e2 * e12 + 2 * e1 * e2 * e2
        m222 = e2 - 3 * e2 * e2 + 2 * e2**3
        i11, i12, i22 = ((d * v).sum(axis=1) for v in (v11, v12, v22))
        t111, t112, t122, t222 = ((d * m).sum(axis=1) for m in (m111, m112, m122, m222))
        det = i11 * i22 - i12 * i12
        bend1 = (t111 * i22 + i11 * t122 - 2 * i12 * t112) / det
        bend2 = (t112 * i22 + i11 * t222 - 2 * i12 * t122) / det
        score1 = (d * (own[0] - e1)).sum(axis=1) + bend1 / 2
        score2 = (d * (own[1] - e2)).sum(axis=1) + bend2 / 2
        value = (d * (own[2] - np.log(s0))).sum(axis=1) + np.log(det) / 2
        information = np.stack([np.stack([i11, i12], 1), np.stack([i12, i22], 1)], 1)
        return Points(value, np.stack([score1, score2], axis=1), information)


class LogisticBlock:
    """Logistic likelihood with an intercept; arrays (s, n)."""

    size = 3

    def __init__(self, x: Floats, months: Floats, event: Floats) -> None:
        ones = np.ones((*x.shape[:2], 1))
        self.x, self.y = np.concatenate([ones, x], axis=2), event.astype(float)

    def take(self, chosen: Floats) -> LogisticBlock:
        """The samples chosen."""
        block = object.__new__(LogisticBlock)
        block.x, block.y = self.x[chosen], self.y[chosen]
        return block

    def evaluate(self, beta: Floats) -> Points:
        """The penalised likelihood at beta (s, 3)."""
        eta = (self.x @ beta[:, :, None])[..., 0]
        risk = 1 / (1 + np.exp(-eta))
        weighted = self.x * (risk * (1 - risk))[..., None]
        information = np.swapaxes(self.x, 1, 2) @ weighted
        sign, log_det = np.linalg.slogdet(information)
        is_lost = ~((sign > 0) & (log_det > -600))  # a step too long: it will be shortened
        information = np.where(is_lost[:, None, None], np.eye(3), information)
        leverage = ((weighted @ np.linalg.inv(information)) * self.x).sum(axis=2)
        residual = self.y - risk + leverage * (0.5 - risk)
        score = (residual[:, None, :] @ self.x)[:, 0]
        likelihood = (self.y * eta - np.logaddexp(0, eta)).sum(axis=1)
        value = np.where(is_lost, -np.inf, likelihood + log_det / 2)
        return Points(value, score, information)


Block = CoxBlock | LogisticBlock


def maximise(block: Block, start: Floats, held: int | None = None) -> tuple[Floats, Points, Floats]:
    """Climb in every sample; one coefficient may be held at its start.

    Returns
    -------
    tuple
        Coefficients, the points there, and whether each climb ended.
    """
    beta, found = start.copy(), block.evaluate(start)
    free = [j for j in range(block.size) if j != held]
    going = np.arange(len(beta))
    damping = np.ones(len(beta))
    for _ in range(MOST_STEPS):
        score, information = found.score[:, free], found.information[:, free][:, :, free]
        spread = np.sqrt(np.diagonal(information, axis1=1, axis2=2))
        going = np.flatnonzero((np.abs(score) / spread).max(axis=1) > SMALL_SCORE)
        if not going.size:
            break
        step = np.linalg.solve(information[going], score[going][..., None])[..., 0]
        longest = np.abs(step * spread[going]).max(axis=1)
        step *= (damping[going] * np.minimum(1, LONGEST_STEP / longest))[:, None]
        trial = beta[going]
        trial[:, free] += step
        with np.errstate(all="ignore"):
            point = block.take(going).evaluate(trial)
        is_higher = point.value >= found.value[going] - 1e-11
        damping[going] = np.where(
            is_higher, np.minimum(1, 1.5 * damping[going]), damping[going] / 3
        )
        kept = going[is_higher]
        beta[kept] = trial[is_higher]
        for name in ("value", "score", "information"):
            getattr(found, name)[kept] = getattr(point, name)[is_higher]
    ended = np.ones(len(beta), dtype=bool)
    ended[going] = False
    return beta, found, ended


def judge(
    make: Callable[..., Block], sample: tuple[Floats, ...], truth: Floats, allowed: float, z: float
) -> tuple[Floats, Floats, Floats]:
    """Whether profile and Wald intervals of each sample hold the last coefficients' truth.

    Returns
    -------
    tuple
        Two arrays (s, 2), and whether all climbs of a sample ended.
    """
    block = make(*sample)
    beta, top, ended = maximise(block, np.zeros((len(sample[0]), block.size)))
    shift = block.size - 2
    by_profile, by_wald = np.empty((2, len(beta), 2), dtype=bool)
    variance = np.diagonal(np.linalg.inv(top.information), axis1=1, axis2=2)
    for k in range(2):
        start = beta.copy()
        start[:, k + shift] = truth[k]
        _, point, done = maximise(block, start, held=k + shift)
        by_profile[:, k] = 2 * (top.value - point.value) <= allowed
        by_wald[:, k] = np.abs(beta[:, k + shift] - truth[k]) <= z * np.sqrt(variance[:, k + shift])
        ended &= done
    return by_profile, by_wald, ended
