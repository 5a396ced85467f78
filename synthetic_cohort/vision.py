"""Latent acuity of each eye, and what a chart reading makes of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic_cohort.disease import TumourRows
from synthetic_cohort.hazards import Flags, Floats, Ints, draw_codes
from synthetic_cohort.toxicity import Harm
from synthetic_cohort.truth import DAYS_PER_YEAR, Truth

SNELLEN_M, SNELLEN_FT, DECIMAL, LOGMAR, LETTERS = range(5)
OFF_CHART = ("CF", "HM", "LP", "NLP")
ON_CHART = -1

METRE_LINES = [
    "6/4",
    "6/5",
    "6/6",
    "6/7.5",
    "6/9",
    "6/12",
    "6/18",
    "6/24",
    "6/36",
    "6/60",
    "3/60",
    "2/60",
    "1/60",
]  # common practice, no source
FOOT_LINES = [
    "20/12.5",
    "20/16",
    "20/20",
    "20/25",
    "20/30",
    "20/40",
    "20/50",
    "20/60",
    "20/80",
    "20/100",
    "20/200",
    "20/400",
    "20/800",
]
DECIMAL_LINES = [
    "1.6",
    "1.25",
    "1.0",
    "0.8",
    "0.63",
    "0.5",
    "0.4",
    "0.32",
    "0.25",
    "0.2",
    "0.16",
    "0.125",
    "0.1",
    "0.05",
    "0.025",
]
LETTER_LOGMAR = 0.02
MOST_LETTERS_MISSED = 2

Halves = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Sight:
    """Parameters of each eye's latent acuity; days from the eye's first implant."""

    baseline_logmar: Floats
    decline_from_day: Ints
    decline_per_year: Floats
    decline_limit: Floats
    cataract_day: Ints
    surgery_day: Ints
    glaucoma_day: Ints
    fellow_logmar: Floats


@dataclass(frozen=True, slots=True)
class Readings:
    """Chart readings as written: all arrays of one shape.

    ``line`` is the index of the line in that notation's list, ``missed`` the letters missed on it;
    ``off_chart`` is an index into ``OFF_CHART`` or ``ON_CHART``. ``logmar`` is what the text
    says, and infinite off the chart.
    """

    notation: Ints
    line: Ints
    missed: Ints
    off_chart: Ints
    logmar: Floats

    def below_6_60(self) -> Flags:
        """Whether the eye read fewer than 35 letters (worse than 6/60)."""
        return np.asarray(self.letters() < 35)

    def letters(self) -> Floats:
        """Letters by 85 - 50 logMAR; minus infinity off the chart."""
        return np.asarray(np.rint(85.0 - 50.0 * self.logmar))


def line_logmar(lines: list[str]) -> Floats:
    """LogMAR of chart lines written as fractions or decimals.

    Examples
    --------
    >>> line_logmar(["6/60", "0.1", "20/40"]).round(2).tolist()
    [1.0, 1.0, 0.3]
    """
    fractions = [[float(part) for part in line.split("/")] for line in lines]
    values = [part[0] / (part[1] if len(part) > 1 else 1.0) for part in fractions]
    return np.asarray(-np.log10(values))


LINE_LOGMAR = tuple(line_logmar(lines) for lines in (METRE_LINES, FOOT_LINES, DECIMAL_LINES))


def draw_sight(truth: Truth, tumours: TumourRows, harm: Harm, rng: np.random.Generator) -> Sight:
    """Draw the course of each eye's acuity; one row an eye."""
    how, n = truth.vision, len(tumours.patient)
    near = np.exp(-np.maximum(tumours.meridian_fovea_mm, 0.0) / how.fovea_scale_mm)
    baseline = (
        how.baseline_logmar
        + how.baseline_at_fovea * near * rng.uniform(0.2, 1.8, n)
        + how.detachment_logmar * tumours.detachment
        + rng.exponential(how.baseline_spread, n)
        + 0.12 * harm.cataract_before
        - 0.1
    )
    onset = harm.onset_day
    median, spread = how.decline_per_year
    return Sight(
        baseline_logmar=np.clip(baseline, -0.15, 1.9),
        decline_from_day=np.minimum(
            onset["radiation_maculopathy"], onset["radiation_optic_neuropathy"]
        ),
        decline_per_year=median * np.exp(spread * rng.standard_normal(n)),
        decline_limit=rng.uniform(*how.decline_limits, n),
        cataract_day=onset["cataract"],
        surgery_day=harm.surgery_day,
        glaucoma_day=onset["neovascular_glaucoma"],
        fellow_logmar=np.clip(rng.exponential(0.10, n) - 0.08, -0.15, 0.8),
    )


