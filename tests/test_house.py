"""The house rules that a machine can check: which way imports point, how long things are, what is said.

No outside source: these are this project's own rules, written down in DEVELOPERS.md.
"""

from __future__ import annotations

import ast
import dataclasses
import importlib.metadata
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "corridor"

RANKS = (
    ("errors",),
    ("progress",),
    ("side_by_side", "compiled"),
    ("model",),
    ("kernels",),
    ("survey", "terrain", "routing", "pipe", "permit"),
    ("assess",),
    ("io", "publish", "sample"),
    ("workflow",),
    ("options_flow", "tidy_flow", "why_flow", "survey_flow", "reroute_search"),
    ("reroute_flow", "compile_ahead"),
    ("cli",),
)
"""Data flows from the first to the last; imports point the other way."""

RANK_OF = {name: rank for rank, names in enumerate(RANKS) for name in names}

KERNELS_MAY_IMPORT = {"__future__", "math", "typing", "numpy", "corridor.compiled", "corridor.kernels"}

PUBLISH_MAY_IMPORT_OF_IO = {"corridor.io._environment", "corridor.io.guard"}
"""A publisher writes; what it needs to know was read before."""

MOST_LINES_OF_A_FILE = 500
MOST_LINES_OF_A_FUNCTION = 90
"""Without its docstring: a kernel's can be longer than its loop."""

TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "corridor", "tests", "sample_gis", "notebooks",
}  # fmt: skip

SOURCES = sorted(PACKAGE.rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))


@cache
def tree(file: Path) -> ast.Module:
    return ast.parse(file.read_text(encoding="utf-8"), filename=str(file))


def name_of(file: Path) -> str:
    """Dotted name of a source file of the package."""
    parts = file.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {name_of(file) for file in SOURCES}


def imported(nodes: list[ast.stmt] | Iterator[ast.AST]) -> set[str]:
    """Full names of what import statements name; of our own modules, the module meant."""
    found = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            if node.level:  # a module beside this one (tests only; in the package names are written out)
                continue
            base = node.module or ""
            inner = {f"{base}.{alias.name}" for alias in node.names} & MODULES
            found |= inner | ({base} if len(inner) < len(node.names) else set())
    return found


def all_imports(file: Path) -> set[str]:
    return imported(ast.walk(tree(file)))


def module_level_imports(file: Path) -> set[str]:
    return imported(tree(file).body)


def part_of(module: str) -> str:
    """The part of the house a module of ours belongs to; empty for the package itself."""
    return [*module.split("."), ""][1]


def ours(modules: set[str]) -> set[str]:
    return {module for module in modules if module == "corridor" or module.startswith("corridor.")}


def test_every_part_has_its_place() -> None:
    assert {part_of(name) for name in MODULES} == {"", *RANK_OF}


def test_imports_point_down() -> None:
    upward = [
        f"{name_of(file)} imports {other}"
        for file in SOURCES
        for other in sorted(ours(all_imports(file)))
        if (part := part_of(name_of(file)))
        and ((part != "cli" and other == "corridor") or RANK_OF.get(part_of(other), -1) > RANK_OF[part])
    ]
    assert not upward


def test_names_of_modules_are_written_out() -> None:
    relative = [
        f"{name_of(file)}, line {node.lineno}"
        for file in SOURCES
        for node in ast.walk(tree(file))
        if isinstance(node, ast.ImportFrom) and node.level
    ]
    assert not relative


