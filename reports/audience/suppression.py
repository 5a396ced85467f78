"""The published form of a report: no count from 1 to 7 shown, nor to be worked out.

The one rule, applied to the model before anything is worded or drawn: a count from 1 to 7 becomes
``*``; every other count is rounded to 5; a rate, a share of a curve or an observed-over-expected
ratio is worked out anew, with its interval, from the rounded counts alone; what concerns a single
record is withheld. So alternative text, hover text, CSV and drawings can hold nothing else.

Rounding is to the nearest 5 without chance, so one count has one published form everywhere.
Where the parts of a known total would still pin a hidden count, all of them are withheld.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from reports.audience.published_curves import publish_incidence, publish_survival
from reports.audience.published_numbers import (
    SMALLEST_SHOWN,
    is_small,
    is_value,
    publish_value,
    round_to_five,
)
from reports.figures.dose_specs import TradeOffFigure
from reports.figures.specs import (
    AcuityFigure,
    AcuityLevel,
    CaseTimeline,
    DoseResponseFigure,
    FlowFigure,
    FlowStep,
    IncidenceFigure,
    MonitoringFigure,
    SurvivalFigure,
)
from reports.page.document import Block, Figure, Note, Report, Row, Table
from reports.words.values import Content, Count, KnownOf, Missing, Rate, SingleRecord, Words

WITHHELD = Missing("withheld", "a small count could be worked out from it")
RULE = (
    "Published form: counts from 1 to 7 are shown as *, other counts are rounded to 5, rates and "
    "intervals are worked out from rounded counts, and single records are withheld. Sums may "
    "therefore not add up."
)
LETTERS_LOST = 15
NUCLIDE = re.compile(r"\b(?:Ru-106|I-125|Pd-103|Sr-90|Cs-131)\b")


def publish(report: Report) -> Report:
    """The publishable form of a report; publishing twice changes nothing more.

    >>> from reports.page.document import KeyFigure, KeyFigures, Provenance, Section
    >>> cards = KeyFigures((KeyFigure("failures", Count(3)), KeyFigure("tumours", Count(98))))
    >>> report = Report("Audit", "", Provenance("A", "", ""), (Section("One", (cards,)),))
    >>> [card.value.value for card in publish(report).sections[0].blocks[0].cards]
    [None, 100]
    """
    sections = tuple(
        replace(section, blocks=tuple(_published_block(block) for block in section.blocks))
        for section in report.sections
    )
    notices = (*(_published(n) for n in report.notices if n != RULE), RULE)
    return replace(report, audience="published", sections=sections, notices=notices)


def _published_block(block: Block) -> Block:
    if isinstance(block, Figure):
        return _published_figure(block)
    if isinstance(block, Table):
        return _published_table(block)
    if isinstance(block, Note) and block.tone == "warning" and _has_untagged_number(block.text):
        return replace(block, text="A warning that holds counts stands in the internal form only.")
    made: Block = _published(block)
    return made


def _has_untagged_number(words: Words) -> bool:
    """Whether a text has digits of its own, outside its values: warnings often carry counts so."""
    plain = words if isinstance(words, str) else words.template
    plain = NUCLIDE.sub("", plain)
    return any(letter.isdigit() for letter in plain)


def _published(thing: Any) -> Any:
    """Values in their published form, wherever they stand; everything else as it was."""
    if is_value(thing):
        return publish_value(thing)
    if isinstance(thing, tuple):
        return tuple(_published(part) for part in thing)
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        changes = {f.name: _published(getattr(thing, f.name)) for f in dataclasses.fields(thing)}
        return replace(thing, **changes)
    return thing


def _published_table(table: Table) -> Block:
    if any(isinstance(cell, SingleRecord) for row in table.rows for cell in row.cells):
        return Note("A table of single records is not part of the published form.")
    rows = list(table.rows)
    for group in _groups(table.rows):
        for column in range(1, len(table.columns)):
            _withhold_in_column(rows, group, column)
            _withhold_under_total(rows, group, column)
    rows = [_withhold_beside_total(row) for row in rows]
    made: Table = _published(replace(table, rows=tuple(rows)))
    # rounded, notes that differed in a count can read the same
    return replace(made, notes=tuple(dict.fromkeys(made.notes)))


def _groups(rows: tuple[Row, ...]) -> list[list[int]]:
    """Places of rows that stand together: under one header, at one level."""
    groups: list[list[int]] = []
    before: tuple[bool, int] | None = None
    for place, row in enumerate(rows):
        mark = (row.header, row.level)
        if not row.header and mark == before:
            groups[-1].append(place)
        elif not row.header:
            groups.append([place])
        before = mark
    return groups


def _withhold_in_column(rows: list[Row], group: list[int], column: int) -> None:
    """Withhold the largest of some shares whose counts make up their common total."""
    cells = [rows[place].cells[column] for place in group]
    shares = [cell for cell in cells if isinstance(cell, Rate)]
    counts = [share.numerator for share in shares]
    known = [count for count in counts if count is not None]
    totals = {share.denominator for share in shares}
    if len(known) != len(cells) or len(totals) != 1 or sum(known) not in totals:
        return
    if pins_a_hidden_part(known, sum(known)):
        for place in group:
            changed: list[Content] = list(rows[place].cells)
            changed[column] = WITHHELD
            rows[place] = replace(rows[place], cells=tuple(changed))


def _count_of(cell: Content) -> int | None:
    """The count that a cell shows first, if any."""
    match cell:
        case Count(value=count) | KnownOf(known=count) | Rate(numerator=count):
            return count
    return None


def _is_pinned(parts: Sequence[int | None], total: int | None) -> bool:
    known = [part for part in parts if part is not None]
    whole = len(known) == len(parts) > 1 and total == sum(known)
    return whole and pins_a_hidden_part(known, sum(known))


def _withhold_under_total(rows: list[Row], group: list[int], column: int) -> None:
    """Withhold counts whose total stands in the last row of their column."""
    cells = [rows[place].cells[column] for place in group]
    if len(cells) < 3 or not all(isinstance(cell, Count) for cell in cells):
        return
    if _is_pinned([_count_of(cell) for cell in cells[:-1]], _count_of(cells[-1])):
        for place in group[:-1]:
            changed: list[Content] = list(rows[place].cells)
            changed[column] = WITHHELD
            rows[place] = replace(rows[place], cells=tuple(changed))


def _withhold_beside_total(row: Row) -> Row:
    """Withhold counts whose total stands first in their row."""
    counts = [_count_of(cell) for cell in row.cells[1:]]
    if len(counts) < 3 or not _is_pinned(counts[1:], counts[0]):
        return row
    return replace(row, cells=(*row.cells[:2], *([WITHHELD] * (len(counts) - 1))))


def pins_a_hidden_part(parts: list[int], total: int) -> bool:
    """Whether what is shown of the parts and their total leaves a hidden part one value only.

    ``parts`` are true counts that add up to ``total``. A reader knows each shown count to within 2
    and each hidden one to lie from 1 to 7.

    >>> pins_a_hidden_part([73, 28, 1], 102), pins_a_hidden_part([75, 30, 3], 108)
    (True, False)
    """
    ranges = [_range(part) for part in parts]
    low, high = _range(total)
    for place, part in enumerate(parts):
        rest = ranges[:place] + ranges[place + 1 :]
        least = max(1, low - sum(r[1] for r in rest))
        most = min(SMALLEST_SHOWN - 1, high - sum(r[0] for r in rest))
        if is_small(part) and least == most:
            return True
    return False


def _range(count: int) -> tuple[int, int]:
    if is_small(count):
        return 1, SMALLEST_SHOWN - 1
    if count == 0:
        return 0, 0
    shown = round_to_five(count)
    return max(SMALLEST_SHOWN, shown - 2), shown + 2


def _published_figure(figure: Figure) -> Block:
    spec = figure.spec
    caption: Words = _published(figure.caption)
    notes = tuple(_published(note) for note in figure.notes)
    if isinstance(spec, AcuityFigure):
        made: Table = _published(_acuity_counts(caption, spec))
        return made
    if isinstance(spec, CaseTimeline):
        return Note("One patient over time is not part of the published form.")
    if isinstance(spec, MonitoringFigure):
        return Note("A chart of single patients in time order is not part of the published form.")
    drawn: SurvivalFigure | IncidenceFigure | DoseResponseFigure | None
    if isinstance(spec, SurvivalFigure):
        drawn = publish_survival(spec)
    elif isinstance(spec, IncidenceFigure):
        drawn = publish_incidence(spec)
    elif isinstance(spec, DoseResponseFigure):
        drawn = _published_dose_response(spec)
    elif isinstance(spec, TradeOffFigure):
        return _published_trade_off(replace(figure, caption=caption, notes=notes), spec)
    elif isinstance(spec, FlowFigure):
        return replace(figure, caption=caption, notes=notes, spec=_published_flow(spec))
    else:
        return replace(figure, caption=caption, notes=notes, spec=_published(spec))
    if drawn is None:
        return Note("This figure rests on counts from 1 to 7 and is not shown.", "note", "Withheld")
    return replace(figure, caption=caption, notes=notes, spec=drawn)


def _published_flow(spec: FlowFigure) -> FlowFigure:
    steps: list[FlowStep] = []
    for place, step in enumerate(spec.steps):
        made: FlowStep = _published(step)
        if place and _pins(step, spec.steps[place - 1]):
            gone = Count(None, withheld=True)
            made = replace(made, left_out=tuple(replace(x, count=gone) for x in made.left_out))
        steps.append(made)
    return replace(spec, steps=tuple(steps))


def _pins(step: FlowStep, before: FlowStep) -> bool:
    parts = [left.count.value for left in step.left_out] + [step.kept.value]
    known = [part for part in parts if part is not None]
    total = before.kept.value
    return len(known) == len(parts) and total == sum(known) and pins_a_hidden_part(known, total)


def round_doses(dose: tuple[float, ...]) -> tuple[float, ...]:
    """Doses at round steps within those of a curve, so that its ends are nobody's dose.

    Steps are 1, 2 or 5 times a power of ten, about a twentieth of the range; what stands at round
    steps already stays.

    >>> round_doses((63.2, 80.0, 111.7))
    (65.0, 70.0, 75.0, 80.0, 85.0, 90.0, 95.0, 100.0, 105.0, 110.0)
    >>> round_doses((0.31, 0.52, 0.74))[:3]
    (0.35, 0.4, 0.45)
    """
    if len(dose) < 2:
        return ()
    step = _round_step((dose[-1] - dose[0]) / 20)
    given = dose[1] - dose[0]
    if math.isclose(given, _round_step(given * (1 - 1e-9))) and all(
        abs(one / given - round(one / given)) < 1e-6 for one in dose
    ):
        return dose
    first, last = math.ceil(dose[0] / step - 1e-9), math.floor(dose[-1] / step + 1e-9)
    return tuple(round(k * step, 10) for k in range(first, last + 1))


def _round_step(least: float) -> float:
    """The smallest of 1, 2, 5 times a power of ten that is not below a number."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(m * power for m in (1, 2, 5, 10) if m * power >= least * (1 - 1e-9))


