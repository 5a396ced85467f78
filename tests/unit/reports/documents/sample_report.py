"""An invented report with one of everything, for the rendering tests. No real patients."""

from __future__ import annotations

from sample_figures import (
    acuity_figure,
    completeness_figure,
    dose_figure,
    flow_figure,
    forest_figure,
    funnel_figure,
    monitoring_figure,
    series,
    stacked_figure,
    survival_figure,
)

from reports.page.document import (
    BulletList,
    Column,
    Figure,
    Heading,
    KeyFigure,
    KeyFigures,
    Note,
    Paragraph,
    Provenance,
    Report,
    Row,
    Section,
    Table,
)
from reports.words.values import (
    Count,
    KnownOf,
    Missing,
    ObservedExpected,
    PValue,
    Quantity,
    Rate,
    SingleRecord,
    text,
)


def table_one() -> Table:
    """A short description of patients."""
    return Table(
        caption="Patients and tumours treated.",
        columns=(
            Column(""),
            Column("All", "right"),
            Column("2024", "right"),
            Column("Largest basal diameter", "right", "mm"),
        ),
        rows=(
            Row(("Sex",), header=True),
            Row(
                (
                    "Female",
                    Rate(104, 220, style="bracket"),
                    Rate(13, 24, style="bracket"),
                    Quantity(11.2, 8.4, 13.9, digits=1, interval="IQR", n=104),
                ),
                level=1,
            ),
            Row(
                (
                    "Male",
                    Rate(116, 220, style="bracket"),
                    Rate(11, 24, style="bracket"),
                    Quantity(11.6, 8.9, 14.2, digits=1, interval="IQR", n=116),
                ),
                level=1,
            ),
            Row(
                (
                    "Ciliary body involved",
                    KnownOf(214, 220),
                    KnownOf(24, 24),
                    Missing("not recorded"),
                )
            ),
            Row(("Extraocular", Rate(3, 220, style="bracket"), Count(0), Missing("not recorded"))),
        ),
        notes=("IQR: interquartile range.", text("Eye colour known in {k}.", k=Count(201))),
    )


def sample_report() -> Report:
    """The report."""
    one = series("All tumours", 220, 0.02, 1)
    five = one.risk[5].estimate
    return Report(
        title="Plaque brachytherapy of uveal melanoma: annual audit 2024",
        subtitle="Invented data. Treated 1 January 2015 to 31 December 2024",
        provenance=Provenance(
            centre="Demonstration department",
            data_cut="2025-03-31",
            made_at="2025-04-15T09:30:00+00:00",
            recorded_until="2025-04-14",
            content_hash="9f2c1e77a1b04d6688a5f3b7a0c4d2e19f2c1e77a1b04d6688a5f3b7a0c4d2e1",
            plan="Standards of 1 December 2024",
            versions=(("afterplaque", "0.1.0"),),
        ),
        notices=(
            "This report describes past patients. It is no treatment advice; doses and "
            "staging follow local protocols, regulations and licensed practice.",
        ),
        sections=(
            Section(
                "Summary",
                (
                    KeyFigures(
                        (
                            KeyFigure(
                                "Local control at 5 years",
                                five,
                                text(
                                    "{n} tumours, {k} failures; standard ≥ 90 %",
                                    n=one.n,
                                    k=Count(five.events),
                                ),
                                "cannot tell",
                            ),
                            KeyFigure(
                                "Seen within the last year",
                                Rate(171, 184, 0.882, 0.959, style="percent"),
                                text("{k} not seen", k=Count(13)),
                                "met",
                            ),
                            KeyFigure(
                                "Deaths from melanoma, observed over expected",
                                ObservedExpected(21, 17.4, 0.75, 1.84),
                                "expected 17.4",
                            ),
                            KeyFigure(
                                "Referral to treatment, median",
                                Quantity(31, 24, 44, "days", 0, interval="IQR", n=24),
                                "standard ≤ 28 days",
                                "not met",
                            ),
                        )
                    ),
                    Paragraph(
                        text(
                            "Of {n} tumours, {k} failed locally by 5 years. {last} was the "
                            "latest failure.",
                            n=one.n,
                            k=Count(five.events),
                            last=SingleRecord("12 November 2024"),
                        ),
                        "What was found.",
                    ),
                    BulletList(
                        (
                            text("Waiting times: {k} waited over 28 days.", k=Rate(15, 24)),
                            "“Not shown to differ” is not “as good as”.",
                        )
                    ),
                    Note("One dose certificate had expired before insertion.", "warning", "Dose"),
                ),
            ),
            Section(
                "Patients and data",
                (
                    Figure("From the theatre list to the analysis.", flow_figure()),
                    table_one(),
                    Figure("Completeness by year of treatment.", completeness_figure()),
                ),
                new_page=True,
            ),
            Section(
                "Local tumour control",
                (
                    Paragraph(
                        text(
                            "Median follow-up {m}; log-rank {p}.",
                            m=Quantity(5.2, 3.1, 7.9, "years", 1, interval="IQR", n=220),
                            p=PValue(0.0004, 14),
                        )
                    ),
                    Figure("Local failure, all tumours.", survival_figure(one)),
                    Figure(
                        "Local failure by distance to the disc.",
                        survival_figure(
                            series("Within 2 mm of the disc", 70, 0.05, 2),
                            series("Further away", 150, 0.015, 3),
                        ),
                    ),
                    Figure(
                        "Local failure by part of the eye.",
                        survival_figure(
                            series("Ciliary body", 60, 0.03, 4),
                            series("Choroid, anterior", 80, 0.02, 5),
                            series("Choroid, posterior", 80, 0.04, 6),
                        ),
                    ),
                    Heading("What goes with failure"),
                    Figure("Adjusted hazard ratios.", forest_figure()),
                ),
            ),
            Section(
                "Competing outcomes", (Figure("What happened to everyone.", stacked_figure()),)
            ),
            Section("Vision", (Figure("Acuity before treatment and now.", acuity_figure()),)),
            Section(
                "Dose, comparison, time order",
                (
                    Figure("Local failure by apex dose.", dose_figure()),
                    Figure("Against the published rate.", funnel_figure()),
                    Figure("Results in time order.", monitoring_figure()),
                ),
            ),
            Section(
                "Cases for review",
                (
                    Table(
                        "Cases.",
                        (Column("Tumour"), Column("Why"), Column("Date", "right")),
                        (
                            Row(
                                (
                                    SingleRecord("T-0042"),
                                    "local failure",
                                    SingleRecord("3 May 2024"),
                                )
                            ),
                        ),
                    ),
                ),
            ),
        ),
    )
