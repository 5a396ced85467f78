"""Where a dose–response study answers the items of STROBE, RECORD, SAMPL and TRIPOD."""

from __future__ import annotations

from reports.page.document import Block, Column, Paragraph, Row, Section, Table
from reports.studies.reporting_items import GUIDELINES, items_of


def section() -> Section:
    """Return a table a guideline: item, what it asks, where it is answered."""
    blocks: list[Block] = [
        Paragraph(
            "Each item in our own words, and the section that answers it. What a registry cannot"
            " know is left to the author; what this study does not do is not applicable."
        )
    ]
    for guideline, source in GUIDELINES.items():
        blocks.append(
            Table(
                caption=f"{guideline}: items and where they are answered.",
                columns=(Column("Item"), Column("Asks for"), Column("Answered in")),
                rows=tuple(Row((one.item, one.asks, one.answer)) for one in items_of(guideline)),
                notes=(source,),
            )
        )
    return Section("Reporting guidelines", tuple(blocks), new_page=True)
