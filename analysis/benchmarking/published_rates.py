"""Published outcome figures as data, and what makes one usable for a comparison.

The list that comes with the program is ``analysis/benchmarking/published_rates.csv``; a department
adds its own
file with the same columns. A rate without citation, definition, estimator or number of patients is
refused, because nothing can be compared with it. ``verified`` says whether the figure was read in
the source (or its abstract) or remembered; a remembered figure is listed, never used for a verdict.

``compares_with`` names the end point here that a figure is about: one of the end points, a
complication, or a level of vision such as ``vision_at_least_6_60``, ``vision_better_than_6_60`` or
``vision_loss_0_3`` (logMAR). ``unlike`` says in words why the two are not the same all the same; it
is then listed and never compared. ``loss_counted`` says of a level of vision whether a loss had to
be "confirmed" or counts when "first seen"; blank is not stated.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files

import numpy as np

from analysis.outcomes.baseline import CHARACTERISTICS
from analysis.outcomes.end_points import END_POINTS, find_end_point
from analysis.outcomes.vision_levels import level_named
from registry.errors import RefusedInputError, UsageError

COLUMNS = (
    "key",
    "citation",
    "end_point",
    "definition",
    "free_of_event",
    "compares_with",
    "loss_counted",
    "unlike",
    "estimator",
    "n",
    "years",
    "estimate",
    "lower",
    "upper",
    "interval_from",
    "isotope",
    "population",
    "stratum",
    "stratum_from",
    "stratum_below",
    "verified",
    "note",
)
NEEDED = ("key", "citation", "end_point", "definition", "estimator", "n", "estimate", "verified")

ESTIMATORS = ("kaplan-meier", "cumulative incidence", "crude", "pooled crude")
VERIFIED = ("read", "from memory")
INTERVAL_FROM = ("printed", "standard error", "")
LOSS_COUNTED = ("confirmed", "first seen", "")
STRATA = tuple(one.name for one in CHARACTERISTICS if one.is_number)
"""Fields of the baseline table by which a figure may be limited to part of the patients."""

VARIANCE_INFLATION = 1.6
"""How much wider than binomial a censored estimate's variance is taken to be without an interval.

Just above the largest ratio of printed variance to p(1 - p)/n among the figures up to 10 years of
our own list that give both (1.06 to 1.51 over nine figures): without an interval, n counts as
n/1.6.
"""


@dataclass(frozen=True, slots=True)
class Stratum:
    """Part of the patients that a figure is about: ``low <= field < high``.

    Bounds of the built-in list lie half a rounding step outside the printed range.
    """

    field: str
    low: float = -math.inf
    high: float = math.inf

    def holds(self, value: float | None) -> bool:
        """Whether a value lies in the stratum; an unknown one lies in none.

        >>> Stratum("thickness_mm", high=6.0).holds(5.9)
        True
        """
        return value is not None and self.low <= value < self.high


@dataclass(frozen=True, slots=True)
class PublishedRate:
    """One published figure. ``failure`` and its limits are on the side of the event.

    ``years`` is None for a crude proportion; ``compares_with`` is the end point here that it is
    about, or None; ``unlike`` says why it is not the same all the same; ``lower`` and ``upper`` are
    95 % limits, None where none is printed.
    """

    key: str
    citation: str
    end_point: str
    definition: str
    compares_with: str | None
    estimator: str
    n: int
    years: float | None
    failure: float
    lower: float | None
    upper: float | None
    interval_from: str
    isotope: str
    population: str
    stratum: Stratum | None
    verified: str
    note: str
    loss_counted: str = ""
    unlike: str = ""

    @property
    def is_actuarial(self) -> bool:
        """Whether it is an estimate at a time from censored follow-up."""
        return self.estimator in ESTIMATORS[:2] and self.years is not None

    def limits(self) -> tuple[float, float]:
        """95 % limits of the failure: printed ones, else Wilson's with n divided by 1.6."""
        if self.lower is not None and self.upper is not None:
            return self.lower, self.upper
        z, n = 1.959963984540054, self.n / VARIANCE_INFLATION
        centre = (self.failure + z * z / (2 * n)) / (1 + z * z / n)
        spread = self.failure * (1 - self.failure) / n + z * z / (4 * n * n)
        reach = z * math.sqrt(spread) / (1 + z * z / n)
        return max(0.0, centre - reach), min(1.0, centre + reach)

    def log_hazard_sd(self) -> float:
        """Standard deviation of the log cumulative hazard, from the limits.

        The wider half of the interval on the scale log(-log S) is taken; a limit of 0 or 1 has none
        there and the other half is used. NaN when the failure itself is 0 or 1.
        """
        if not 0 < self.failure < 1:
            return math.nan
        middle = _log_hazard(self.failure)
        low, high = self.limits()
        halves = [abs(_log_hazard(p) - middle) for p in (low, high) if 0 < p < 1]
        return max(halves, default=math.nan) / 1.959963984540054