def test_no_module_needs_itself() -> None:
    """At module level the imports make no circle; networkx would find one as well, but this says which."""
    needs = {name_of(file): ours(module_level_imports(file)) for file in SOURCES}
    done: set[str] = set()

    def visit(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, " -> ".join((*way, name))
        if name not in done:
            for other in sorted(needs.get(name, ())):
                visit(other, (*way, name))
            done.add(name)

    for name in needs:
        visit(name, ())
    assert done >= MODULES


def test_kernels_import_arrays_and_the_compiler_only() -> None:
    strange = [
        f"{name_of(file)} imports {name}"
        for file in sorted((PACKAGE / "kernels").rglob("*.py"))
        for name in sorted(all_imports(file))
        if not any(name == known or name.startswith(known + ".") for known in KERNELS_MAY_IMPORT)
    ]
    assert not strange


def test_publishers_do_not_read() -> None:
    reading = [
        f"{name_of(file)} imports {name}"
        for file in sorted((PACKAGE / "publish").rglob("*.py"))
        for name in sorted(ours(all_imports(file)))
        if part_of(name) == "io" and name not in PUBLISH_MAY_IMPORT_OF_IO
    ]
    assert not reading


def test_commands_hold_no_arithmetic_library() -> None:
    """A command parses, calls the library and prints."""
    heavy = {"numpy", "scipy", "shapely", "numba", "rasterio", "pyogrio", "geopandas", "matplotlib", "pyproj"}
    for file in sorted((PACKAGE / "cli").rglob("*.py")):
        names = {name.split(".")[0] for name in all_imports(file)}
        assert not names & heavy, name_of(file)


def test_files_stay_short() -> None:
    lengths = {place(file): len(file.read_text(encoding="utf-8").splitlines()) for file in (*SOURCES, *TESTS)}
    assert not {file: lines for file, lines in lengths.items() if lines > MOST_LINES_OF_A_FILE}


def test_functions_stay_short() -> None:
    lengths = {
        f"{place(file)}: {node.name}": lines_of(node)
        for file in (*SOURCES, *TESTS)
        for node in ast.walk(tree(file))
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))
    }
    assert not {name: lines for name, lines in lengths.items() if lines > MOST_LINES_OF_A_FUNCTION}


def place(file: Path) -> str:
    return file.relative_to(ROOT).as_posix()


