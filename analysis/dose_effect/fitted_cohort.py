"""A fitted cohort that can be drawn again: its covariates, its baseline hazard, its censoring.

From the adjusted Cox model of the rows: event times come from the baseline hazard and the linear
predictor with any effect of dose put in; the baseline is scaled so that as many events are expected
as were seen, whatever the effect. Censoring times come from the Kaplan–Meier estimate of remaining
uncensored; who outlives the last time of either is censored there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from analysis.models.coefficients import FEWEST_EVENTS, require_events
from analysis.models.cox import CoxFit, cox

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FittedCohort:
    """What is drawn from; dose in steps of the question.

    Attributes
    ----------
    dose
        Shape (n,), per step.
    covariates
        Shape (n, q).
    coef
        Shape (q,): log hazard ratios of the covariates.
    dose_coef
        The fitted log hazard ratio per step of dose.
    times, cumulative_hazard
        Shape (k,): baseline at the means, just after each event time.
    censoring_times, still_uncensored
        Shape (c,): steps of the censoring estimate.
    events
        How many were seen, and are expected again.
    """

    dose: Array
    covariates: Array
    coef: Array
    dose_coef: float
    times: Array
    cumulative_hazard: Array
    censoring_times: Array
    still_uncensored: Array
    events: int

    @property
    def n(self) -> int:
        """Number of units."""
        return len(self.dose)

    @property
    def matrix(self) -> Array:
        """Dose and covariates, shape (n, 1 + q)."""
        return np.column_stack([self.dose, self.covariates])

    def offset(self, dose_coef: float, dose: Array | None = None) -> Array:
        """Linear predictor with an effect of dose, centred at the cohort's means."""
        given = self.dose if dose is None else dose
        centred = self.covariates - self.covariates.mean(axis=0)
        linear: Array = dose_coef * (given - self.dose.mean()) + centred @ self.coef
        return linear

    def scale(self, offset: Array) -> float:
        """Factor of the baseline with which as many events are expected as were seen."""
        # Probability of the event before censoring, over a grid of the baseline's own steps.
        steps = np.diff(np.concatenate(([0.0], self.cumulative_hazard)))
        seen = np.concatenate(([1.0], self.still_uncensored))[
            np.searchsorted(self.censoring_times, self.times, side="left")
        ]
        ratio = np.exp(offset)
        # 40 quantiles of the ratio stand for all of them
        cut = np.quantile(ratio, (np.arange(40) + 0.5) / 40)

        def expected(log_factor: float) -> float:
            hazard = np.exp(log_factor) * cut[:, None]
            survival = np.exp(-hazard * (self.cumulative_hazard - steps)[None, :])
            happens = survival * -np.expm1(-hazard * steps[None, :])
            return float((happens @ seen).mean()) * self.n

        low, high = -6.0, 6.0
        if not expected(low) < self.events < expected(high):
            return 1.0
        return float(np.exp(brentq(lambda f: expected(f) - self.events, low, high, xtol=1e-4)))

    def draw(
        self, dose_coef: float, rng: np.random.Generator, *, dose: Array | None = None
    ) -> tuple[Array, NDArray[np.bool_]]:
        """Draw times and events for every unit under an effect of dose.

        Parameters
        ----------
        dose_coef
            Log hazard ratio per step.
        rng
            Source of randomness.
        dose
            Shape (n,): the true doses where they differ from the recorded ones.

        Returns
        -------
        time, event
            Shape (n,).
        """
        offset = self.offset(dose_coef, dose)
        factor = self.scale(offset)
        level = rng.exponential(size=self.n) / (factor * np.exp(offset))
        place = np.searchsorted(self.cumulative_hazard, level, side="left")
        never = place >= len(self.times)
        failing = np.where(never, np.inf, self.times[np.minimum(place, len(self.times) - 1)])
        falling = 1.0 - self.still_uncensored
        leaves = np.searchsorted(falling, rng.random(self.n), side="left")
        last = max(float(self.times[-1]), float(self.censoring_times[-1]))
        stays = leaves >= len(self.censoring_times)
        at = np.minimum(leaves, len(self.censoring_times) - 1)
        leaving = np.where(stays, last, self.censoring_times[at])
        return np.minimum(failing, leaving), failing <= leaving


def fit_cohort(
    dose: Array,
    covariates: Array,
    time: Array,
    event: NDArray[np.bool_],
    *,
    fewest_events: int = FEWEST_EVENTS,
) -> FittedCohort:
    """Fit the cohort that simulations draw from.

    Parameters
    ----------
    dose
        Shape (n,), per step of the question.
    covariates
        Shape (n, q).
    time, event
        Shape (n,); everything but the event is a censoring. Delayed entry is left out of account.

    Raises
    ------
    RefusedEstimateError
        Under five events; the Cox model is refused.
    """
    require_events(int(event.sum()), model="simulated", fewest=fewest_events)
    fit: CoxFit = cox(np.column_stack([dose, covariates]), time, event)
    coef = fit.coefficients.coef
    means = np.concatenate(([dose.mean()], covariates.mean(axis=0)))
    times, hazard, _ = fit.baseline_hazard(means)
    censored = np.unique(time[~event])
    levels = censored if len(censored) else np.array([float(time.max())])
    # remaining just after each censoring time
    order = np.sort(time)
    at_risk = len(time) - np.searchsorted(order, levels, side="left")
    ending = np.searchsorted(np.sort(time[event]), levels, side="right") - np.searchsorted(
        np.sort(time[event]), levels, side="left"
    )
    leaving = np.searchsorted(np.sort(time[~event]), levels, side="right") - np.searchsorted(
        np.sort(time[~event]), levels, side="left"
    )
    remaining: Array = np.cumprod(1.0 - leaving / np.maximum(at_risk - ending, 1)).astype(float)
    return FittedCohort(
        dose, covariates, coef[1:], float(coef[0]), times, hazard, levels, remaining,
        int(event.sum()),
    )  # fmt: skip