def _at_doses(
    curve: Any, names: tuple[str, ...], doses: tuple[float, ...]
) -> dict[str, tuple[float, ...]]:
    """The columns of a curve read off at other doses, in a straight line between its points."""
    import numpy as np

    return {
        name: tuple(np.interp(doses, curve.dose, getattr(curve, name)).tolist()) for name in names
    }


def _published_dose_response(spec: DoseResponseFigure) -> DoseResponseFigure | None:
    """No rug, round doses, nothing under 8 events in all."""
    doses = round_doses(spec.dose)
    if spec.events.hidden or (spec.events.value or 0) < SMALLEST_SHOWN or len(doses) < 2:
        return None
    step = doses[1] - doses[0]
    groups = tuple(
        replace(
            _published(group),
            dose_from=_to_step(group.dose_from, step),
            dose_to=_to_step(group.dose_to, step),
            dose_middle=_to_step(group.dose_middle, step),
        )
        for group in spec.groups
    )
    columns: dict[str, Any] = _at_doses(spec, ("risk", "lower", "upper"), doses)
    bare = replace(spec, events=_published(spec.events), groups=groups, dose=doses, **columns)
    return replace(bare, doses_with_event=(), doses_without_event=())


def _to_step(dose: float, step: float) -> float:
    return round(round(dose / step) * step, 10)


