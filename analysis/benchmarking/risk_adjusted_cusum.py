"""Risk-adjusted CUSUM of yes-or-no outcomes known soon after treatment (Steiner et al. 2000).

Steiner, Cook, Farewell and Treasure, Biostatistics 2000;1:441. Every patient adds the log
likelihood ratio of an odds ratio looked for against the acceptable one, given the predicted risk.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analysis.benchmarking.monitoring import SIMULATED_RUNS, Cusum, CusumLimit

Floats = npt.NDArray[np.float64]


def steiner_weight(
    is_event: npt.ArrayLike, risk: npt.ArrayLike, odds_ratio: float = 2.0, null: float = 1.0
) -> Floats:
    """Weight of each patient in the risk-adjusted CUSUM (Steiner et al. 2000, equation 2.2).

    Parameters
    ----------
    is_event, risk
        Shape (n,): whether it happened, and its predicted probability in (0, 1).
    odds_ratio, null
        Odds ratios looked for and taken as acceptable.

    Examples
    --------
    >>> steiner_weight([False, True], [0.5424, 0.5424]).round(4).tolist()
    [-0.4333, 0.2598]
    """
    p, y = np.asarray(risk, dtype=np.float64), np.asarray(is_event, dtype=np.bool_)
    if p.shape != y.shape or not np.all((p > 0) & (p < 1)):
        raise ValueError("every patient needs an outcome and a risk between 0 and 1")
    if not (odds_ratio > 0 and null > 0 and odds_ratio != null):
        raise ValueError(f"two different odds ratios above 0: {odds_ratio!r}, {null!r}")
    spread = np.log1p((null - 1) * p) - np.log1p((odds_ratio - 1) * p)
    weight: Floats = spread + np.where(y, math.log(odds_ratio / null), 0.0)
    return weight


def steiner_cusum(
    is_event: npt.ArrayLike, risk: npt.ArrayLike, limit: float, odds_ratio: float = 2.0
) -> Cusum:
    """Run the risk-adjusted CUSUM over patients in time order; it restarts after an alarm."""
    value, values, alarms = 0.0, [], []
    for row, weight in enumerate(steiner_weight(is_event, risk, odds_ratio)):
        value = max(0.0, value + float(weight))
        values.append(value)
        if value > limit:
            alarms.append(row)
            value = 0.0
    return Cusum(np.asarray(values), tuple(alarms))


def simulate_steiner(
    limit: float,
    risks: npt.ArrayLike,
    odds_ratio: float,
    true_odds_ratio: float,
    runs: int,
    rng: np.random.Generator,
) -> Floats:
    """Draw the number of patients until the alarm, shape (runs,), risks drawn with replacement."""
    pool = np.unique(np.asarray(risks, dtype=np.float64), return_counts=True)
    values, share = pool[0], pool[1] / pool[1].sum()
    odds = true_odds_ratio * values / (1 - values)
    chance = odds / (1 + odds)
    without, having = (
        steiner_weight(np.full(values.size, event), values, odds_ratio) for event in (False, True)
    )
    current, count, place, patients = np.zeros(runs), np.zeros(runs), np.arange(runs), 0
    while place.size:
        patients += 1
        event = rng.random(place.size)
        if values.size == 1:
            current += np.where(event < chance[0], having[0], without[0])
        else:
            who = rng.choice(values.size, place.size, p=share)
            current += np.where(event < chance[who], having[who], without[who])
        np.maximum(current, 0.0, out=current)
        is_over = current > limit
        if is_over.any():
            count[place[is_over]] = patients
            place, current = place[~is_over], current[~is_over]
    return count


def find_steiner_limit(
    risks: npt.ArrayLike,
    patients_per_year: float,
    years: float,
    rng: np.random.Generator,
    *,
    odds_ratio: float = 2.0,
    runs: int = SIMULATED_RUNS,
) -> CusumLimit:
    """Find the limit with one false alarm in so many years; ``expected_per_year`` is patients.

    With few distinct risks the attainable rates have gaps; ``attained_years`` says what it gives.
    """
    if not (patients_per_year > 0 and years > 0):
        raise ValueError(f"patients and years must be above 0: {patients_per_year}, {years}")
    wanted, seed = patients_per_year * years, int(rng.integers(2**63))

    def mean(limit: float) -> float:
        draws = np.random.default_rng(seed)
        return float(simulate_steiner(limit, risks, odds_ratio, 1.0, runs, draws).mean())

    low, high = 0.0, 1.0
    while mean(high) < wanted:
        low, high = high, high + 1.0
    for _ in range(12):
        middle = (low + high) / 2
        low, high = (middle, high) if mean(middle) < wanted else (low, middle)
    below, above = mean(low), mean(high)
    is_below = abs(1 / below - 1 / wanted) < abs(1 / above - 1 / wanted)
    limit, attained = (low, below) if is_below else (high, above)
    return CusumLimit(
        odds_ratio, limit, patients_per_year, years, attained / patients_per_year, runs
    )
