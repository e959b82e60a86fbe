"""The arrows between the packages: each imports only what stands before it, and heavy libraries have one home."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from own_source import MODULES, ROOT, source

# From left to right; what stands in one group knows nothing of its neighbours there.
ARROWS = (
    ("errors", "unit_words"),
    ("ranges", "unit_factors", "unit_guesses"),
    ("units", "water", "clock", "whole_file", "processes"),
    ("model",),
    ("joints",),
    ("read", "hydraulics"),
    ("choices", "edits"),
    ("program",),
    ("takeoff", "verify"),
    ("search",),
    ("wording",),
    ("pipeline",),
    ("documents",),
    ("tables",),
    ("many",),
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
    "pint": {"units", "unit_guesses"},
    "resvg_py": {"documents"},
    "weasyprint": {"documents"},
    "ruamel": {"read", "edits"},
    "rich": {"documents"},
    "click": {"cli"},
    "starlette": {"web"},
    "uvicorn": {"web"},
    "jinja2": {"web"},
    "markupsafe": {"web"},
    "pandas": {"many", "tables"},
    "distributed": {"many"},
}
INSIDE = [module for module in MODULES if module != Path("optimizer/__init__.py")]  # that one hands out names of all


def part_of(module: Path) -> str:
    """Return the package or the module right under `optimizer` that a file belongs to."""
    return module.parts[1].removesuffix(".py")


def own_parts(module: Path) -> set[str]:
    """Return the parts of the package that a file imports; `from optimizer import NAME` counts where it is one."""
    found = {name.split(".")[1] for name in source(module).imports if name.startswith("optimizer.")}
    return found - {"__version__"}


def test_a_module_imports_only_from_its_left() -> None:
    for module in INSIDE:
        assert not source(module).relative, f"{module} imports by a relative name"
        here = part_of(module)
        wrong = {there for there in own_parts(module) if there != here and RANK[there] >= RANK[here]}
        assert not wrong, f"{module} imports {', '.join(sorted(wrong))}"


def test_a_library_is_imported_only_where_it_is_at_home() -> None:
    for module in MODULES:
        for name in source(module).imports:
            homes = HOMES.get(name.split(".")[0])
            assert homes is None or part_of(module) in homes, f"{module} imports {name}"


def test_the_reader_of_imports_sees_those_inside_functions_and_under_conditions() -> None:
    assert "ortools.math_opt.python.mathopt" in source(Path("optimizer/program/answers.py")).imports
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
        (
            "import optimizer.cli as c; c.main(['flow', 'examples/cellar-sump.yaml'], standalone_mode=False)",
            {"numpy.ma", "scipy", "pint", "ortools", "networkx", "pandas", "rich", "xlsxwriter"},
        ),
        (
            "import optimizer.cli as c; c.main(['check', 'examples/cellar-sump.yaml'], standalone_mode=False)",
            {"numpy", "secrets", "ctypes", "fluids", "scipy", "pint", "ortools", "networkx", "pandas", "rich"},
        ),
        ("import optimizer.documents.text", {"numpy", "pint", "ortools", "xlsxwriter", "rich"}),
    ],
)
def test_what_is_slow_to_load_is_loaded_when_it_is_used(code: str, absent: set[str]) -> None:
    script = f"import sys\n{code}\nprint(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True)

    assert not absent & set(loaded.stdout.split())
