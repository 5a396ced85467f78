"""Why the beta product is wide with few events and heavy censoring: what to compare its width with.

Run ``python -m benchmarks.width_at_few_events``; the table goes to
``benchmarks/width_at_few_events.md``.

The settings of ``coverage_study.py`` with 50 patients and heavy censoring. Widths are means over
3,000 samples (mid-P 500) divided by those of Clopper–Pearson at three sizes: the effective n,
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

SAMPLES, MID_P_SAMPLES = 3_000, 500


def study(setting: Setting, rng: np.random.Generator) -> list[str]:
    width, middle, estimate, at_risk = (np.full(SAMPLES, np.nan) for _ in range(4))
    held, middle_held = 0, 0
    truth = 1 - setting.figure
    for draw in range(SAMPLES):
        observed = sample(setting, rng)
        at = kaplan_meier(observed, interval="beta-product").at(HORIZON)
        width[draw] = at.upper[0] - at.lower[0]
        held += int(at.lower[0] <= truth <= at.upper[0])
        estimate[draw], at_risk[draw] = 1 - at.estimate[0], at.at_risk[0]
        if draw < MID_P_SAMPLES:
            mid = kaplan_meier(observed, interval="beta-product-mid-p").at(HORIZON)
            middle[draw] = mid.upper[0] - mid.lower[0]
            middle_held += int(mid.lower[0] <= truth <= mid.upper[0])
    known = ~np.isnan(estimate)

    def mean_exact(size: np.ndarray, rows: np.ndarray) -> float:
        low, high = clopper_pearson(estimate[rows] * size[rows], size[rows], 0.95)
        return float(np.mean(high - low))

    effective = np.full(SAMPLES, setting.effective_n)
    none = known & (estimate == 0)
    first = known & (np.arange(SAMPLES) < MID_P_SAMPLES)
    return [
        f"{100 * setting.figure:.0f} %",
        f"{100 * none.sum() / known.sum():.0f} %",
        f"{np.nanmean(at_risk[known]):.0f} of {setting.effective_n:.0f}",
        f"{100 * held / SAMPLES:.1f}",
        f"{np.mean(width[known]) / mean_exact(effective, known):.2f}",
        f"{np.mean(width[none]) / mean_exact(effective, none):.2f}",
        f"{np.mean(width[known]) / mean_exact(at_risk, known):.2f}",
        f"{100 * middle_held / MID_P_SAMPLES:.1f}",
        f"{np.mean(middle[first]) / mean_exact(effective, first):.2f}",
    ]


def main() -> None:
    target = Path(sys.argv[1] if len(sys.argv) > 1 else Path(__file__).with_suffix(".md"))
    rng = np.random.default_rng(20130114)
    headings = ["true figure", "no failure seen", "at risk at 5 years, of effective n"]
    headings += ["beta product covers %", "÷ effective n", "the same, no failure seen"]
    headings += ["÷ people at risk", "mid-P covers %", "mid-P ÷ effective n"]
    lines = ["| " + " | ".join(headings) + " |", "|" + "---|" * len(headings)]
    for figure in (0.02, 0.05, 0.15):
        lines.append("| " + " | ".join(study(Setting(50, figure, "heavy", 0.0), rng)) + " |")
        print(lines[-1], flush=True)
    title = ["# Width of the beta product with few events", "", (__doc__ or "").strip(), ""]
    target.write_text("\n".join([*title, *lines]) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
