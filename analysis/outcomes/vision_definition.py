"""What a loss of vision is, in the terms of an end point and in the words of the methods text."""

from __future__ import annotations

from analysis.outcomes.end_points import EndPoint, Variant
from analysis.outcomes.vision_history import Reading, VisionRules
from analysis.outcomes.vision_levels import VisionLevel

READINGS: dict[Reading, Variant] = {
    "confirmed": Variant(
        "main",
        "confirmed losses; an eye without one is censored at its last reading but one",
    ),
    "first_observed": Variant(
        "first observed loss",
        "the first reading below the level counts, confirmed or not",
    ),
    "unconfirmed_counts": Variant(
        "unconfirmed last visit counts",
        "followed to the last reading: a loss that only the last readings show is counted",
    ),
    "unconfirmed_ignored": Variant(
        "unconfirmed last visit ignored",
        "followed to the last reading: a loss that only the last readings show is not counted",
    ),
}


def end_point_of(level: VisionLevel) -> EndPoint:
    """Return the end point's titles and causes; its events come from the histories."""
    return EndPoint(
        name=level.name,
        title=level.loss_words,
        free_title=level.kept_words,
        unit="eye",
        events=(),
        competing={},
        death_competes=True,
        assessed="acuity",
        known_until="",
        known_words="the last reading of acuity but one",
        variants=tuple(READINGS[name] for name in READINGS if name != "confirmed"),
    )


def definition_in_words(level: VisionLevel, vision: VisionRules) -> str:
    """Write the definition for the methods text, from what is computed."""
    if level.kind == "loss":
        what = (
            f"{level.letters} letters ({level.written} logMAR) fewer than at baseline, or a level"
            " off the chart; eyes off the chart at baseline are not at risk"
        )
    else:
        fewest = "at least" if level.kind == "at_least" else "more than"
        what = (
            f"a reading not {level.level_words}, that is without {fewest} {level.letters} letters;"
            " eyes that did not have it at baseline are not at risk"
        )
    loss = level.loss_words[0].upper() + level.loss_words[1:]
    return (
        f"{loss} (unit: eye) is {what}. Letters are 85 − 50 × logMAR, rounded; counting fingers,"
        " hand movements, light perception and none rank below every chart value. Baseline is the"
        f" last acuity in the {vision.baseline_window_days} days up to insertion. A loss is"
        f" confirmed by the next reading at least {vision.confirmation_days} days later, with no"
        " reading above the level in between, or by removal of the eye; removal of an eye that had"
        " kept the level is a loss too. An eye without a confirmed loss is censored at its last"
        " reading but one. An eye removed so near the data cut or death that no loss of vision at"
        " that time could have been confirmed yet (by readings at the interval of its last two) is"
        " censored too, or removals would be known sooner than other losses. The loss lies after"
        " the last reading above the level and not after the first below it (or the removal)."
        " Competing: death, followed on its own clock to the vital-status date."
    )


ESTIMATION_IN_WORDS = (
    "Cumulative incidence of loss with death competing is estimated by an illness–death model for"
    " interval-censored loss (after Joly, Commenges, Helmer and Letenneur 2002), here with"
    " intensities constant between knots at quantiles of the events (long pieces halved), fitted by"
    " maximum likelihood; the death rate may change after loss. “If no one died” is the"
    " nonparametric maximum likelihood estimate from the same intervals (Turnbull 1976), which"
    " treats death as censoring."
    " Kaplan–Meier dates the loss at the visit that found it."
)
