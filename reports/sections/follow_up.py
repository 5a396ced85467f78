"""Follow-up, as a part of patients and data: who was lost, why, and what it could have changed."""

from __future__ import annotations

from analysis.outcomes.follow_up_bias import (
    LARGEST_MULTIPLE,
    LONGEST_GAP_DAYS,
    Compared,
    FollowUpBias,
    TippingPoint,
)
from reports.page.curves import failure_at
from reports.page.document import Block, Column, Heading, Paragraph, Row, Table
from reports.results.outcome_results import OutcomeResults
from reports.words.values import Content, Count, Missing, Quantity, Rate, Value, Words, text
from reports.words.wording import in_years, percent

PERIOD_YEARS = (2.0, 5.0)


def _compared_row(one: Compared) -> Row:
    fewest = min(one.n_lost, one.n_kept)
    difference: Content = Missing("not estimable")
    if one.difference is not None:
        difference = Quantity(one.difference, digits=2, n=fewest)
    cells: list[Content]
    if one.is_number:
        cells = [
            Quantity(value, unit=one.unit, digits=1, n=n) if value is not None else _NOT_RECORDED
            for value, n in ((one.lost, one.n_lost), (one.kept, one.n_kept))
        ]
    else:
        cells = [
            Rate(count, n, style="bracket") if n else _NOT_RECORDED
            for count, n in ((one.count_lost, one.n_lost), (one.count_kept, one.n_kept))
        ]
    return Row((one.label, *cells, difference))


_NOT_RECORDED = Missing("not recorded")


def _comparison(found: FollowUpBias) -> Table:
    return Table(
        caption="The lost and the kept, by what was known at treatment.",
        columns=(
            Column("Characteristic"),
            Column("Lost", "right"),
            Column("Kept", "right"),
            Column("Difference (SD)", "right"),
        ),
        rows=(
            Row(("Tumours", Count(found.lost), Count(found.kept), "")),
            *(_compared_row(one) for one in found.compared),
        ),
        notes=(
            "Median, or number and share of the known. The difference is in standard deviations;"
            " beyond 0.1 either way the two are commonly called unbalanced (common practice, no"
            " source).",
        ),
    )


def _reason_words(reason: str) -> str:
    return reason.replace("_", " ").capitalize().replace("follow up", "follow-up")


def _reasons(found: FollowUpBias) -> Table:
    rows = [Row((_reason_words(reason), Count(count))) for reason, count in found.reasons]
    return Table(
        caption="Why the follow-up of the lost ended, as recorded.",
        columns=(Column("Reason"), Column("Patients", "right")),
        rows=tuple(rows),
        notes=("“Under follow-up” stands where nobody noticed that visits had stopped.",),
    )


def _by_period(results: OutcomeResults) -> Table:
    outcome = results.by_period
    follow_up = {one.period: one for one in results.follow_up.periods}
    rows = []
    for group in outcome.groups:
        period = follow_up.get(group.group)
        share: Content = _NOT_RECORDED
        if period is not None:
            share = Quantity(
                100 * period.completeness.index, unit="%", digits=1, n=period.completeness.n
            )
        lost = Count(period.lost if period else None)
        control = [failure_at(group, years, "control") for years in PERIOD_YEARS]
        rows.append(Row((group.group, Count(group.n), Count(group.events), lost, share, *control)))
    return Table(
        caption="Follow-up and local control by period of treatment.",
        columns=(
            Column("Treated"),
            Column("n", "right"),
            Column("Failures", "right"),
            Column("Lost", "right"),
            Column("Completeness (Clark)", "right"),
            *(Column(f"Control at {in_years(years)} (95 % CI)", "right") for years in PERIOD_YEARS),
        ),
        rows=tuple(rows),
    )


def _change(found: TippingPoint) -> tuple[str, dict[str, Value]]:
    """Say what it would take to change the verdict, with the values to fill in."""
    if found.verdict == "not met":
        return "Raising the hazard of the lost cannot change it.", {}
    if found.changes_at is None:
        limit = f"{LARGEST_MULTIPLE:g}"
        return f"Even {limit} times the hazard of the lost would not change it.", {}
    multiple = Quantity(found.changes_at, digits=1, n=found.lost_before)
    said = "It would change if the hazard of the lost were {multiple} times as high."
    return said, {"multiple": multiple}


def _tipping(found: TippingPoint) -> Paragraph:
    head = (
        f"The standard asks for {percent(found.target, 0)} control at {in_years(found.years)};"
        f" the verdict is “{found.verdict}”."
    )
    change, values = _change(found)
    worst = Quantity(100 * found.if_all_failed, unit="%", digits=1, n=found.lost_before)
    return Paragraph(
        text(
            f"{head} Tumours lost before then: {{lost}}. {change} Had every one of them"
            " failed, control would be {worst}.",
            lost=Count(found.lost_before),
            worst=worst,
            **values,
        ),
        lead="Tipping point.",
    )


def tipping_in_brief(found: TippingPoint) -> Words:
    """Say in one line whether those lost to follow-up could change the verdict on control."""
    values: dict[str, Value] = {"lost": Count(found.lost_before)}
    if found.verdict == "not met":
        said = "raising their hazard cannot change the verdict."
    elif found.changes_at is None:
        said = f"even {LARGEST_MULTIPLE:g} times their hazard would not change the verdict."
    else:
        said = "the verdict would change only at {multiple} times their hazard."
        values["multiple"] = Quantity(found.changes_at, digits=1, n=found.lost_before)
    return text(f"Tumours lost before {in_years(found.years)}: {{lost}}; {said}", **values)


def blocks(results: OutcomeResults) -> list[Block]:
    """Return the blocks."""
    found = results.follow_up
    said: list[Block] = [
        Heading("Who was lost to follow-up"),
        Paragraph(
            text(
                "Tumours of patients alive, eye kept and without failure that had not been assessed"
                f" in the last {LONGEST_GAP_DAYS} days before the data cut: {{lost}}. They are"
                " called lost here; deaths, failures and lost eyes end follow-up for good and are"
                " with the kept.",
                lost=Count(found.lost),
            )
        ),
    ]
    if found.lost:
        said += [_comparison(found), _reasons(found)]
    said.append(_by_period(results))
    if found.tipping_point is not None:
        said.append(_tipping(found.tipping_point))
    return said
