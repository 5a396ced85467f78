"""``afterplaque dose``: one implant's doses recomputed from its certificate and times."""

from __future__ import annotations

from typing import Annotated

import typer

from reports.command_frame import JsonFlag, answer
from reports.commands.bed import check_range
from reports.options.implant_arguments import (
    StoreAndImplant,
    everything_on_file,
    refuse_unknown_implant,
    split_store_and_implant,
)


def dose(
    arguments: StoreAndImplant,
    depth: Annotated[
        list[float] | None,
        typer.Option(
            metavar="MM", help="A further depth from the plaque's surface; may be repeated."
        ),
    ] = None,
    alpha_beta: Annotated[float, typer.Option(metavar="GY", help="alpha/beta in Gy.")] = 10.0,
    repair_half_time_hours: Annotated[
        float, typer.Option(metavar="H", help="Half-time of repair in hours.")
    ] = 1.5,
    as_json: JsonFlag = False,
) -> None:
    """Recompute one implant's doses and compare them with the recorded ones.

    On the central axis in water, by the latest certificate of the plaque at or before insertion:
    apex, tumour base, scleral surface, prescription point and any depth, each with BED, limits and
    the inputs; and the sum of the course that the implant belongs to.
    """
    from analysis.implants.dosimetry import recompute_doses
    from analysis.implants.radiobiology import RepairModel
    from registry.store import open_store
    from reports.answers.implant_dose import describe_dose, lay_out_dose

    check_range(alpha_beta, option="--alpha-beta", may_be_zero=False, may_be_endless=False)
    check_range(
        repair_half_time_hours,
        option="--repair-half-time-hours",
        may_be_zero=False,
        may_be_endless=False,
    )
    for one in depth or []:
        check_range(one, option="--depth", may_be_zero=True, may_be_endless=False)
    store_path, implant_id = split_store_and_implant(arguments)
    with open_store(store_path) as store:
        settings = store.settings()
        table = recompute_doses(
            store.connection,
            everything_on_file(),
            half_life_source=settings["half_life_source"],
            course_gap_days=settings["course_gap_days"],
            depths_mm=depth or (),
            tumour_of_implant=implant_id,
        )
    row = table.records.find(implant_id)
    if row is None:
        raise refuse_unknown_implant(implant_id)
    payload = describe_dose(table, row, RepairModel(alpha_beta, repair_half_time_hours))
    answer(payload, as_json=as_json, text=lay_out_dose(payload))