def _published_trade_off(figure: Figure, spec: TradeOffFigure) -> Block:
    """No curve on under 8 events, round doses."""
    curves = []
    for curve in spec.curves:
        doses = round_doses(curve.dose)
        few = curve.events.hidden or (curve.events.value or 0) < SMALLEST_SHOWN
        if few or len(doses) < 2:
            continue
        columns: dict[str, Any] = _at_doses(curve, ("free", "lower", "upper"), doses)
        curves.append(replace(curve, events=_published(curve.events), dose=doses, **columns))
    if not curves:
        return Note("This figure rests on counts from 1 to 7 and is not shown.", "note", "Withheld")
    return replace(figure, spec=replace(spec, curves=tuple(curves)))


def _acuity_counts(caption: Words, spec: AcuityFigure) -> Table:
    """The scatter as a table of counts, still true: :func:`publish` rounds them."""
    from reports.page.document import Column

    names = (
        "at least 15 letters (0.3 logMAR) better",
        "within 15 letters",
        "at least 15 letters worse, still on the chart",
        "on the chart before, off it at the latest visit",
        "off the chart before treatment",
    )
    kinds = [_change(eye.baseline, eye.latest) for eye in spec.eyes]
    return Table(
        caption=caption,
        columns=(Column("Change from before treatment"), Column("Eyes", "right")),
        rows=tuple(Row((name, Count(kinds.count(k)))) for k, name in enumerate(names)),
        notes=("Counts stand for a scatter of single eyes, which is not published.",),
    )


def _change(before: AcuityLevel, latest: AcuityLevel) -> int:
    if before.logmar is None:
        return 4
    if latest.logmar is None:
        return 3
    lost = round(85 - 50 * before.logmar) - round(85 - 50 * latest.logmar)
    return 2 if lost >= LETTERS_LOST else 0 if lost <= -LETTERS_LOST else 1