def latent_logmar(truth: Truth, sight: Sight, day: NDArray[np.int32]) -> Halves:
    """Return each eye's latent acuity on given days, shape (n, k), in logMAR (at most 3.2)."""
    how = truth.vision
    year = np.float32(1.0 / DAYS_PER_YEAR)

    def since(start: Ints) -> Halves:
        return np.asarray(
            np.maximum((day - start[:, None].astype(np.int32)) * year, 0, dtype=np.float32)
        )

    def column(values: Floats) -> Halves:
        return values[:, None].astype(np.float32)

    decline = np.minimum(
        since(sight.decline_from_day) * column(sight.decline_per_year), column(sight.decline_limit)
    )
    cloud = np.minimum(since(sight.cataract_day) / np.float32(how.cataract_years), 1.0)
    cloud = np.where(day >= sight.surgery_day[:, None], np.float32(0.0), cloud)
    pressure = np.minimum(since(sight.glaucoma_day) * 2, 1.0)
    total = column(sight.baseline_logmar) + decline
    total = total + np.float32(how.cataract_logmar) * cloud
    total = total + np.float32(how.glaucoma_logmar) * pressure
    return np.asarray(np.minimum(total, 3.2), dtype=np.float32)


def _read_lines(seen: Floats, lines: Floats, most_missed: int) -> tuple[Ints, Ints]:
    """Best line read in full, or the next better one with one or two letters missed."""
    better = np.clip(np.searchsorted(lines, seen, side="right") - 1, 0, len(lines) - 1)
    missed = np.rint((seen - lines[better]) / LETTER_LOGMAR).astype(np.int64)
    partly = (missed <= most_missed) | (better == len(lines) - 1)
    missed = np.clip(missed, 0, most_missed)
    line = np.where(partly, better, np.minimum(better + 1, len(lines) - 1))
    return line, np.where(partly, missed, 0)


def draw_readings(
    truth: Truth, latent: Floats | Halves, rng: np.random.Generator, notation: Ints | None = None
) -> Readings:
    """Read a chart once for each latent acuity, in one of the department's notations."""
    how, shape = truth.vision, latent.shape
    seen = latent.ravel().astype(float) + how.reading_sd * rng.standard_normal(latent.size)
    if notation is None:
        notation = draw_codes(how.notation_shares, seen.size, rng)
    notation = notation.ravel()
    line, missed = np.zeros((2, seen.size), dtype=np.int64)
    logmar = np.clip(np.rint(seen / LETTER_LOGMAR) * LETTER_LOGMAR, -0.3, 1.68)
    for written, lines in enumerate(LINE_LOGMAR):
        here = notation == written
        most = MOST_LETTERS_MISSED if written != DECIMAL else 0
        line[here], missed[here] = _read_lines(seen[here], lines, most)
        logmar[here] = lines[line[here]] + LETTER_LOGMAR * missed[here]
    off = np.searchsorted(np.asarray(how.off_chart_from), seen, side="right") - 1
    logmar = np.where(off >= 0, np.inf, logmar)
    codes = [part.reshape(shape) for part in (notation, line, missed, off)]
    return Readings(codes[0], codes[1], codes[2], codes[3], logmar.reshape(shape))
