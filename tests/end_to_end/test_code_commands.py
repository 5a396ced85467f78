"""The program itself, run as a person runs it: acuity, stage, fields, and its ways to end."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from importlib.metadata import version

import pytest

from registry.records import TABLES

PROGRAM = [sys.executable, "-c", "from reports.app import main; main()"]


def _run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*PROGRAM, *arguments], capture_output=True, text=True, check=False)


def test_help_is_there_within_half_a_second_of_cpu() -> None:
    before = os.times()
    ran = _run("--help")
    after = os.times()
    spent = (after.children_user + after.children_system) - (
        before.children_user + before.children_system
    )
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "acuity" in ran.stdout
    assert spent < 0.5
    assert _run().stdout == ran.stdout


def test_version() -> None:
    assert _run("--version").stdout == f"afterplaque {version('afterplaque')}\n"


def test_acuity_reads_and_refuses() -> None:
    ran = _run("acuity", "6/9", "CF 1 m", "1.0", "--json")
    assert (ran.returncode, ran.stderr) == (3, "")
    answer = json.loads(ran.stdout)
    assert list(answer) == ["schema_version", "command", "readings"]
    fraction, fingers, bare = answer["readings"]
    assert fraction["logmar"] == math.log10(1.5)
    assert (fraction["text"], fraction["letters"], fraction["off_chart"]) == ("6/9", 76, False)
    assert (fingers["off_chart"], fingers["level"], fingers["letters"]) == (True, "CF", None)
    assert "ambiguous" in bare["error"]
    assert "logmar" not in bare


def test_acuity_in_words() -> None:
    ran = _run("acuity", "1.0", "--notation", "decimal")
    assert ran.returncode == 0
    assert ran.stdout.splitlines()[-1].split() == ["1.0", "0.00", "85"]


def test_stage_of_a_known_tumour() -> None:
    # AJCC 8: 5.5 mm by 11.0 mm is T2; T2a N0 M0 is stage IIA. COMS medium by both limits.
    options = ["--thickness", "5.5", "--diameter", "11.0", "--ciliary-body", "no"]
    ran = _run("stage", *options, "--extraocular", "none", "--json")
    answer = json.loads(ran.stdout)
    assert ran.returncode == 0
    assert (answer["size_category"], answer["category"], answer["stage"]) == ("T2", "T2a", "IIA")
    assert answer["coms"] == {"early": "medium", "final": "medium"}
    assert answer["caution"].startswith("Retrospective check of a record. Not for planning")


@pytest.mark.parametrize(
    ("options", "code", "kind"),
    [
        (["--thickness", "3", "--diameter", "8", "--site", "iris"], 1, "refused_input"),
        (["--thickness", "0.2", "--diameter", "8"], 2, "usage"),
        (["--thickness", "nan", "--diameter", "8"], 2, "usage"),
        (["--thickness", "3,5", "--diameter", "8"], 2, "usage"),
        (["--thickness", "3"], 2, "usage"),
        (["--thick", "3", "--diameter", "8"], 2, "usage"),
    ],
)
def test_stage_refusals(options: list[str], code: int, kind: str) -> None:
    ran = _run("stage", *options, "--json")
    assert (ran.returncode, ran.stderr) == (code, "")
    assert json.loads(ran.stdout)["error"]["kind"] == kind


def test_stage_in_words_carries_the_caution_and_the_reasons() -> None:
    ran = _run("stage", "--thickness", "5.5", "--diameter", "11")
    assert "Ciliary body involvement is unknown" in ran.stdout
    assert "Not for planning or treating a patient" in ran.stdout


def test_fields_hold_the_whole_declaration() -> None:
    ran = _run("fields", "--format", "json")
    answer = json.loads(ran.stdout)
    assert [table["table"] for table in answer["tables"]] == list(TABLES)
    named = [field["field"] for table in answer["tables"] for field in table["fields"]]
    assert named == [field.name for table in TABLES.values() for field in table.fields]


def test_fields_as_csv_are_the_declaration_itself() -> None:
    from csv import DictReader

    from registry.records import read_declaration

    printed = _run("fields", "--format", "csv").stdout.splitlines()
    assert read_declaration(printed) == dict(TABLES)
    assert len(list(DictReader(printed))) == sum(len(table.fields) for table in TABLES.values())


def test_fields_in_markdown_have_four_cells_a_row() -> None:
    lines = _run("fields").stdout.splitlines()
    rows = [line for line in lines if line.startswith("|")]
    assert {line.replace("\\|", "").count("|") for line in rows} == {5}
    assert "## implant" in lines


def test_a_reader_that_leaves_early_gets_no_traceback() -> None:
    running = subprocess.Popen(
        [*PROGRAM, "fields"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert running.stdout is not None
    assert running.stderr is not None
    running.stdout.close()
    complaint = running.stderr.read()
    running.stderr.close()
    assert running.wait() == 141
    assert complaint == ""
