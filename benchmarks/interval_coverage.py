"""Do the limits of the interval-censored NPMLE cover? A simulation of 5-year figures.

Run ``python benchmarks/interval_coverage.py [FILE [drifting|scheduled]]``; the table goes to
``benchmarks/interval_coverage.md``.

The event is exponential with the true 5-year figure stated and is found at the next visit. Visits
fall each 0.5 ± 0.1 years after the one before, so that they drift apart, or on the same half-year
for everybody (scheduled); follow-up ends uniformly over (0, 8) years (heavy) or (0, 25) (light).
Beta product: the limits of ``analysis/estimators/interval_limits.py`` in 5,000 samples a row (Monte
Carlo error of a coverage of 95 %: 0.3 points), their mid-P form and the bias in the first 1,000
(0.7 points). Bootstrap: percentile limits from 100 draws each, the first 100 samples of drifting
visits (2 points); without an event in the sample they do not exist and count as a miss. Width is
the mean distance of the limits, over that of Kaplan–Meier's beta product had every event's date
been known. For the bias the estimate is taken half-way between its bounds inside a mass interval;
samples in which nobody is followed for 5 years have no figure and are left out (under 1 in 1,000).

The beta product covers 95.9 % or more in every row, at few events and at none. It is up to 7 %
wider than limits from known dates would be, and 9 to 23 % under light censoring at 50 %, or at 15 %
and 300 patients, where the half-years between visits are no longer small beside the chance error.
The bootstrap's limits cover 41 to 88 % at 2 % and 77 to 93 % at 5 %; the interpolated quantiles of
100 draws have a nominal coverage of 93.1 %, so that only what is below that is the method's. Each
kind of visits was run by itself, both from the seed in the script.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np

from analysis.estimators.interval_censored import bootstrap_npmle, npmle
from analysis.estimators.interval_limits import limit_by_ends
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier

Limits = Any

SAMPLES, ESTIMATED, BOOTSTRAPPED, RESAMPLES, SEED = 5_000, 1_000, 100, 100, 20260301
HORIZON = 5.0
ENDS = {"heavy": 8.0, "light": 25.0}
FIGURES = {"drifting": (0.02, 0.05, 0.15, 0.5), "scheduled": (0.02, 0.05, 0.15)}
HEAD = (
    "n", "true figure", "visits", "censoring", "no event", "bias, points", "beta product covers",
    "mid-P covers", "bootstrap covers", "beta product ÷ dates known, width",
    "bootstrap ÷ dates known, width",
)  # fmt: skip


def draw(
    n: int, figure: float, visits: str, censoring: str, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, RightCensored]:
    """Intervals (L, U] of n patients as visits see them, and what exact dates would have been."""
    event = rng.exponential(-HORIZON / np.log1p(-figure), n)
    ends = rng.uniform(0, ENDS[censoring], n)
    jitter = rng.uniform(-0.1, 0.1, (n, 62)) if visits == "drifting" else np.zeros((n, 62))
    times = np.cumsum(0.5 + jitter, axis=1)
    seen = times <= ends[:, None]
    lower = np.where(seen & (times < event[:, None]), times, 0.0).max(axis=1)
    upper = np.where(seen & (times >= event[:, None]), times, np.inf).min(axis=1)
    return lower, upper, RightCensored.of(np.minimum(event, ends), (event <= ends).astype(int))


def study(n: int, figure: float, visits: str, censoring: str, rng: np.random.Generator) -> str:
    """One row of the table."""
    truth, without = 1 - figure, 0
    found, held, held_mid, held_drawn = [], [], [], []
    width, width_drawn = [], []
    for sample in range(SAMPLES):
        lower, upper, exact = draw(n, figure, visits, censoring, rng)
        without += int(not np.isfinite(upper).any())
        estimate = npmle(lower, upper) if sample < ESTIMATED else None
        limits = limit_by_ends(estimate, lower, upper, [HORIZON])
        if np.isnan(limits.lower[0]):
            continue
        held.append(covers(limits, truth))
        if estimate is None:
            continue
        read = estimate.at([HORIZON])
        found.append(float(read.lowest[0] + read.highest[0]) / 2)
        by_mid_p = limit_by_ends(estimate, lower, upper, [HORIZON], mid_p=True)
        held_mid.append(covers(by_mid_p, truth))
        ideal = span(kaplan_meier(exact, interval="beta-product").at([HORIZON]))
        width.append((span(limits), ideal))
        if visits == "drifting" and sample < BOOTSTRAPPED:
            drawn = bootstrap_npmle(lower, upper, [HORIZON], rng, resamples=RESAMPLES)
            held_drawn.append(covers(drawn, truth))
            if not np.isnan(drawn.lower[0]):
                width_drawn.append((span(drawn), ideal))
    cells = [n, f"{100 * figure:.0f} %", visits, censoring, f"{100 * without / SAMPLES:.1f} %"]
    cells += [f"{100 * (truth - float(np.mean(found))):+.2f}"]
    cells += [show_share(one) for one in (held, held_mid, held_drawn)]
    cells += [show_ratio(one) for one in (width, width_drawn)]
    return "| " + " | ".join(map(str, cells)) + " |"


def covers(limits: Limits, truth: float) -> bool:
    """Whether the limits hold the true survival."""
    return bool(limits.lower[0] <= truth <= limits.upper[0])


def span(limits: Limits) -> float:
    """How far apart the limits are."""
    return float(limits.upper[0] - limits.lower[0])


def show_share(held: list[bool]) -> str:
    """A coverage, a dash where nothing was drawn."""
    return f"{100 * np.mean(held):.{1 if len(held) > BOOTSTRAPPED else 0}f} %" if held else "–"


def show_ratio(width: list[tuple[float, float]]) -> str:
    """A ratio of mean widths, a dash where nothing was drawn."""
    return f"{np.divide(*np.mean(width, axis=0)):.2f}" if width else "–"


def main() -> None:
    """Run every setting and write the table after each."""
    target = Path(sys.argv[1] if len(sys.argv) > 1 else Path(__file__).with_suffix(".md"))
    rng = np.random.default_rng(SEED)
    lines = [
        "# Coverage of the limits of the interval-censored NPMLE at 5 years",
        "",
        (__doc__ or "").strip(),
        "",
        "| " + " | ".join(HEAD) + " |",
        "|" + "---|" * len(HEAD),
    ]
    for visits, figures in FIGURES.items():
        if sys.argv[2:] not in ([], [visits]):
            continue
        for censoring in ENDS:
            for n in (50, 100, 300):
                for figure in figures:
                    lines.append(study(n, figure, visits, censoring, rng))
                    print(lines[-1], flush=True)
                    target.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
