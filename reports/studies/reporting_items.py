"""Items of reporting guidelines, and where a dose–response study answers them.

STROBE (von Elm 2007), RECORD (Benchimol 2015), SAMPL (Lang & Altman 2013) and TRIPOD (Collins 2015;
the items on developing a model). The items are put in our own words, from memory; SAMPL has no
numbers, so its are ours.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

GUIDELINES = {
    "STROBE": "von Elm E, Altman DG, Egger M, et al. The STROBE statement. Lancet"
    " 2007;370:1453–1457.",
    "RECORD": "Benchimol EI, Smeeth L, Guttmann A, et al. The RECORD statement. PLoS Med"
    " 2015;12:e1001885.",
    "SAMPL": "Lang TA, Altman DG. Basic statistical reporting for articles published in biomedical"
    " journals: the SAMPL guidelines. Int J Nurs Stud 2015;52:5–9.",
    "TRIPOD": "Collins GS, Reitsma JB, Altman DG, Moons KGM. The TRIPOD statement. Ann Intern Med"
    " 2015;162:55–63.",
}
#: Places that are no section.
OTHER_PLACES = ("title page", "last page")


@dataclass(frozen=True, slots=True)
class ReportingItem:
    """One item: what it asks, the places that answer it, and what must be said beside."""

    guideline: str
    item: str
    asks: str
    places: tuple[str, ...]
    remark: str

    @property
    def answer(self) -> str:
        """Where it is answered, or why it is not.

        >>> items_of("STROBE")[1].answer
        'left to the author'
        """
        said = "; ".join(self.places)
        return f"{said} ({self.remark})" if said and self.remark else said or self.remark


@cache
def read_items() -> tuple[ReportingItem, ...]:
    """Read every item, in the order of the guidelines."""
    with Path(__file__).with_suffix(".csv").open(encoding="utf-8", newline="") as file:
        return tuple(
            ReportingItem(
                row["guideline"],
                row["item"],
                row["asks"],
                tuple(place.strip() for place in row["where"].split(";") if place.strip()),
                row["remark"],
            )
            for row in csv.DictReader(file)
        )


def items_of(guideline: str) -> tuple[ReportingItem, ...]:
    """Return the items of one guideline."""
    return tuple(one for one in read_items() if one.guideline == guideline)
