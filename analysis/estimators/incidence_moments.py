"""Beta product limits for a cumulative incidence.

An extension of ours of the beta product procedure (Fay, Brittain & Proschan 2013, Biostatistics
14:723–736) to competing events. There each event splits off a spacing of the probability left, as
among ordered uniforms: with Y at risk the part that stays is Beta(Y − d + 1, d). Here the spacing
of an event of the cause counts for its incidence F, that of a competing event does not. The lower
limit is a quantile of F⁻, the sum of the spacings of the cause's events up to t; the upper one of
F⁺, with one more spacing — the next person to fail fails right after t, of the cause. F⁻ and F⁺
are approximated by beta variables with the same mean and variance.

Without censoring the limits are Clopper–Pearson's, with or without competing events; without
competing events they are the beta product limits of 1 − survival. Coverage:
``benchmarks/coverage_study.md``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.intervals import beta_of_moments, limits_from_betas
from analysis.estimators.observations import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class SpacingSteps:
    """Moments of one time's split, each shape (m,).

    V is the part of the remaining probability that stays, p the part that falls to the cause.
    """

    stay: FloatArray
    stay_squared: FloatArray
    fall: FloatArray
    fall_squared: FloatArray
    fall_times_stay: FloatArray


def dirichlet_steps(
    at_risk: FloatArray, events: FloatArray, cause_events: FloatArray
) -> SpacingSteps:
    """Return the split (V, p, rest) ~ Dirichlet(Y − d + 1, d of the cause, d of others)."""
    total = at_risk + 1
    pairs = total * (total + 1)
    stay = at_risk - events + 1
    return SpacingSteps(
        stay / total,
        stay * (stay + 1) / pairs,
        cause_events / total,
        cause_events * (cause_events + 1) / pairs,
        cause_events * stay / pairs,
    )


def independent_steps(at_risk: FloatArray, events: FloatArray, cause: int) -> SpacingSteps:
    """Return the split when every cause has its own risk set, shape (causes, m) each.

    The parts p_k ~ Beta(d_k, Y_k − d_k + 1) are independent and V = 1 − Σ p_k; with one cause at a
    time this is the Dirichlet split.
    """
    total = at_risk + 1
    mean, second = events / total, events * (events + 1) / (total * (total + 1))
    all_mean = mean.sum(axis=0)
    cross = all_mean**2 - (mean**2).sum(axis=0)
    others = all_mean - mean[cause]
    return SpacingSteps(
        1 - all_mean,
        1 - 2 * all_mean + second.sum(axis=0) + cross,
        mean[cause],
        second[cause],
        mean[cause] * (1 - others) - second[cause],
    )


@dataclass(frozen=True, slots=True, eq=False)
class IncidenceMoments:
    """Moments along a curve, shape (m + 1,), row 0 before the first event.

    G is the probability still free of every event, F the incidence of the cause.
    """

    left: FloatArray
    left_squared: FloatArray
    mean: FloatArray
    second: FloatArray
    joint: FloatArray

    @classmethod
    def along(cls, steps: SpacingSteps) -> IncidenceMoments:
        """Accumulate independent splits."""
        left = np.concatenate([[1.0], np.cumprod(steps.stay)])
        left_squared = np.concatenate([[1.0], np.cumprod(steps.stay_squared)])
        mean = np.concatenate([[0.0], np.cumsum(left[:-1] * steps.fall)])
        shares = left_squared[:-1] * steps.fall_times_stay / left[1:]
        joint = left * np.concatenate([[0.0], np.cumsum(shares)])
        squares = 2 * joint[:-1] * steps.fall + left_squared[:-1] * steps.fall_squared
        return cls(left, left_squared, mean, np.concatenate([[0.0], np.cumsum(squares)]), joint)

    def limits(
        self, row: NDArray[np.intp], after: FloatArray, level: float, *, mid_p: bool = False
    ) -> tuple[FloatArray, FloatArray]:
        """Return the limits at times whose last event row and numbers still at risk are given.

        Parameters
        ----------
        row
            Shape (t,): rows of the curve, 0 before the first event.
        after
            Shape (t,): people at risk of the cause right after each time; with 0 the next spacing
            is all that is left.
        """
        mean, second = self.mean[row], self.second[row]
        fall, fall_squared = 1 / (after + 1), 2 / ((after + 1) * (after + 2))
        more_mean = mean + self.left[row] * fall
        more_second = second + 2 * self.joint[row] * fall + self.left_squared[row] * fall_squared
        more_mean = np.where(more_mean > 1 - 1e-13, 1.0, more_mean)
        a_less, b_less = beta_of_moments(mean, second)
        a_more, b_more = beta_of_moments(more_mean, more_second)
        is_certain = more_mean >= 1
        # limits of the part without the event, 1 − F
        survival = limits_from_betas(
            (np.where(is_certain, 1.0, b_more), np.where(is_certain, 1.0, a_more)),
            (b_less, a_less),
            is_certain,
            level,
            mid_p=mid_p,
        )
        return np.maximum(1 - survival[1], 0.0), np.minimum(1 - survival[0], 1.0)
