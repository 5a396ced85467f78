"""``afterplaque placement``: the placement arithmetic of one implant."""

from __future__ import annotations

from reports.command_frame import JsonFlag, answer
from reports.options.implant_arguments import (
    StoreAndImplant,
    everything_on_file,
    refuse_unknown_implant,
    split_store_and_implant,
)


def placement(arguments: StoreAndImplant, as_json: JsonFlag = False) -> None:
    """Work out one implant's placement: plaque size, margins, fovea, disc, limbus, muscles.

    The rules are common practice without a source. Departures from them are listed for review;
    none is forbidden, and a number that the record does not support says why it is missing.
    """
    from analysis.implants.placement_check import check_placement
    from analysis.implants.placement_records import read_placements
    from registry.store import open_store
    from reports.answers.implant_placement import describe_placement, lay_out_placement

    store_path, implant_id = split_store_and_implant(arguments)
    with open_store(store_path) as store:
        found = read_placements(store.connection, everything_on_file(), implant_id=implant_id)
    if not found:
        raise refuse_unknown_implant(implant_id)
    payload = describe_placement(check_placement(found[0]))
    answer(payload, as_json=as_json, text=lay_out_placement(payload))
