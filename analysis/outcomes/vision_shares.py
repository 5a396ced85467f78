"""Shares and medians of eyes when some patients have both eyes in the count.

Of the eyes that are read at a time, each counts once, whichever patient it belongs to: working
independence in the sense of generalised estimating equations (Liang and Zeger 1986, Biometrika
73:13, from memory). With the time as a factor the estimate is the share itself, and its variance is
the sandwich summed by patient, without small-sample factor, as in R's geeglm. For acuity among
those alive, working independence is what keeps the figure about those alive at that time: any other
working correlation would fill in values after death (Kurland and Heagerty 2005, Biostatistics
6:241, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import beta, binom

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class ClusteredShare:
    """``count`` of ``n`` eyes of ``patients`` patients, with limits.

    ``se_log_odds`` is the sandwich standard error of the log odds; None for none or all.
    ``lower`` and ``upper`` are None without eyes.
    """

    count: int
    n: int
    patients: int
    se_log_odds: float | None
    lower: float | None
    upper: float | None

    @property
    def estimate(self) -> float | None:
        """The share itself; None without eyes."""
        return self.count / self.n if self.n else None


def design_effect(hit: npt.NDArray[np.bool_], patient: Ints, centre: float) -> float:
    """Variance of a share by patients over that of independent eyes, about ``centre``.

    Examples
    --------
    >>> hit = np.array([True, True, False, False])
    >>> design_effect(hit, np.array([0, 0, 1, 1]), 0.5), design_effect(hit, np.arange(4), 0.5)
    (2.0, 1.0)
    """
    of_patient = np.unique(patient, return_inverse=True)[1]
    sums = np.bincount(of_patient, weights=hit - centre)
    return float((sums**2).sum() / (len(hit) * centre * (1 - centre)))


def share_over_patients(
    hit: npt.NDArray[np.bool_], patient: Ints, level: float = 0.95
) -> ClusteredShare:
    """Return a share of eyes with limits that hold when both eyes of a patient are counted.

    Parameters
    ----------
    hit
        Shape (n,): which eyes count.
    patient
        Shape (n,): whose eye each is.

    Returns
    -------
    ClusteredShare
        Limits are Clopper and Pearson's at the effective number of eyes, n over the design effect
        (Korn and Graubard 1998, Survey Methodology 24:193, from memory), never above n; with one
        eye a patient they are the exact ones. With no or every eye hit the effective number is the
        number of patients.

    Examples
    --------
    >>> one_eye = share_over_patients(np.array([True] * 3 + [False] * 7), np.arange(10))
    >>> round(one_eye.lower, 4), round(one_eye.upper, 4)
    (0.0667, 0.6525)
    >>> both = share_over_patients(np.array([True] * 4 + [False] * 6), np.arange(10) // 2)
    >>> both.lower < share_over_patients(np.array([True] * 4 + [False] * 6), np.arange(10)).lower
    True
    """
    n, count = len(hit), int(np.sum(hit))
    patients = len(np.unique(patient))
    if n == 0:
        return ClusteredShare(0, 0, 0, None, None, None)
    share, se, effective = count / n, None, float(patients)
    if 0 < count < n:
        effect = design_effect(np.asarray(hit, np.bool_), patient, share)
        se = float(np.sqrt(effect / (n * share * (1 - share))))
        effective = n / max(effect, 1.0)
    hits, tail = effective * share, (1 - level) / 2
    lower = 0.0 if count == 0 else float(beta.ppf(tail, hits, effective - hits + 1))
    upper = 1.0 if count == n else float(beta.ppf(1 - tail, hits + 1, effective - hits))
    return ClusteredShare(count, n, patients, se, lower, upper)


@dataclass(frozen=True, slots=True)
class RankQuantile:
    """A quantile of ranks with distribution-free limits; None where there is too little.

    Limits of the median are order statistics with at least the stated coverage.
    """

    value: int | None
    lower: int | None
    upper: int | None


def median_rank(ranks: Ints, patient: Ints | None = None, level: float = 0.95) -> RankQuantile:
    """Return the median of ranks: the middle reading, the worse of the two middle ones if even.

    Off-chart levels are ranks below every chart value, so the median needs no number for them.

    Parameters
    ----------
    ranks
        Shape (n,).
    patient
        Shape (n,): whose eye each is; every eye its own patient without it.

    Returns
    -------
    RankQuantile
        The limits are the order statistics of the sign test (Thompson 1936, from memory); None for
        five readings or fewer at 95 %. Where patients have both eyes they are moved outwards by the
        root of the design effect of the share below the median (after Woodruff 1952, from memory).

    Examples
    --------
    >>> median_rank(np.array([174, 3, 160, 2, 180, 169, 150]))
    RankQuantile(value=160, lower=2, upper=180)
    """
    n = len(ranks)
    if n == 0:
        return RankQuantile(None, None, None)
    ordered = np.sort(ranks)
    middle = int(ordered[(n - 1) // 2])
    below = int(binom.ppf((1 - level) / 2, n, 0.5))
    if patient is not None:
        effect = max(1.0, design_effect(np.asarray(ranks < middle), patient, 0.5))
        below = int(np.floor(n / 2 - np.sqrt(effect) * (n / 2 - below)))
    if below < 1:
        return RankQuantile(middle, None, None)
    return RankQuantile(middle, int(ordered[below - 1]), int(ordered[n - below]))
