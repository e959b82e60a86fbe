"""The arrows between the packages: each imports only what stands before it, and heavy libraries have one home."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "optimizer"

# From left to right; what stands in one group knows nothing of its neighbours there.
ARROWS = (
    ("errors", "unit_words"),
    ("ranges", "unit_factors"),
    ("units", "water", "clock", "whole_file"),
    ("model",),
    ("joints",),
    ("read", "hydraulics"),
    ("choices", "edits"),
    ("program",),
    ("takeoff", "verify"),
    ("search",),
    ("pipeline",),
    ("documents",),
    ("web",),
    ("cli",),
)
RANK = {name: rank for rank, group in enumerate(ARROWS) for name in group}
HOMES = {
    "fluids": {"hydraulics"},
    "ortools": {"program"},
    "scipy": {"hydraulics", "verify"},
    "networkx": {"model", "joints"},
    "openpyxl": {"read"},
    "xlsxwriter": {"documents"},
    "pint": {"units"},
    "resvg_py": {"documents"},
    "weasyprint": {"documents"},
    "ruamel": {"read", "edits"},
    "rich": {"documents"},
    "click": {"cli"},
    "starlette": {"web"},
    "uvicorn": {"web"},
    "jinja2": {"web"},
    "markupsafe": {"web"},
}
MODULES = sorted(path.relative_to(ROOT) for path in PACKAGE.rglob("*.py") if "data" not in path.parts)
INSIDE = [module for module in MODULES if module != Path("optimizer/__init__.py")]  # that one hands out names of all


def part_of(module: Path) -> str:
    """Return the package or the module right under `optimizer` that a file belongs to."""
    return module.parts[1].removesuffix(".py")


def imports(module: Path) -> Iterator[str]:
    """Yield the dotted name of everything that a file imports, wherever in it: inside functions as well."""
    for node in ast.walk(ast.parse((ROOT / module).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}:{node.lineno} imports by a relative name"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def own_parts(module: Path) -> set[str]:
    """Return the parts of the package that a file imports; `from optimizer import NAME` counts where it is one."""
    found = {name.split(".")[1] for name in imports(module) if name.startswith("optimizer.")}
    return found - {"__version__"}


@pytest.mark.parametrize("module", INSIDE, ids=str)
def test_a_module_imports_only_from_its_left(module: Path) -> None:
    here = part_of(module)
    wrong = {there for there in own_parts(module) if there != here and RANK[there] >= RANK[here]}

    assert not wrong, f"{module} imports {', '.join(sorted(wrong))}"


@pytest.mark.parametrize("module", MODULES, ids=str)
def test_a_library_is_imported_only_where_it_is_at_home(module: Path) -> None:
    for name in imports(module):
        homes = HOMES.get(name.split(".")[0])
        assert homes is None or part_of(module) in homes, f"{module} imports {name}"


def test_the_reader_of_imports_sees_those_inside_functions_and_under_conditions() -> None:
    assert "ortools.math_opt.python.mathopt" in set(imports(Path("optimizer/program/answers.py")))
    assert "hydraulics" in own_parts(Path("optimizer/documents/flows_text.py"))
    assert "pipeline" in own_parts(Path("optimizer/cli/commands.py"))


@pytest.mark.parametrize(
    ("code", "absent"),
    [
        ("import optimizer", {"click", "numpy", "pint", "ortools", "scipy", "optimizer.pipeline"}),
        (
            "import optimizer.cli",
            {
                "starlette",
                "uvicorn",
                "jinja2",
                "optimizer.web",
                "numpy",
                "pint",
                "ortools",
                "scipy",
                "networkx",
                "pandas",
                "rich",
                "pydantic",
            },
        ),
        ("import optimizer.pipeline", {"numpy", "pint", "ortools", "scipy", "networkx", "pandas", "rich"}),
        ("import optimizer.documents.text", {"numpy", "pint", "ortools", "xlsxwriter", "rich"}),
    ],
)
def test_what_is_slow_to_load_is_loaded_when_it_is_used(code: str, absent: set[str]) -> None:
    script = f"import sys\n{code}\nprint(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)

    assert not absent & set(loaded.stdout.split())
