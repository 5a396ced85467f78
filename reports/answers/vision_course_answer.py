"""The course of acuity as plain values: by time, against baseline, after cataract surgery."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.outcomes.vision_course import Course, YearOfCourse, classify_change
from analysis.outcomes.vision_levels import LOWEST_CHART_RANK, letters_of_rank, word_rank
from analysis.outcomes.vision_shares import ClusteredShare, RankQuantile

COURSE_IN_WORDS = (
    "acuity of eyes still in, of patients alive, at each time: the reading nearest to it within"
    " half a year, one an eye (estimating equations with working independence); nothing is imagined"
    " after death or removal; medians by rank, levels off the chart below every letter"
)
LATEST_IN_WORDS = (
    "the latest reading after treatment against baseline, by 15 letters or more or across the edge"
    " of the chart; of an eye since removed, or a patient since dead, the last reading before"
)
SURGERY_IN_WORDS = (
    "the first reading 28 to 365 days after the first cataract surgery since treatment against the"
    " last one in the year before it; a confirmed loss that surgery regains still counts as lost"
)


def _word(rank: int | None) -> str | None:
    return None if rank is None else word_rank(rank)


def _letters(rank: int | None) -> int | None:
    return None if rank is None or rank < LOWEST_CHART_RANK else letters_of_rank(rank)


def describe_median(median: RankQuantile) -> dict[str, Any]:
    """Describe a median: in words, and in letters where it is on the chart."""
    return {
        "reading": _word(median.value),
        "letters": _letters(median.value),
        "lower": _word(median.lower),
        "upper": _word(median.upper),
    }


def _share(share: ClusteredShare) -> dict[str, Any]:
    return {
        "count": share.count,
        "n": share.n,
        "patients": share.patients,
        "estimate": share.estimate,
        "se_log_odds": share.se_log_odds,
        "lower": share.lower,
        "upper": share.upper,
    }


def _time(year: YearOfCourse) -> dict[str, Any]:
    return {
        "time": year.years,
        "eyes": year.kept,
        "read": year.read,
        "median": describe_median(year.median),
        "at_least_6_12": _share(year.at_least_6_12),
        "at_least_6_60": _share(year.at_least_6_60),
        "off_chart": _share(year.off_chart),
    }


def describe_latest(course: Course) -> dict[str, Any]:
    """Count the eyes whose latest reading is better, worse or much the same as at baseline."""
    before, now = np.asarray(course.pairs, np.int64).reshape(-1, 2).T
    change = classify_change(before, now)
    return {
        "compares": LATEST_IN_WORDS,
        "eyes": len(course.pairs),
        "gained": int((change > 0).sum()),
        "similar": int((change == 0).sum()),
        "lost": int((change < 0).sum()),
        "off_chart_at_baseline": int((before < LOWEST_CHART_RANK).sum()),
        "off_chart_latest": int((now < LOWEST_CHART_RANK).sum()),
    }


def describe_course(course: Course) -> dict[str, Any]:
    """Describe the course under the three keys that ``vision`` adds to its answer."""
    surgery = course.recovery
    return {
        "course": {
            "estimates": COURSE_IN_WORDS,
            "interval": "exact; widened by the design effect where both eyes of a patient count",
            "at": [_time(year) for year in course.years],
        },
        "latest": describe_latest(course),
        "after_cataract_surgery": {
            "compares": SURGERY_IN_WORDS,
            "operated": surgery.operated,
            "read": surgery.read,
            "before": describe_median(surgery.before),
            "after": describe_median(surgery.after),
            "gained": surgery.gained,
            "similar": surgery.similar,
            "lost": surgery.lost,
        },
    }
