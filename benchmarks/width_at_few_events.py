"""Why the beta product is wide with few events and heavy censoring: what to compare its width with.

Run ``python -m benchmarks.width_at_few_events``; the table goes to
``benchmarks/width_at_few_events.md``.

The settings of ``coverage_study.py`` with 50 patients and heavy censoring. Widths are means over
5,000 samples divided by those of Clopper–Pearson at three sizes: the effective n,
F(1 − F) over the asymptotic variance; the people still at risk at 5 years, the only ones known to
be free of failure then; and, for samples without a failure alone, the effective n again.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from analysis.estimators.intervals import clopper_pearson
from analysis.estimators.survival import kaplan_meier
from benchmarks.coverage_study import HORIZON, Setting, sample

SAMPLES = 5_000


def study(setting: Setting, rng: np.random.Generator) -> list[str]:
    estimate, at_risk = np.empty(SAMPLES), np.empty(SAMPLES)
    low, high = np.empty((2, SAMPLES)), np.empty((2, SAMPLES))
    truth = 1 - setting.figure
    for draw in range(SAMPLES):
        observed = sample(setting, rng)
        for place, interval in enumerate(("beta-product", "beta-product-mid-p")):
            at = kaplan_meier(observed, interval=interval).at(HORIZON)
            low[place, draw], high[place, draw] = at.lower[0], at.upper[0]
        estimate[draw], at_risk[draw] = 1 - at.estimate[0], at.at_risk[0]
    known = ~np.isnan(estimate)
    width, middle = high - low
    with np.errstate(invalid="ignore"):
        held, middle_held = 100 * np.mean((low <= truth) & (truth <= high), axis=1)

    def mean_exact(size: np.ndarray, rows: np.ndarray) -> float:
        exact = clopper_pearson(estimate[rows] * size[rows], size[rows], 0.95)
        return float(np.mean(exact[1] - exact[0]))

    effective = np.full(SAMPLES, setting.effective_n)
    none = known & (estimate == 0)
    return [
        f"{100 * setting.figure:.0f} %",
        f"{100 * none.sum() / known.sum():.0f} %",
        f"{np.nanmean(at_risk[known]):.0f} of {setting.effective_n:.0f}",
        f"{held:.1f}",
        f"{np.mean(width[known]) / mean_exact(effective, known):.2f}",
        f"{np.mean(width[none]) / mean_exact(effective, none):.2f}",
        f"{np.mean(width[known]) / mean_exact(at_risk, known):.2f}",
        f"{middle_held:.1f}",
        f"{np.mean(middle[known]) / mean_exact(effective, known):.2f}",
        f"{np.mean(middle[none]) / mean_exact(effective, none):.2f}",
    ]


def main() -> None:
    target = Path(sys.argv[1] if len(sys.argv) > 1 else Path(__file__).with_suffix(".md"))
    rng = np.random.default_rng(20130114)
    headings = ["true figure", "no failure seen", "at risk at 5 years, of effective n"]
    headings += ["beta product covers %", "÷ effective n", "the same, no failure seen"]
    headings += ["÷ people at risk", "mid-P covers %", "mid-P ÷ effective n"]
    headings += ["the same, no failure seen"]
    lines = ["| " + " | ".join(headings) + " |", "|" + "---|" * len(headings)]
    for figure in (0.02, 0.05, 0.15):
        lines.append("| " + " | ".join(study(Setting(50, figure, "heavy", 0.0), rng)) + " |")
        print(lines[-1], flush=True)
    title = ["# Width of the beta product with few events", "", (__doc__ or "").strip(), ""]
    target.write_text("\n".join([*title, *lines]) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