def lines_of(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function without its docstring."""
    whole = (node.end_lineno or 0) - node.lineno + 1
    if ast.get_docstring(node) is None:
        return whole
    text = node.body[0]
    return whole - ((text.end_lineno or 0) - text.lineno + 1)


def test_public_things_say_what_they_are() -> None:
    silent = [place(file) for file in SOURCES if tree(file).body and ast.get_docstring(tree(file)) is None]
    silent += [
        f"{place(file)}: {name}"
        for file in SOURCES
        for name, node in public(tree(file))
        if ast.get_docstring(node) is None
    ]
    assert not silent


def public(module: ast.Module) -> Iterator[tuple[str, ast.FunctionDef | ast.ClassDef]]:
    """Public functions and classes of a module, and the public methods of public classes."""
    for node in module.body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
            yield node.name, node
            if isinstance(node, ast.ClassDef):
                for inner in node.body:
                    if (
                        isinstance(inner, ast.FunctionDef)
                        and not inner.name.startswith("_")
                        and not declares_only(inner)
                    ):
                        yield f"{node.name}.{inner.name}", inner


def declares_only(node: ast.FunctionDef) -> bool:
    """True for a method of a protocol: its body is an ellipsis."""
    last = node.body[-1]
    return isinstance(last, ast.Expr) and isinstance(last.value, ast.Constant) and last.value.value is ...


ALL_ERRORS = ("Exception", "BaseException")
CATCHES_ALL = {"corridor/io/survey_ahead.py"}
"""Hands whatever happened in a reading thread to the thread that waits for it."""


def test_no_error_is_swallowed() -> None:
    wide = [
        f"{place(file)}, line {node.lineno}"
        for file in SOURCES
        if place(file) not in CATCHES_ALL
        for node in ast.walk(tree(file))
        if isinstance(node, ast.ExceptHandler)
        and (node.type is None or (isinstance(node.type, ast.Name) and node.type.id in ALL_ERRORS))
    ]
    assert not wide


def test_nothing_is_left_undone() -> None:
    mark = re.compile(r"\b(TO" + r"DO|FIX" + r"ME|NotImplemented" + r"Error)\b")
    assert not [place(file) for file in SOURCES if mark.search(file.read_text(encoding="utf-8"))]


def test_every_top_level_entry_is_known() -> None:
    """What git knows, or would add; in a copy without git, everything that is not hidden."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if listed.returncode == 0 and listed.stdout:
        names = {line.split("/")[0] for line in listed.stdout.splitlines()}
    else:
        names = {entry.name for entry in ROOT.iterdir()}
    shown = {name for name in names if not name.startswith(".")}
    assert shown - {"build", "dist"} - {n for n in shown if n.endswith(".egg-info")} == TOP_LEVEL
    assert all((ROOT / name).exists() for name in TOP_LEVEL)


# --- the README says everything -------------------------------------------------------------------

README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_every_key_of_the_project_file_is_explained() -> None:
    from corridor.io.tables import EXTRA_TABLES, LayerSettings, ProjectSettings, SeabedSettings
    from corridor.model.pipe import Environment, Pipe
    from corridor.model.project import OutputSettings
    from corridor.model.rules import RouteRules

    tables = {
        "project": ProjectSettings, "seabed": SeabedSettings, "layer": LayerSettings, "route": RouteRules,
        "pipe": Pipe, "environment": Environment, "output": OutputSettings, **EXTRA_TABLES,
    }  # fmt: skip
    keys = {(name, field.name) for name, cls in tables.items() for field in dataclasses.fields(cls)}
    keys |= {("route", "start"), ("route", "end"), ("route", "via")}
    assert not sorted(f"[{name}] {key}" for name, key in keys if f"`{key}`" not in README)
    assert not sorted(name for name in tables if f"[{name}]" not in README)


def test_every_agreed_column_is_named() -> None:
    from corridor.publish.tables import COLUMNS

    words = set(re.findall(r"\w+", README))
    assert not sorted({column for columns in COLUMNS.values() for column in columns} - words)


def test_every_command_is_explained() -> None:
    from corridor.cli.main import COMMANDS

    assert not [name for name in COMMANDS if f"`corridor {name} " not in README]


def test_the_first_two_fenced_blocks_are_one_line_commands() -> None:
    """.ci/run takes the second of them and runs it as it stands."""
    blocks = re.findall(r"^```sh\n(.*?)^```", README, re.DOTALL | re.MULTILINE)[:2]
    for block, ending in zip(blocks, ("corridor route sample_gis/project.toml", "/pytest"), strict=True):
        assert block.count("\n") == 1 and block.startswith("python3 -m venv ")
        assert block.rstrip().endswith(ending)
    folders = [re.findall(r"\.venv\S*?(?=[ /])", block)[0] for block in blocks]
    assert folders[0] != folders[1]


# --- dependencies ---------------------------------------------------------------------------------

TREE = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def packages(*requirements: list[str]) -> set[str]:
    return {canonical(Requirement(text).name) for group in requirements for text in group}


def canonical(name: str) -> str:
    """Name of a distribution as PEP 503 normalises it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def distributions(files: list[Path]) -> dict[str, str]:
    """Distribution of every third-party module that `files` import -> one of the files."""
    owners = importlib.metadata.packages_distributions()
    found = {}
    for file in files:
        for module in {name.split(".")[0] for name in all_imports(file)}:
            if module not in sys.stdlib_module_names and module not in ("corridor", "tests"):
                for owner in owners.get(module, []):
                    found[canonical(owner)] = str(file.relative_to(ROOT))
    return found


def test_whatever_the_package_imports_is_declared() -> None:
    assert set(distributions(SOURCES)) <= packages(TREE["dependencies"])


def test_whatever_the_tests_import_is_declared() -> None:
    # osgeo comes with Debian's python3-gdal: it makes a fixture once, no test imports it. packaging comes
    # with pytest.
    known = packages(TREE["dependencies"], TREE["optional-dependencies"]["test"]) | {"packaging", "gdal"}
    assert set(distributions(TESTS)) <= known


def test_every_dependency_is_bounded_on_both_sides() -> None:
    groups = [TREE["dependencies"], *TREE["optional-dependencies"].values()]
    for text in (text for group in groups for text in group):
        signs = {specifier.operator for specifier in Requirement(text).specifier}
        assert signs == {">=", "<"}, text
    assert TREE["requires-python"] == ">=3.11,<3.15"  # numba's own cap at the time of writing


# --- start-up -------------------------------------------------------------------------------------

HEAVY = ("numpy", "numba", "rasterio", "pyogrio", "pyproj", "shapely", "scipy", "matplotlib", "folium")


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["route", "--help"]], ids=" ".join)
def test_help_loads_no_heavy_library(words: list[str]) -> None:
    script = (
        "import sys\n"
        "from corridor.cli import main\n"
        "try:\n"
        f"    main({words!r})\n"
        "except SystemExit as stop:\n"
        "    assert stop.code == 0, stop.code\n"
        f"loaded = [name for name in {HEAVY!r} if name in sys.modules]\n"
        "assert not loaded, loaded\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    assert "corridor" in done.stdout


def test_importing_the_package_is_light_and_sets_the_guards_first() -> None:
    """The guards of corridor.io._environment stand before GDAL loads, whatever name is used first."""
    script = (
        "import sys, corridor\n"
        f"assert not [name for name in {HEAVY!r} if name in sys.modules]\n"
        "corridor.Grid\n"
        "import os\n"
        "assert os.environ['CPL_VSIL_CURL_ALLOWED_EXTENSIONS'] == '.none'\n"
        "assert 'rasterio' not in sys.modules\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr
