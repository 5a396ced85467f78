"""``afterplaque demo``: an invented department, from its files to its first audit report."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from reports.command_frame import JsonFlag, answer, note, progress

NOTICE = (
    "Everything in this report is invented: the department, the patients and the results. It shows"
    " what an audit looks like and says nothing about any real treatment."
)

FIRST_IMPLANT, DATA_CUT = date(2015, 1, 1), date(2024, 12, 31)

STANDARDS = """\
# What the invented department promised itself. Targets are invented too.
[primary]
end_point = "local_failure"
years = 5

[[standard]]
name = "Local control at 5 years"
end_point = "local_failure"
years = 5
at_least = 0.85
source = "invented for the demo"
decided_on = "2014-01-01"

[[standard]]
name = "Eye kept at 5 years"
end_point = "eye_loss"
years = 5
at_least = 0.90
source = "invented for the demo"
decided_on = "2014-01-01"

[[reference]]
end_point = "local_failure"
curve = "standard"
source = "invented for the demo"
decided_on = "2014-01-01"
"""


def demo(
    out: Annotated[
        Path, typer.Option("--out", help="A new folder for files, registry and report.")
    ] = Path("afterplaque-demo"),
    patients: Annotated[
        int, typer.Option("--patients", min=1, max=200_000, help="How many patients to draw.")
    ] = 400,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Same seed, same department.")] = 1,
    as_json: JsonFlag = False,
) -> None:
    """Draw an invented department, take its files in and write its audit: the main job at once."""
    from registry.errors import RefusedInputError
    from registry.store import create_store
    from registry.taking_in.intake import take_in
    from reports.commands.audit import describe_audit, make_audit
    from reports.options.option_values import now_utc
    from synthetic_cohort.truth import TRUTH

    if out.exists() and any(out.iterdir() if out.is_dir() else [out]):
        raise RefusedInputError(
            f"{out} is there already and not empty; nothing was written. Choose another --out, or"
            " remove it.",
            file=str(out),
        )
    progress(f"drawing {patients} invented patients")
    _write_department(out, patients, seed)
    progress("taking the files in")
    store_path, by = out / "department.registry", "demo"
    create_store(store_path, centre_id=TRUTH.centre_name, by=by, at=now_utc())
    taken = take_in(store_path, [out / "files"], by=by, why="demo", at=now_utc())
    year = DATA_CUT.year
    files = {form: out / f"audit-{year}.{form}" for form in ("html", "pdf")}
    results = make_audit(
        store_path,
        files,
        year=year,
        data_cut=DATA_CUT,
        audience="internal",
        standards_file=out / "standards.toml",
        notices=(NOTICE,),
    )
    payload = describe_audit(results, files) | {
        "command": "demo",
        "invented": True,
        "store": str(store_path),
        "rows": taken.rows,
    }
    answer(payload, as_json=as_json, text=f"{files['html']}\n{files['pdf']}")
    if not as_json:
        note(
            f"Everything in it is invented. Next: open {files['html']}, or try\n"
            f"  afterplaque outcome {store_path} --end-point local_failure"
            f" --data-cut {DATA_CUT} --by size_category"
        )


def _write_department(out: Path, patients: int, seed: int) -> None:
    """Draw the department; write its files and its standards."""
    import numpy as np

    from synthetic_cohort.cohort import draw_department, write_files
    from synthetic_cohort.truth import TRUTH

    department = draw_department(
        TRUTH,
        patients,
        np.random.default_rng(seed),
        first_implant_date=FIRST_IMPLANT,
        last_implant_date=DATA_CUT,
        data_cut=DATA_CUT,
    )
    write_files(department, out / "files")
    (out / "standards.toml").write_text(STANDARDS, encoding="utf-8")
