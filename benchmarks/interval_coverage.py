"""Do the bootstrap limits of the interval-censored NPMLE cover? A simulation of 5-year figures.

Run ``python benchmarks/interval_coverage.py [FILE [all]]``; the table goes to
``benchmarks/interval_coverage.md``.

The event is exponential with the true 5-year figure stated and is found at the next visit. Visits
fall each 0.5 ± 0.1 years after the one before, so that they drift apart; follow-up ends uniformly
over (0, 8) years (heavy). With ``all`` also visits on the schedule for everybody, and follow-up
over (0, 25) years (light). 300 samples a setting (Monte Carlo error of a coverage of 95 %: 1.3
points), 100 bootstrap draws each. Without an event in the sample there are no limits: such samples
count as misses and are counted apart. Inside a mass interval the estimate is taken half-way between
its bounds.

The limits cover 92 to 95 % where 15 % or more have the event and too little below that: with few
events read the illness–death model, or exact limits of the count, instead.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from analysis.estimators.interval_censored import bootstrap_npmle, npmle
from registry.errors import RefusedEstimateError

SAMPLES, RESAMPLES, SEED = 300, 100, 20260301
HORIZON = 5.0
ENDS = {"heavy": 8.0, "light": 25.0}


def draw(
    n: int, figure: float, visits: str, censoring: str, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Intervals (L, U] of n patients as visits see them."""
    event = rng.exponential(-HORIZON / np.log1p(-figure), n)
    ends = rng.uniform(0, ENDS[censoring], n)
    jitter = rng.uniform(-0.1, 0.1, (n, 50)) if visits == "drifting" else np.zeros((n, 50))
    times = np.cumsum(0.5 + jitter, axis=1)
    seen = times <= ends[:, None]
    lower = np.where(seen & (times < event[:, None]), times, 0.0).max(axis=1)
    upper = np.where(seen & (times >= event[:, None]), times, np.inf).min(axis=1)
    return lower, upper


def study(n: int, figure: float, visits: str, censoring: str, rng: np.random.Generator) -> str:
    truth, held, without, refused = 1 - figure, 0, 0, 0
    estimates = []
    for _ in range(SAMPLES):
        lower, upper = draw(n, figure, visits, censoring, rng)
        if not np.isfinite(upper).any():
            without += 1
            estimates.append(1.0)
            continue
        try:
            read = npmle(lower, upper).at([HORIZON])
            limits = bootstrap_npmle(lower, upper, [HORIZON], rng, resamples=RESAMPLES)
        except RefusedEstimateError:
            refused += 1
            continue
        estimates.append(float(read.lowest[0] + read.highest[0]) / 2)
        held += int(limits.lower[0] <= truth <= limits.upper[0])
    used = SAMPLES - refused
    bias = 100 * (truth - float(np.nanmean(estimates)))
    given = used - without
    cells = [n, f"{100 * figure:.0f} %", visits, censoring, f"{bias:+.2f}"]
    cells += [f"{100 * held / used:.1f}", f"{100 * without / used:.1f} %"]
    cells += [f"{100 * held / given:.1f}" if given else "–"]
    return "| " + " | ".join(map(str, cells)) + " |"


def main() -> None:
    target = Path(sys.argv[1] if len(sys.argv) > 1 else Path(__file__).with_suffix(".md"))
    rng = np.random.default_rng(SEED)
    headings = "| n | true figure | visits | censoring | bias, points | covered % | no event |"
    headings += " covered %, given an event |"
    lines = [headings, "|" + "---|" * 8]
    title = [
        "# Coverage of the NPMLE's bootstrap limits at 5 years",
        "",
        (__doc__ or "").strip(),
        "",
    ]
    sets = [("heavy", "drifting"), ("heavy", "scheduled"), ("light", "drifting")]
    for censoring, visits in sets if sys.argv[2:] == ["all"] else sets[:1]:
        for n in (50, 100, 300):
            for figure in (0.02, 0.05, 0.15, 0.5):
                lines.append(study(n, figure, visits, censoring, rng))
                print(lines[-1], flush=True)
        target.write_text("\n".join([*title, *lines]) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