@dataclass(frozen=True, slots=True)
class PublishedSeries:
    """The figures of one series, end point and stratum, by time; all by one estimator."""

    rates: tuple[PublishedRate, ...]

    @property
    def first(self) -> PublishedRate:
        """The earliest figure, which stands for what all of them share."""
        return self.rates[0]

    @property
    def years(self) -> tuple[float, ...]:
        """Times of the figures."""
        return tuple(rate.years for rate in self.rates if rate.years is not None)


def _log_hazard(failure: float) -> float:
    return math.log(-math.log1p(-failure))


def cumulative_hazards(series: PublishedSeries) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Give −log S at each time of a Kaplan–Meier series, shape (times,)."""
    return np.asarray([-math.log1p(-rate.failure) for rate in series.rates])


def builtin_rates() -> tuple[PublishedRate, ...]:
    """Return the rates that come with the program.

    >>> rates = builtin_rates()
    >>> {rate.verified for rate in rates} <= set(VERIFIED)
    True
    """
    text = (
        files("analysis.benchmarking").joinpath("published_rates.csv").read_text(encoding="utf-8")
    )
    return read_rates(text, "the built-in list")


def read_rates(text: str, name: str) -> tuple[PublishedRate, ...]:
    """Read published rates from CSV text.

    Parameters
    ----------
    text
        CSV with the columns of ``COLUMNS``; those not needed may be left out.
    name
        What the file is called in an error.

    Raises
    ------
    RefusedInputError
        For a missing or unknown column, or a row that lacks a needed field or holds a value that
        cannot be; it names the line.
    """
    rows = csv.DictReader(io.StringIO(text))
    headings = tuple(rows.fieldnames or ())
    for problem, found in (
        ("lacks the column", [c for c in NEEDED if c not in headings]),
        ("has the unknown column", [c for c in headings if c not in COLUMNS]),
    ):
        if found:
            raise RefusedInputError(
                f"{name} {problem} {found[0]!r}; columns are {', '.join(COLUMNS)}.", file=name
            )
    return tuple(_read_row(row, name, line) for line, row in enumerate(rows, start=2))


_CHOICES: dict[str, tuple[str, ...]] = {
    "estimator": ESTIMATORS,
    "verified": VERIFIED,
    "interval_from": INTERVAL_FROM,
    "free_of_event": ("yes", "no", ""),
    "loss_counted": LOSS_COUNTED,
    "stratum": (*STRATA, ""),
}


def is_end_point(name: str) -> bool:
    """Whether something here has that name: an end point, a complication or a level of vision.

    >>> is_end_point("local_failure"), is_end_point("vision_at_least_6_60"), is_end_point("vision")
    (True, True, False)
    """
    if level_named(name) is not None:
        return True
    try:
        find_end_point(name)
    except UsageError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class _Line:
    """The cells of one line of a file, read strictly."""

    cells: dict[str, str]
    file: str
    row: int

    def refuse(self, field: str, allowed: str) -> RefusedInputError:
        """Say what the line holds and what is allowed."""
        return RefusedInputError(
            f"{self.file}, line {self.row}: {field} is {self.cells[field]!r}. Allowed: {allowed}.",
            file=self.file,
            row=self.row,
            field=field,
        )

    def check(self) -> None:
        """Refuse a needed field that is blank, or a code that is none."""
        for field in NEEDED:
            if not self.cells[field]:
                words = "a published rate needs citation, definition, estimator and n"
                raise self.refuse(field, words)
        for field, allowed in _CHOICES.items():
            if self.cells[field] not in allowed:
                raise self.refuse(field, ", ".join(one or "blank" for one in allowed))
        if self.cells["compares_with"] and not is_end_point(self.cells["compares_with"]):
            words = ", ".join((*END_POINTS, "a complication"))
            raise self.refuse("compares_with", f"{words}, vision_at_least_6_60 and such, or blank")

    def number(self, field: str, low: float, high: float) -> float | None:
        """Read a number in a range, or None where the cell is blank."""
        if not self.cells[field]:
            return None
        try:
            value = float(self.cells[field])
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            raise self.refuse(field, f"a number from {low:g} to {high:g}, or blank")
        return value

    def people(self) -> int:
        """Read n."""
        n = self.number("n", 1, 1e7)
        if n is None or n != int(n):
            raise self.refuse("n", "a whole number of patients")
        return int(n)

    def years(self) -> float | None:
        """Read the time, which an actuarial estimate must have."""
        years = self.number("years", 1e-6, 100)
        if years is None and self.cells["estimator"] in ESTIMATORS[:2]:
            raise self.refuse("years", "a time for an actuarial estimate")
        return years

    def failure(self) -> tuple[float, float | None, float | None]:
        """Read estimate and limits, turned to the side of the event."""
        estimate = self.number("estimate", 0, 1) or 0.0
        lower, upper = self.number("lower", 0, 1), self.number("upper", 0, 1)
        if (lower is None) != (upper is None):
            raise self.refuse("lower", "both limits or neither")
        if lower is not None and upper is not None and not lower <= estimate <= upper:
            raise self.refuse("estimate", "a value between its limits")
        if self.cells["free_of_event"] != "yes":
            return estimate, lower, upper
        turned = [None if p is None else 1 - p for p in (upper, lower)]
        return 1 - estimate, turned[0], turned[1]


def _read_row(row: dict[str, str | None], name: str, number: int) -> PublishedRate:
    cells = {column: (row.get(column) or "").strip() for column in COLUMNS}
    line = _Line(cells, name, number)
    line.check()
    n, years = line.people(), line.years()
    failure, lower, upper = line.failure()
    below = line.number("stratum_below", 0, 1e9)
    return PublishedRate(
        key=cells["key"],
        citation=cells["citation"],
        end_point=cells["end_point"],
        definition=cells["definition"],
        compares_with=cells["compares_with"] or None,
        estimator=cells["estimator"],
        n=n,
        years=years,
        failure=failure,
        lower=lower,
        upper=upper,
        interval_from=cells["interval_from"],
        isotope=cells["isotope"],
        population=cells["population"],
        stratum=_stratum(cells, line.number("stratum_from", -1e9, 1e9), below),
        verified=cells["verified"],
        note=cells["note"],
        loss_counted=cells["loss_counted"],
        unlike=cells["unlike"],
    )


def _stratum(cells: dict[str, str], low: float | None, high: float | None) -> Stratum | None:
    if not cells["stratum"]:
        return None
    return Stratum(
        cells["stratum"],
        -math.inf if low is None else low,
        math.inf if high is None else high,
    )


def _series_key(rate: PublishedRate) -> tuple[object, ...]:
    """What the figures of one series have in common; a crude figure stands by itself."""
    shared = (
        rate.key, rate.end_point, rate.estimator, rate.population, rate.stratum, rate.verified,
    )  # fmt: skip
    return (*shared, None if rate.is_actuarial else id(rate))


def find_repeated(rates: Sequence[PublishedRate]) -> int | None:
    """Return the place of the first figure that an earlier one states too: one series, one time.

    >>> find_repeated(builtin_rates()), find_repeated([*builtin_rates()[:1], builtin_rates()[0]])
    (None, 1)
    """
    seen: set[tuple[object, ...]] = set()
    for place, rate in enumerate(rates):
        stated = (*_series_key(rate), rate.years)
        if stated in seen:
            return place
        seen.add(stated)
    return None


def group_series(rates: Sequence[PublishedRate]) -> tuple[PublishedSeries, ...]:
    """Put the figures of one series together, by time; crude figures stand by themselves.

    Figures belong together when key, end point, estimator, population, stratum and verification
    agree.
    """
    found: dict[tuple[object, ...], list[PublishedRate]] = {}
    for rate in rates:
        found.setdefault(_series_key(rate), []).append(rate)
    return tuple(
        PublishedSeries(tuple(sorted(group, key=lambda rate: rate.years or 0.0)))
        for group in found.values()
    )
