"""Levels of acuity whose loss is an end point, as declarations: SQL and words follow from them.

"At least 6/60" and "better than 6/60" are different end points, and a loss counted in letters from
baseline is a third kind. All are compared by rank: letters on the chart, every off-chart level
(counting fingers, hand movements, light perception, none) below every chart value.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from registry.acuity import OFF_CHART_LEVELS, rank_of, read_acuity
from registry.errors import RefusedInputError, UsageError

Kind = Literal["at_least", "better_than", "loss"]

LOWEST_CHART_RANK = len(OFF_CHART_LEVELS)
"""Ranks from here on are chart values."""

LETTERS_OF_LEVEL = {"6/12": 70, "6/60": 35, "3/60": 20}
LETTERS_OF_LOSS = {"0.3": 15, "0.5": 25, "0.6": 30}


@dataclass(frozen=True, slots=True)
class VisionLevel:
    """One end point of vision.

    ``letters`` is the level in letters, or for a loss the letters lost from baseline. ``written``
    is the level as people write it (6/12), or the loss in logMAR.
    """

    kind: Kind
    written: str
    letters: int

    @property
    def name(self) -> str:
        """Name in answers and files, such as ``vision_at_least_6_12``."""
        return f"vision_{self.kind}_{self.written.replace('/', '_').replace('.', '_')}"

    @property
    def level_words(self) -> str:
        """What an eye above the level has, such as "at least 6/12"."""
        if self.kind == "loss":
            return f"under {self.letters} letters ({self.written} logMAR) lost"
        return f"{self.kind.replace('_', ' ')} {self.written}"

    @property
    def loss_words(self) -> str:
        """What is lost, as a title: "loss of acuity of at least 6/12"."""
        if self.kind == "loss":
            return f"loss of {self.letters} letters ({self.written} logMAR)"
        return f"loss of acuity of {self.level_words}"

    @property
    def kept_words(self) -> str:
        """What is kept, as a title."""
        if self.kind == "loss":
            return f"freedom from loss of {self.letters} letters ({self.written} logMAR)"
        return f"acuity of {self.level_words} kept"

    def is_above(self, rank: str, baseline_rank: str) -> str:
        """Return SQL that says whether a reading is above the level.

        Examples
        --------
        >>> at_least("6/12").is_above("r", "b"), better_than("6/60").is_above("r", "b")
        ('r >= 174', 'r > 139')
        >>> loss_of("0.3").is_above("r", "b")
        '(r >= 4 AND r > b - 15)'
        """
        if self.kind == "at_least":
            return f"{rank} >= {rank_of(self.letters, None)}"
        if self.kind == "better_than":
            return f"{rank} > {rank_of(self.letters, None)}"
        return f"({rank} >= {LOWEST_CHART_RANK} AND {rank} > {baseline_rank} - {self.letters})"


def _find_level(kind: Kind, text: str, option: str) -> VisionLevel:
    allowed = ", ".join(LETTERS_OF_LEVEL)
    try:
        letters = read_acuity(text).letters
    except RefusedInputError as refusal:
        raise UsageError(
            f"{option} takes one of {allowed}. {refusal.message}", option=option
        ) from None
    for written, wanted in LETTERS_OF_LEVEL.items():
        if letters == wanted:
            return VisionLevel(kind, written, wanted)
    raise UsageError(
        f"{option} takes one of {allowed} (levels fixed beforehand), not {text!r}.", option=option
    )


def at_least(text: str) -> VisionLevel:
    """Return the level "at least 6/12" (or 6/60, 3/60; other notations of these are understood).

    Examples
    --------
    >>> at_least("20/40")
    VisionLevel(kind='at_least', written='6/12', letters=70)
    """
    return _find_level("at_least", text, "--at-least")


def better_than(text: str) -> VisionLevel:
    """Return the level "better than 6/60", as in the Collaborative Ocular Melanoma Study.

    Examples
    --------
    >>> better_than("6/60").name
    'vision_better_than_6_60'
    """
    return _find_level("better_than", text, "--better-than")


def loss_of(logmar: str) -> VisionLevel:
    """Return the loss of 0.3, 0.5 or 0.6 logMAR (15, 25 or 30 letters) from baseline.

    Examples
    --------
    >>> loss_of("0.30").letters
    15
    """
    for written, letters in LETTERS_OF_LOSS.items():
        try:
            if float(logmar) == float(written):
                return VisionLevel("loss", written, letters)
        except ValueError:
            break
    raise UsageError(
        f"--loss takes one of {', '.join(LETTERS_OF_LOSS)} logMAR, not {logmar!r}.",
        option="--loss",
    )


def level_named(name: str) -> VisionLevel | None:
    """Return the level of a name such as ``vision_at_least_6_12``; None for another kind of name.

    At a level of a chart that a publication chose (6/15, say) the name need not be one of ours.

    Examples
    --------
    >>> level_named("vision_loss_0_3"), level_named("vision_at_least_6_15"), level_named("death")
    (VisionLevel(kind='loss', written='0.3', letters=15), \
VisionLevel(kind='at_least', written='6/15', letters=65), None)
    """
    found = re.fullmatch(r"vision_(at_least|better_than|loss)_(\d+)_(\d+)", name)
    if found is None:
        return None
    kind, first, second = found.groups()
    if kind == "loss":
        written = f"{first}.{second}"
        letters = LETTERS_OF_LOSS.get(written)
        return None if letters is None else VisionLevel("loss", written, letters)
    try:
        reading = read_acuity(f"{first}/{second}")
    except RefusedInputError:
        return None
    side: Kind = "at_least" if kind == "at_least" else "better_than"
    return None if reading.letters is None else VisionLevel(side, reading.text, reading.letters)


def word_rank(rank: int) -> str:
    """Write a rank as a person would: an off-chart level, or letters.

    Examples
    --------
    >>> word_rank(2), word_rank(174)
    ('HM', '70 letters')
    """
    if rank < LOWEST_CHART_RANK:
        return OFF_CHART_LEVELS[rank]
    return f"{letters_of_rank(rank)} letters"


def letters_of_rank(rank: int) -> int:
    """Return the letters of a chart rank; ValueError off the chart.

    Examples
    --------
    >>> letters_of_rank(174)
    70
    """
    if rank < LOWEST_CHART_RANK:
        raise ValueError(f"rank {rank} is off the chart and has no letters")
    return int(rank) - rank_of(0, None)
