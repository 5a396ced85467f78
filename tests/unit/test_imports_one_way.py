"""Imports go only along the arrows, and light modules import nothing heavy.

``synthetic_cohort -> registry <- analysis <- reports``; ``reports`` may call all of them. Within
a package a room knows only rooms before it.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ALLOWED = {
    "registry": {"registry"},
    "synthetic_cohort": {"synthetic_cohort", "registry"},
    "analysis": {"analysis", "registry"},
    "reports": {"reports", "analysis", "registry", "synthetic_cohort"},
}
ROOMS = {
    "registry": ("engine", "entry_rules", "reading", "taking_in", "safekeeping"),
    "analysis": (
        "estimators",
        "models",
        "counts",
        "outcomes",
        "implants",
        "checking",
        "dose_effect",
        "benchmarking",
    ),
    "reports": (
        "words",
        "figures",
        "page",
        "audience",
        "render",
        "studies",
        "options",
        "tables",
        "results",
        "answers",
        "sections",
        "commands",
    ),
}
HEAVY = {"duckdb", "lifelines", "matplotlib", "numpy", "pandas", "pyarrow", "scipy", "statsmodels"}
LIGHT = [
    *(ROOT / "registry" / f"{name}.py" for name in ("acuity", "errors", "records", "staging")),
    *(ROOT / "reports" / f"{name}.py" for name in ("app", "command_frame")),
    *sorted((ROOT / "reports" / "commands").glob("*.py")),
]
MODULES = [path for package in ALLOWED for path in sorted((ROOT / package).rglob("*.py"))]


def _name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def list_imported(tree: ast.AST) -> Iterator[str]:
    """List the modules that a syntax tree imports; a relative import is listed with its dots."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield "." * node.level + (node.module or "")


def find_wrong_imports(package: str, source: str) -> list[str]:
    """Find relative imports, imports against the arrows, and any of click."""
    imported = list(list_imported(ast.parse(source)))
    forbidden = (set(ALLOWED) - ALLOWED[package]) | {"click"}
    return [name for name in imported if name[0] == "." or name.split(".")[0] in forbidden]


def find_later_rooms(package: str, room: str, source: str) -> list[str]:
    """Find imports of a room of the package that comes after this one."""
    rooms = ROOMS[package]
    later = tuple(f"{package}.{other}" for other in rooms[rooms.index(room) + 1 :])
    return [name for name in list_imported(ast.parse(source)) if name.startswith(later)]


def find_heavy_imports(source: str) -> list[str]:
    """Find heavy libraries imported when the module is, under TYPE_CHECKING apart."""
    tree = ast.parse(source)
    at_import = ast.Module(
        [
            node
            for node in tree.body
            if not isinstance(node, ast.FunctionDef | ast.ClassDef)
            and not (isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test))
        ],
        [],
    )
    return [name for name in list_imported(at_import) if name.split(".")[0] in HEAVY]


@pytest.mark.parametrize(
    ("package", "source", "wrong"),
    [
        ("registry", "import analysis.outcomes.cohort", ["analysis.outcomes.cohort"]),
        ("analysis", "def f():\n    from reports import document", ["reports"]),
        (
            "synthetic_cohort",
            "from analysis.estimators.survival import x",
            ["analysis.estimators.survival"],
        ),
        ("reports", "from . import document", ["."]),
        ("reports", "from ..registry import errors", ["..registry"]),
        ("reports", "import click", ["click"]),
        ("reports", "from synthetic_cohort.truth import TRUTH\nimport json", []),
    ],
)
def test_the_check_finds_what_it_should(package: str, source: str, wrong: list[str]) -> None:
    assert find_wrong_imports(package, source) == wrong


def test_the_heavy_check_looks_at_the_module_level_alone() -> None:
    assert find_heavy_imports("import pandas as pd") == ["pandas"]
    assert find_heavy_imports("try:\n    from scipy import stats\nfinally:\n    pass") == ["scipy"]
    assert find_heavy_imports("def f():\n    import pandas") == []
    assert find_heavy_imports("if TYPE_CHECKING:\n    import pandas") == []


def test_the_check_of_rooms_finds_an_import_backwards() -> None:
    source = "from registry.engine.chain import Head\nfrom registry.reading.lines import read_lines"
    assert find_later_rooms("registry", "engine", source) == ["registry.reading.lines"]
    assert find_later_rooms("registry", "taking_in", source) == []
    assert find_later_rooms("registry", "safekeeping", source) == []


def test_every_package_is_seen() -> None:
    assert {_name(path).split("/")[0] for path in MODULES} == set(ALLOWED)
    assert all(path.exists() for path in LIGHT)


@pytest.mark.parametrize("path", MODULES, ids=_name)
def test_imports_follow_the_arrows(path: Path) -> None:
    package = _name(path).split("/")[0]
    assert find_wrong_imports(package, path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("path", LIGHT, ids=_name)
def test_light_modules_import_nothing_heavy(path: Path) -> None:
    assert find_heavy_imports(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("package", ROOMS)
def test_every_room_has_its_place(package: str) -> None:
    rooms = {path.parent.name for path in (ROOT / package).glob("*/__init__.py")}
    assert rooms - {"migrations"} == set(ROOMS[package])


@pytest.mark.parametrize(
    ("package", "room"), [(package, room) for package, rooms in ROOMS.items() for room in rooms]
)
def test_rooms_know_only_those_before(package: str, room: str) -> None:
    modules = sorted((ROOT / package / room).glob("*.py"))
    assert len(modules) > 1
    wrong = {
        _name(path): found
        for path in modules
        if (found := find_later_rooms(package, room, path.read_text(encoding="utf-8")))
    }
    assert wrong == {}
