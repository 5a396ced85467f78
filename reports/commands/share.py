"""``afterplaque share``: one end point of a registry as counts for other centres."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import DataCutDay, StorePath, now_utc, read_date

if TYPE_CHECKING:
    from datetime import date

    from analysis.benchmarking.bundles import Bundle
    from registry.store import Store


def share(
    store: StorePath,
    out: Annotated[Path, typer.Argument(metavar="OUT.json", help="The bundle to write.")],
    end_point: Annotated[
        str, typer.Option(help="The end point, named as for `outcome`.")
    ] = "local_failure",
    strata: Annotated[
        Literal["none", "size_category"], typer.Option(help="What the counts are split by.")
    ] = "size_category",
    suppressed: Annotated[
        bool,
        typer.Option(
            "--suppressed",
            help="Counts by year, 1 to 7 hidden and others rounded, in place of the open form.",
        ),
    ] = False,
    data_cut: DataCutDay = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite the file.")] = False,
    as_json: JsonFlag = False,
) -> None:
    """Write aggregated counts of one end point, on a grid fixed beforehand, to pool with others'.

    The open form holds counts of one: give it only to who has an agreement with you. The
    suppressed form has lost most of the events; how many is printed.
    """
    from registry.store import open_store
    from reports.audience.bundle_bounds import bound_curve
    from reports.audience.bundle_files import write_bundle
    from reports.audience.bundle_suppression import pool_suppressed, suppress
    from reports.pool_report import loss_words
    from reports.results.data_cuts import settle_cut
    from reports.writing import refuse_overwriting, write_whole

    refuse_overwriting([out], force=force)
    asked = read_date(data_cut, option="--data-cut") if data_cut else None
    with open_store(store) as opened:
        cut = settle_cut(opened, asked, now_utc().date())
        bundle = count_bundle(opened, end_point, cut, strata)
        content_hash = opened.state_hash()
    payload: dict[str, object] = {
        "command": "share",
        "file": str(out),
        "kind": "suppressed" if suppressed else "open",
        "centre": bundle.centre,
        "end_point": bundle.end_point,
        "data_cut": cut,
        "n": bundle.n,
        "events": bundle.events,
        "left_out": bundle.left_out,
    }
    if suppressed:
        made = suppress(bundle)
        lost = pool_suppressed([made])
        words = loss_words(lost, bound_curve([made]))
        payload |= {
            "event_cells": lost.event_cells,
            "hidden_cells": lost.hidden_cells,
            "loss_in_words": words,
        }
        text = write_bundle(made, content_hash)
        said = f"Loss by suppression: {words}"
    else:
        text = write_bundle(bundle, content_hash)
        said = "It holds counts of one: give it only to who has an agreement with you."
    write_whole(out, text.encode("utf-8"))
    answer(payload, as_json=as_json, text=f"{out}\n{said}")
    if not as_json:
        note("Next: `afterplaque pool` with the bundles of the other centres.")


def count_bundle(store: Store, name: str, cut: date, strata_by: str) -> Bundle:
    """Count one end point of an open store."""
    from analysis.benchmarking.bundles import make_bundle
    from analysis.outcomes.cohort import CohortRules, DataCut
    from analysis.outcomes.end_points import definition_in_words, find_end_point
    from analysis.outcomes.grouping import group_units
    from analysis.outcomes.outcome import read_outcome_table

    end_point = find_end_point(name)
    settings = store.settings()
    rules = CohortRules(int(settings["course_gap_days"]))
    table = read_outcome_table(store.connection, end_point, DataCut(cut), rules)
    strata = ["all"] * table.n
    if strata_by != "none" and table.n:
        keys = {
            "units": list(table.unit_id),
            "tumours": list(table.tumour_id),
            "implants": list(table.first_implant_id),
        }
        gap = rules.course_gap_days
        grouped = group_units(store.connection, DataCut(cut), keys, strata_by, course_gap_days=gap)
        strata = [grouped.of_unit[unit] for unit in table.unit_id]
    return make_bundle(
        table,
        strata,
        centre=str(settings["centre_id"]),
        definition=definition_in_words(end_point),
        data_cut=cut.isoformat(),
        strata_by=strata_by,
    )
