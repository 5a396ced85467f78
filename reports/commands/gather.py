"""``afterplaque gather``: the submissions of several centres in one new registry."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from registry.errors import DataProblemsError
from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import now_utc
from reports.options.record_arguments import RecordedBy, name_recorder


def gather(
    store: Annotated[Path, typer.Argument(metavar="STORE", help="The registry to make.")],
    folders: Annotated[
        list[Path], typer.Argument(metavar="DIR...", help="Submissions, one a centre.")
    ],
    by: RecordedBy = None,
    as_json: JsonFlag = False,
) -> None:
    """Verify submissions and make one registry of them, identifiers marked with their centre.

    A submission of which one byte was changed is refused; an error in one record keeps all out
    (exit code 3).
    """
    from registry.safekeeping.submissions import gather as take_together
    from reports.render.text import lay_out_table

    made = take_together(store, folders, by=name_recorder(by), at=now_utc())
    if made.intake.has_errors:
        raise DataProblemsError(
            "The records of the centres hold errors, so no registry was made; the centre named in"
            " the identifier mends them and submits again.",
            made.intake.findings,
        )
    payload = {
        "command": "gather",
        "store": str(store),
        "centres": made.centres,
        "submissions": [
            {
                "centre": one.centre,
                "patients": one.rows["patient"],
                "consenting_only": one.consenting_only,
                "content_hash": one.content_hash,
            }
            for one in made.submissions
        ],
        "rows": made.rows,
        "different_settings": list(made.different_settings),
        "findings": len(made.intake.findings),
    }
    rows = [[name, count] for name, count in made.rows.items()]
    centres = [
        [one.centre, one.rows["patient"], _consent(one.consenting_only), one.content_hash]
        for one in made.submissions
    ]
    heads = ["centre", "patients", "who", "content hash, to be held against what the centre told"]
    tables = (lay_out_table(heads, centres), lay_out_table(["table", "rows"], rows))
    answer(payload, as_json=as_json, text="\n\n".join((str(store), *tables)))
    if not as_json and len({one.consenting_only for one in made.submissions}) > 1:
        note("Some submissions hold consenting people only, others everyone: centres differ by it.")
    for name in made.different_settings:
        note(f"The centres' setting {name} differs; the new registry has the default.")


def _consent(consenting_only: bool) -> str:
    return "consenting" if consenting_only else "everyone"
