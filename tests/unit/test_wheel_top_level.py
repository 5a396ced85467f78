"""The wheel holds the four packages with their data files, and nothing else."""

from __future__ import annotations

import configparser
import subprocess
import tomllib
import zipfile
from pathlib import Path

import pytest
from hatchling.builders.wheel import WheelBuilder

ROOT = Path(__file__).parents[2]
PACKAGES = {"registry", "analysis", "reports", "synthetic_cohort"}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    """Build the wheel by the build back end itself; nothing is fetched."""
    folder = tmp_path_factory.mktemp("wheel")
    built = list(WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"]))
    assert len(built) == 1
    return zipfile.ZipFile(built[0])


def _list_files() -> set[str]:
    """The files of the packages, but for the README's pictures."""
    return {
        path.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for path in (ROOT / package).rglob("*")
        if path.is_file() and path.suffix != ".pyc" and path.parent.name != "pictures"
    }


def test_the_top_level_is_the_four_packages(wheel: zipfile.ZipFile) -> None:
    tops = {name.split("/")[0] for name in wheel.namelist()}
    assert {top for top in tops if not top.endswith(".dist-info")} == PACKAGES


def test_every_file_of_the_packages_is_in_it(wheel: zipfile.ZipFile) -> None:
    held = {name for name in wheel.namelist() if name.split("/")[0] in PACKAGES}
    assert held == _list_files()
    suffixes = {Path(name).suffix for name in held}
    assert {".py", ".csv", ".sql", ".otf"} <= suffixes


def test_nothing_ignored_by_git_is_in_it(wheel: zipfile.ZipFile) -> None:
    held = "\n".join(name for name in wheel.namelist() if name.split("/")[0] in PACKAGES)
    ignored = subprocess.run(
        ["git", "check-ignore", "--stdin"],
        cwd=ROOT,
        input=held,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ignored.stdout == ""


def test_the_entry_point_is_the_command(wheel: zipfile.ZipFile) -> None:
    place = next(name for name in wheel.namelist() if name.endswith("entry_points.txt"))
    entry_points = configparser.ConfigParser()
    entry_points.read_string(wheel.read(place).decode())
    assert dict(entry_points["console_scripts"]) == {"afterplaque": "reports.app:main"}


def test_what_the_wheel_needs_is_what_the_project_declares(wheel: zipfile.ZipFile) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    place = next(name for name in wheel.namelist() if name.endswith(".dist-info/METADATA"))
    lines = wheel.read(place).decode().splitlines()
    required = [
        line for line in lines if line.startswith("Requires-Dist:") and "extra ==" not in line
    ]
    assert len(required) == len(project["dependencies"])
