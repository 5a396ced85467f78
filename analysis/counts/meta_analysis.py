"""Pooling of published or departmental results: random effects and prediction intervals.

Between-study variance by restricted maximum likelihood (REML; Viechtbauer, J Educ Behav Stat
2005;30:261) or DerSimonian and Laird (1986); interval by Hartung and Knapp (2001) or the normal
distribution. The prediction interval says where the true value of another centre may lie; what a
centre *observes* varies by its own sampling variance on top (``predict_estimate``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from registry.errors import RefusedEstimateError

Floats = npt.NDArray[np.float64]
Method = Literal["reml", "dl", "common"]
Interval = Literal["hartung-knapp", "normal"]
Scale = Literal["logit", "arcsine", "freeman-tukey"]


@dataclass(frozen=True, slots=True)
class Effects:
    """Transformed proportions: ``estimate`` and sampling ``variance``, one a study."""

    scale: Scale
    estimate: Floats
    variance: Floats
    n: Floats


@dataclass(frozen=True, slots=True)
class Pooled:
    """A pooled estimate, on the scale of the effects given.

    ``tau2`` is the between-study variance, ``i2`` its share of the total as a fraction, ``q`` and
    ``q_p`` Cochran's test. The prediction limits are NaN for the common-effect model.
    """

    studies: int
    method: Method
    interval: Interval
    level: float
    estimate: float
    se: float
    lower: float
    upper: float
    p: float
    tau2: float
    i2: float
    q: float
    q_p: float
    prediction_lower: float
    prediction_upper: float


def transform_proportions(
    events: npt.ArrayLike, n: npt.ArrayLike, scale: Scale = "logit"
) -> Effects:
    """Put proportions on a scale where their sampling variance is nearly known.

    Parameters
    ----------
    events, n
        Events and people of each study.
    scale
        ``"logit"``: 1/2 is added to events and non-events of a study with none of either, and to
        no other. ``"arcsine"``: asin(sqrt(p)), variance 1/(4n). ``"freeman-tukey"``: the mean of
        two arcsines, variance 1/(4n + 2) (Freeman and Tukey 1950, halved).

    Examples
    --------
    >>> transform_proportions([0, 5], [9, 10]).estimate.round(4).tolist()
    [-2.9444, 0.0]
    """
    x, size = np.asarray(events, float), np.asarray(n, float)
    if x.shape != size.shape or x.ndim != 1 or not np.all((x >= 0) & (x <= size) & (size > 0)):
        raise ValueError("need 0 <= events <= n and n > 0 in two lists of one length")
    if scale == "logit":
        half = np.where((x == 0) | (x == size), 0.5, 0.0)
        yes, no = x + half, size - x + half
        return Effects(scale, np.log(yes / no), 1 / yes + 1 / no, size)
    if scale == "arcsine":
        return Effects(scale, np.arcsin(np.sqrt(x / size)), 1 / (4 * size), size)
    both = np.arcsin(np.sqrt(x / (size + 1))) + np.arcsin(np.sqrt((x + 1) / (size + 1)))
    return Effects(scale, both / 2, 1 / (4 * size + 2), size)


def back_transform(value: float, scale: Scale, n: npt.ArrayLike | None = None) -> float:
    """Turn a value on a transformed scale back into a proportion.

    Freeman-Tukey values need the studies' sizes: Miller's (1978) inversion at their harmonic mean.
    That mean can mislead when sizes differ widely (Schwarzer et al. 2019), so the logit or arcsine
    is preferred for pooling. Values outside the range of the transformation give 0 or 1.

    Examples
    --------
    >>> back_transform(0.0, "logit"), round(back_transform(0.6, "freeman-tukey", [25]), 6)
    (0.5, 0.311734)
    """
    if scale == "logit":
        return float(special.expit(value))
    if scale == "arcsine":
        return math.sin(min(max(value, 0.0), math.pi / 2)) ** 2
    if n is None:
        raise ValueError("the Freeman-Tukey scale needs n to be turned back")
    sizes = np.asarray(n, float)
    size = len(sizes) / float(np.sum(1 / sizes))
    ends = transform_proportions([0.0, size], [size, size], scale).estimate
    if value <= ends[0]:
        return 0.0
    if value >= ends[1]:
        return 1.0
    twice = 2 * value
    inner = math.sin(twice) + (math.sin(twice) - 1 / math.sin(twice)) / size
    root = math.sqrt(max(0.0, 1 - inner * inner))
    return (1 - math.copysign(root, math.cos(twice))) / 2


def pool(
    estimate: npt.ArrayLike,
    variance: npt.ArrayLike,
    *,
    method: Method = "reml",
    interval: Interval = "hartung-knapp",
    level: float = 0.95,
) -> Pooled:
    """Pool estimates of several studies.

    Parameters
    ----------
    estimate, variance
        Effect of each study and its sampling variance (above 0), on a scale where effects are
        nearly normal.
    method
        How the between-study variance is estimated; ``"common"`` sets it to 0.
    interval
        ``"hartung-knapp"``: t on studies - 1 degrees of freedom with the rescaled variance (never
        truncated, so that with few homogeneous studies it can be the narrower one; equal
        estimates give a standard error of 0 and no p value);
        ``"normal"``: Wald. The prediction interval uses the same distribution.

    Raises
    ------
    RefusedEstimateError
        For fewer than two studies.
    ValueError
        For missing values or variances that are not above 0.

    Examples
    --------
    >>> pooled = pool([0.1, 0.3, 0.2], [0.01, 0.02, 0.015], method="dl")
    >>> pooled.tau2, round(pooled.estimate, 4)
    (0.0, 0.1769)
    """
    y, v = np.asarray(estimate, float), np.asarray(variance, float)
    _check(y, v, level)
    tau2 = {"reml": _reml, "dl": _dersimonian_laird, "common": lambda *_: 0.0}[method](y, v)
    k, w, w0 = len(y), 1 / (v + tau2), 1 / v
    mean = float(np.sum(w * y) / np.sum(w))
    q = float(np.sum(w0 * (y - np.sum(w0 * y) / np.sum(w0)) ** 2))
    variance_of_mean = 1 / float(np.sum(w))
    if interval == "hartung-knapp":
        variance_of_mean *= float(np.sum(w * (y - mean) ** 2)) / (k - 1)
        reach = float(special.stdtrit(k - 1, (1 + level) / 2))
    else:
        reach = float(special.ndtri((1 + level) / 2))
    se = math.sqrt(variance_of_mean)
    spread = math.sqrt(tau2 + variance_of_mean) if method != "common" else math.nan
    return Pooled(
        studies=k,
        method=method,
        interval=interval,
        level=level,
        estimate=mean,
        se=se,
        lower=mean - reach * se,
        upper=mean + reach * se,
        p=_two_sided(mean, se, k - 1 if interval == "hartung-knapp" else None),
        tau2=tau2,
        i2=_share_between(tau2, q, w0, method),
        q=q,
        q_p=float(special.chdtrc(k - 1, q)),
        prediction_lower=mean - reach * spread,
        prediction_upper=mean + reach * spread,
    )


def predict_estimate(pooled: Pooled, own_variance: float) -> tuple[float, float]:
    """Give the interval in which a further centre's *estimate* is expected to lie.

    The centre's own sampling variance is added to the between-study variance and that of the mean.
    Lying inside means "not unusual", never "good".

    Parameters
    ----------
    pooled
        A random-effects result.
    own_variance
        Sampling variance of the centre's estimate, on the same scale.

    Examples
    --------
    >>> pooled = pool([0.1, 0.5, 0.2], [0.01, 0.02, 0.015], method="dl")
    >>> low, high = predict_estimate(pooled, 0.02)
    >>> low < pooled.prediction_lower and high > pooled.prediction_upper
    True
    """
    if not own_variance >= 0:
        raise ValueError(f"own_variance must be 0 or more, not {own_variance!r}")
    if pooled.method == "common":
        raise ValueError("a common-effect result predicts no other centre")
    tail = (1 + pooled.level) / 2
    is_t = pooled.interval == "hartung-knapp"
    reach = special.stdtrit(pooled.studies - 1, tail) if is_t else special.ndtri(tail)
    spread = float(reach) * math.sqrt(pooled.tau2 + pooled.se**2 + own_variance)
    return pooled.estimate - spread, pooled.estimate + spread


def _dersimonian_laird(y: Floats, v: Floats) -> float:
    w = 1 / v
    q = float(np.sum(w * (y - np.sum(w * y) / np.sum(w)) ** 2))
    spare = float(np.sum(w) - np.sum(w**2) / np.sum(w))
    return max(0.0, (q - (len(y) - 1)) / spare)


def _reml(y: Floats, v: Floats) -> float:
    """Maximise the restricted likelihood: Fisher scoring with step halving, kept at 0 or above."""
    tau2 = _dersimonian_laird(y, v)
    best = _restricted_log_likelihood(tau2, y, v)
    for _ in range(1000):
        w = 1 / (v + tau2)
        total = float(np.sum(w))
        residual = y - float(np.sum(w * y)) / total
        score = float(np.sum(w**2 * residual**2) - total + np.sum(w**2) / total)
        information = float(np.sum(w**2) - 2 * np.sum(w**3) / total + (np.sum(w**2) / total) ** 2)
        step = score / information
        proposed = max(0.0, tau2 + step)
        while (value := _restricted_log_likelihood(proposed, y, v)) < best - 1e-14 * abs(best):
            step /= 2
            proposed = max(0.0, tau2 + step)
        change, tau2, best = abs(proposed - tau2), proposed, max(value, best)
        if change <= 1e-13 * (tau2 + float(np.mean(v))):
            break
    at_zero = _restricted_log_likelihood(0.0, y, v)
    return 0.0 if at_zero > best else tau2


def _restricted_log_likelihood(tau2: float, y: Floats, v: Floats) -> float:
    w = 1 / (v + tau2)
    mean = np.sum(w * y) / np.sum(w)
    return float(np.sum(np.log(w)) - np.log(np.sum(w)) - np.sum(w * (y - mean) ** 2)) / 2


def _share_between(tau2: float, q: float, w: Floats, method: Method) -> float:
    """I2: (Q - df)/Q for DL and common effect, tau2/(tau2 + typical variance) for REML."""
    df = len(w) - 1
    if method != "reml":
        return max(0.0, (q - df) / q) if q > 0 else 0.0
    typical = df * float(np.sum(w)) / float(np.sum(w) ** 2 - np.sum(w**2))
    return tau2 / (tau2 + typical)


def _two_sided(mean: float, se: float, df: int | None) -> float:
    if se == 0:
        return math.nan
    statistic = mean / se
    tail = special.ndtr(-abs(statistic)) if df is None else special.stdtr(df, -abs(statistic))
    return 2 * float(tail)


def _check(y: Floats, v: Floats, level: float) -> None:
    if y.shape != v.shape or y.ndim != 1:
        raise ValueError(f"estimates and variances differ in shape: {y.shape} and {v.shape}")
    if not (np.all(np.isfinite(y)) and np.all(np.isfinite(v) & (v > 0))):
        raise ValueError("every estimate must be a number and every variance above 0")
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}")
    if len(y) < 2:
        raise RefusedEstimateError(
            f"Pooling needs at least two studies and there is {len(y)}; quote it by itself.",
            studies=len(y),
        )
