"""Coverage of the profile intervals of the Firth models with few events.

Run: python -m benchmarks.firth_coverage [--replicates 10000] [--out FILE]; the table goes to
benchmarks/firth_coverage.md.

x1 is normal with coefficient 0.7, x2 binary with 1.0. Cox: failure is exponential given both, with
the true 5-year figure stated over everybody; follow-up ends uniformly over (0, 25) years (light) or
(0, 8) (heavy) and at 5 years in any case; times in whole months, so that they tie. Logistic: the
state at the horizon, known of everybody, so that there is no censoring to vary.

Models with under five events are refused: such samples are left out and their share is printed, as
a department would see it. The figures are therefore of what is reported, and samples are drawn
until the replicates stated have been fitted, or the most draws. An interval covers the truth
exactly when twice the fall of the penalised likelihood at the truth is at most the χ² quantile, so
that two fits a coefficient are enough; blocks of samples are climbed together
(firth_batches.py), and every hundredth sample is fitted by the model itself and must agree. Wald:
± 1.96 SE of the Firth fit, which is not reported.

The profile limits cover 94 to 96 % of the truth of both coefficients in every row; Wald limits
cover that of x2 in up to 99.8 %, being symmetric where the likelihood is not. At 50 patients and
2 %, one event or fewer is expected: the figures there are of the one sample in 300 to 1,700 that a
model is fitted to, and fewer than the replicates wanted were found.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import chi2, norm

from analysis.models.binomial_likelihood import BinomialData, penalised_binomial
from analysis.models.cox import prepare_cox
from analysis.models.firth import penalised_partial
from analysis.models.newton import Climb, Evaluate
from analysis.models.profile_likelihood import maximise_penalised
from benchmarks.firth_batches import CoxBlock, LogisticBlock, judge

OUT = Path(__file__).with_suffix(".md")
TRUTH = np.array([0.7, 1.0])
ALLOWED = float(chi2.ppf(0.95, 1))
HORIZON_YEARS = 5.0
ENDS = {"light": 25.0, "heavy": 8.0}
FEWEST, MOST_DRAWS = 5, 2_000_000
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


Sample = tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass
class Draws:
    """Samples of a setting: how many were drawn, how many events they had."""

    setting: Setting
    base: float
    rng: np.random.Generator
    drawn: int = 0
    events: int = 0

    def enough(self, wanted: int) -> Iterator[Sample]:
        """Give blocks of covariates, times in months and events, five or more in each sample."""
        size = max(1, 60_000 // self.setting.n)
        given = 0
        while self.drawn < MOST_DRAWS and given < wanted:
            x, months, event = self._block(size)
            count = event.sum(axis=1)
            is_varied = np.ptp(x[..., 1], axis=1) > 0
            chosen = np.flatnonzero((count >= FEWEST) & is_varied)[: wanted - given]
            given += len(chosen)
            used = size if given < wanted else int(chosen[-1]) + 1
            self.drawn += used
            self.events += int(count[:used].sum())
            if chosen.size:
                yield x[chosen], months[chosen], event[chosen]

    def _block(self, size: int) -> Sample:
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


def judge_block(setting: Setting, sample: Sample) -> tuple[np.ndarray, np.ndarray]:
    """Whether each interval of each sample holds the truth; the models themselves judge a few.

    A sample whose climbs did not end in the block goes to the model itself; every hundredth does
    so too, and must agree.
    """
    is_cox = setting.model == "firth-cox"
    make, fit = (CoxBlock, fit_cox) if is_cox else (LogisticBlock, fit_logistic)
    by_profile, by_wald, ended = judge(make, sample, TRUTH, ALLOWED, float(norm.isf(0.025)))
    for i in range(len(ended)):
        if ended[i] and i % 100:
            continue
        found = [np.array(one) for one in fit(*(part[i] for part in sample))]
        if ended[i] and not all(
            np.array_equal(*pair) for pair in zip(found, (by_profile[i], by_wald[i]), strict=True)
        ):
            raise SystemExit(f"the block disagrees with the model: {setting}")
        by_profile[i], by_wald[i] = found
    return by_profile, by_wald


def study(setting: Setting, replicates: int, seed: int) -> list[str]:
    """One row: coverage of both coefficients."""
    rng = np.random.default_rng(seed)
    draws = Draws(setting, calibrate(setting, rng), rng)
    profile, wald, separated = [], [], 0
    for sample in draws.enough(replicates):
        x, _, event = sample
        by_profile, by_wald = judge_block(setting, sample)
        profile.append(by_profile)
        wald.append(by_wald)
        inside = (event & (x[..., 1] > 0)).sum(axis=1)
        separated += int(((inside == 0) | (inside == event.sum(axis=1))).sum())
    fitted = sum(map(len, profile))
    shares = [*np.concatenate(profile).mean(axis=0), *np.concatenate(wald).mean(axis=0)]
    return [
        setting.model, str(setting.n), f"{100 * setting.figure:g} %", setting.censoring,
        f"{setting.prevalence:g}", f"{draws.events / draws.drawn:.1f}", str(fitted),
        f"{100 * (1 - fitted / draws.drawn):.2f} %", f"{100 * separated / fitted:.1f} %",
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
    parser.add_argument("--replicates", type=int, default=10_000)
    parser.add_argument("--out", type=Path, default=OUT)
    parser.add_argument("--model", help="only this model's rows")
    asked = parser.parse_args()
    lines = [
        "# Coverage of the Firth models' 95 % intervals with few events",
        "",
        (__doc__ or "").strip(),
        "",
        f"{asked.replicates:,} fitted samples a row, from at most {MOST_DRAWS:,} drawn.",
        "",
        "| " + " | ".join(HEAD) + " |",
        "|" + "---|" * len(HEAD),
    ]
    for seed, setting in enumerate(list_settings()):
        if asked.model not in (None, setting.model):
            continue
        lines.append("| " + " | ".join(study(setting, asked.replicates, seed)) + " |")
        print(lines[-1], flush=True)
        asked.out.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
