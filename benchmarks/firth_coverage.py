"""Coverage of the profile intervals of the Firth models with few events.

Run: python benchmarks/firth_coverage.py [--replicates 5000] [--out FILE]; the table goes to
benchmarks/firth_coverage.md.

x1 is normal with coefficient 0.7, x2 binary with 1.0. Cox: failure is exponential given both, with
the true 5-year figure stated over everybody; follow-up ends uniformly over (0, 25) years (light) or
(0, 8) (heavy) and at 5 years in any case; times in whole months, so that they tie. Logistic: the
state at the horizon, known of everybody, so that there is no censoring to vary.

Models with under five events are refused: such samples are left out and their share is printed, as
a department would see it. The figures are therefore of what is reported, and samples are drawn
until the replicates stated have been fitted, or the most draws. An interval covers the truth
exactly when twice the fall of the penalised likelihood at the truth is at most the χ² quantile, so
that two fits a coefficient are enough. Wald: ± 1.96 SE of the Firth fit, which is not reported.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import chi2, norm

from analysis.models.binomial_likelihood import BinomialData, penalised_binomial
from analysis.models.cox import prepare_cox
from analysis.models.firth import penalised_partial
from analysis.models.newton import Climb, Evaluate
from analysis.models.profile_likelihood import maximise_penalised
from registry.errors import MendableError

OUT = Path(__file__).with_suffix(".md")
TRUTH = np.array([0.7, 1.0])
ALLOWED = float(chi2.ppf(0.95, 1))
HORIZON_YEARS = 5.0
ENDS = {"light": 25.0, "heavy": 8.0}
FEWEST, MOST_DRAWS = 5, 4_000_000
HEAD = (
    "model", "n", "true figure", "censoring", "share with x2 = 1", "mean events", "fitted",
    "refused (under 5 events)", "x2 separates", "profile covers x1", "profile covers x2",
    "Wald covers x1", "Wald covers x2", "Monte Carlo error, points",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Setting:
    """One row of the table; ``censoring`` is "–" for the logistic model."""

    model: str
    n: int
    figure: float
    censoring: str
    prevalence: float = 0.3


def calibrate(setting: Setting, rng: np.random.Generator) -> float:
    """Intercept (or log rate a horizon) at which the mean risk at the horizon is the figure."""
    binary = rng.random(400_000) < setting.prevalence
    x = np.column_stack([rng.normal(size=400_000), binary]) @ TRUTH
    low, high = -15.0, 5.0
    for _ in range(50):
        middle = (low + high) / 2
        risk = 1 / (1 + np.exp(-middle - x))
        if setting.model == "firth-cox":
            risk = -np.expm1(-np.exp(middle + x))
        low, high = (middle, high) if risk.mean() < setting.figure else (low, middle)
    return (low + high) / 2


@dataclass
class Draws:
    """Samples of a setting: how many were drawn, how many events they had."""

    setting: Setting
    base: float
    rng: np.random.Generator
    drawn: int = 0
    events: int = 0

    def enough(self) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
        """Give covariates, times in months and event of samples with five events or more."""
        size = max(1, 100_000 // self.setting.n)
        while self.drawn < MOST_DRAWS:
            x, months, event = self._block(size)
            count = event.sum(axis=1)
            for row in range(size):
                self.drawn += 1
                self.events += int(count[row])
                if count[row] >= FEWEST:
                    yield x[row], months[row], event[row]

    def _block(self, size: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        shape = (size, self.setting.n)
        x = np.stack(
            [self.rng.normal(size=shape), self.rng.random(shape) < self.setting.prevalence], axis=2
        ).astype(float)
        linear = self.base + x @ TRUTH
        if self.setting.model == "firth-logistic":
            event = self.rng.random(shape) < 1 / (1 + np.exp(-linear))
            return x, np.zeros(shape), event
        failure = HORIZON_YEARS * self.rng.exponential(np.exp(-linear))
        ends = np.minimum(self.rng.uniform(0, ENDS[self.setting.censoring], shape), HORIZON_YEARS)
        return x, np.ceil(12 * np.minimum(failure, ends)), failure <= ends


def covers(evaluate: Evaluate, top: Climb, truth: np.ndarray, positions: range) -> list[bool]:
    """Whether each profile interval holds the truth."""
    found = []
    for position, value in zip(positions, truth, strict=True):
        free = np.arange(len(top.coefficients)) != position
        start = np.where(free, top.coefficients, value)
        held = maximise_penalised(evaluate, start, free=free)
        fall = 2 * (top.point.log_likelihood - held.point.log_likelihood)
        found.append(fall <= ALLOWED)
    return found


def fit_cox(x: np.ndarray, months: np.ndarray, event: np.ndarray) -> tuple[list[bool], list[bool]]:
    """Whether profile and Wald intervals of one sample hold the truth."""
    data = prepare_cox(x, months, event, ties="breslow")

    def evaluate(beta: np.ndarray) -> object:
        return penalised_partial(data, beta)

    top = maximise_penalised(evaluate, np.zeros(2))  # type: ignore[arg-type]
    return _judge(evaluate, top, data.scale * TRUTH, range(2))  # type: ignore[arg-type]


def fit_logistic(
    x: np.ndarray, months: np.ndarray, event: np.ndarray
) -> tuple[list[bool], list[bool]]:
    """Whether profile and Wald intervals of one sample hold the truth."""
    if np.ptp(x[:, 1]) == 0:
        raise MendableError("x2 is the same in everybody")
    ones = np.ones(len(x))
    data = BinomialData(np.column_stack([ones, x]), event.astype(float), ones, 0 * ones, "logit")

    def evaluate(beta: np.ndarray) -> object:
        return penalised_binomial(data, beta)

    top = maximise_penalised(evaluate, np.zeros(3))  # type: ignore[arg-type]
    return _judge(evaluate, top, TRUTH, range(1, 3))  # type: ignore[arg-type]


def _judge(
    evaluate: Evaluate, top: Climb, truth: np.ndarray, positions: range
) -> tuple[list[bool], list[bool]]:
    chosen = list(positions)
    wald = np.sqrt(np.diag(np.linalg.inv(top.point.information)))[chosen]
    off = np.abs(top.coefficients[chosen] - truth)
    return covers(evaluate, top, truth, positions), list(off <= norm.isf(0.025) * wald)


def study(setting: Setting, replicates: int, seed: int) -> list[str]:
    """One row: coverage of both coefficients."""
    rng = np.random.default_rng(seed)
    draws = Draws(setting, calibrate(setting, rng), rng)
    fit: Callable[..., tuple[list[bool], list[bool]]] = (
        fit_cox if setting.model == "firth-cox" else fit_logistic
    )
    profile, wald, separated, constant = [], [], 0, 0
    for x, months, event in draws.enough():
        try:
            by_profile, by_wald = fit(x, months, event)
        except MendableError:
            constant += 1
            continue
        profile.append(by_profile)
        wald.append(by_wald)
        separated += int(np.ptp(x[event, 1]) == 0)
        if len(profile) == replicates:
            break
    fitted = len(profile)
    shares = [*np.mean(profile, axis=0), *np.mean(wald, axis=0)]
    refused = 100 * (1 - (fitted + constant) / draws.drawn)
    return [
        setting.model, str(setting.n), f"{100 * setting.figure:g} %", setting.censoring,
        f"{setting.prevalence:g}", f"{draws.events / draws.drawn:.1f}", str(fitted),
        f"{refused:.2f} %", f"{100 * separated / fitted:.1f} %",
        *(f"{100 * share:.1f} %" for share in shares), f"{100 * np.sqrt(0.0475 / fitted):.1f}",
    ]  # fmt: skip


def list_settings() -> list[Setting]:
    """The settings asked for, and a rarer x2 that separates more often."""
    grid = [(n, figure) for n in (50, 100, 300) for figure in (0.02, 0.05, 0.15)]
    settings = [
        Setting("firth-cox", n, figure, censoring) for censoring in ENDS for n, figure in grid
    ]
    settings.append(Setting("firth-cox", 100, 0.15, "light", 0.1))
    settings += [Setting("firth-logistic", n, figure, "–") for n, figure in grid]
    return [*settings, Setting("firth-logistic", 100, 0.15, "–", 0.1)]


def main() -> None:
    """Run every setting and write the table after each."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--replicates", type=int, default=5000)
    parser.add_argument("--out", type=Path, default=OUT)
    asked = parser.parse_args()
    lines = [
        "# Coverage of the Firth models' 95 % intervals with few events",
        "",
        (__doc__ or "").strip(),
        "",
        f"{asked.replicates} fitted samples a row, from at most {MOST_DRAWS:,} drawn.",
        "",
        "| " + " | ".join(HEAD) + " |",
        "|" + "---|" * len(HEAD),
    ]
    for seed, setting in enumerate(list_settings()):
        lines.append("| " + " | ".join(study(setting, asked.replicates, seed)) + " |")
        print(lines[-1], flush=True)
        asked.out.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
