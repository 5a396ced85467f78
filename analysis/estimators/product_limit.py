"""What a Kaplan–Meier curve is made of: its factors, Greenwood's sum and beta products."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.estimators.counting import all_who_fail
from analysis.estimators.intervals import BetaProduct, beta_product_limits
from analysis.estimators.observations import FloatArray, RightCensored


@dataclass(frozen=True, slots=True, eq=False)
class Factors:
    """The product-limit factors at the event times, shape (m,), weighted where weights are."""

    time: FloatArray
    at_risk: FloatArray
    events: FloatArray

    @classmethod
    def of(
        cls, observed: RightCensored, time: FloatArray, at_risk: FloatArray, events: FloatArray
    ) -> Factors:
        """Take the counts at the event times; weighted ones are freed of rounding."""
        is_weighted = observed.weight_kind == "probability"
        return cls(time, at_risk, all_who_fail(at_risk, events) if is_weighted else events)

    def greenwood_terms(self) -> FloatArray:
        """d/(Y(Y − d)), 0 where everyone at risk fails."""
        left = self.at_risk - self.events
        nobody_left = left <= 0
        if np.count_nonzero(nobody_left):
            np.copyto(left, np.inf, where=nobody_left)
        left *= self.at_risk
        return np.divide(self.events, left, out=left)

    def survival(self) -> FloatArray:
        """Shape (m + 1,): 1, then the product of (Y − d)/Y up to each time."""
        survival = np.empty(self.time.size + 1)
        survival[0], stay = 1.0, survival[1:]
        np.subtract(self.at_risk, self.events, out=stay)
        stay /= self.at_risk
        np.multiply.accumulate(stay, out=stay)
        return survival

    def greenwood(self) -> FloatArray:
        """Shape (m + 1,): 0, then Greenwood's sum up to each time."""
        total = np.zeros(self.time.size + 1)
        np.add.accumulate(self.greenwood_terms(), out=total[1:])
        return total


def beta_products(at_risk: FloatArray, events: FloatArray) -> BetaProduct:
    """Return W⁺ along the event times: a factor Beta(Y − d + 1, d) at each."""
    return BetaProduct.of_factors(at_risk - events + 1, events).accumulate()


def limits_from_products(
    products: BetaProduct, after: FloatArray, interval: str, level: float
) -> tuple[FloatArray, FloatArray]:
    """Return the limits where ``after`` people are still at risk; one more failure makes W⁻."""
    one = np.ones(after.shape)
    next_failure = BetaProduct.of_factors(np.maximum(after, 1.0), one)
    return beta_product_limits(
        products.times(next_failure),
        products,
        after,
        level,
        mid_p=interval == "beta-product-mid-p",
    )


def put_first(first: float, values: FloatArray) -> FloatArray:
    """Return the values after a first one."""
    column = np.empty(values.size + 1)
    column[0] = first
    column[1:] = values
    return column
