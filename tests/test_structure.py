"""The shape of the package: who may import whom, and what is public."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import mixrender

PACKAGE = Path(mixrender.__file__).parent

LAYERS = (
    ("__main__",),
    ("cli",),
    ("rehearse",),
    ("terminal",),
    ("api",),
    ("page",),
    ("report",),
    ("mixdown", "demo"),
    ("analysis",),
    ("loudness",),
    ("audio",),
    ("dsp",),
    ("timing",),
    ("plan",),
    ("facts", "formats", "keys"),
    ("progress", "units", "errors"),
)
"""From the top down; each may import only what stands below it (and its own room)."""

RANK = {room: rank for rank, layer in enumerate(LAYERS) for room in layer}


def room_of(module: str) -> str:
    return module.split(".")[1]


def imports_of(path: Path) -> list[str]:
    """Modules of the package that a file imports; those of its type checking alone left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("mixrender"):
            names = [f"mixrender.{alias.name}" for alias in node.names] if node.module == "mixrender" else []
            found.extend(names or [node.module])
        elif isinstance(node, ast.Import):
            found.extend(alias.name for alias in node.names if alias.name.startswith("mixrender."))
    return found


MODULES = sorted(p for p in PACKAGE.rglob("*.py") if p != PACKAGE / "__init__.py")


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_down_only(path):
    here = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    for module in imports_of(path):
        if module == "mixrender.__version__":
            continue
        there = room_of(module)
        assert there in RANK, f"{module} stands in no room"
        assert there == here or RANK[there] > RANK[here], f"{path.name} ({here}) imports {module}"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_module_says_in_its_first_line_what_it_does(path):
    docstring = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8")))

    assert docstring and docstring.splitlines()[0].endswith(".")


def test_everything_public_is_there_and_sorted():
    assert mixrender.__all__ == sorted(mixrender.__all__)
    assert all(hasattr(mixrender, name) for name in mixrender.__all__)
    for name in ("analyze", "load_plan", "measure_loudness", "preview", "render", "resolve"):
        assert callable(getattr(mixrender, name))


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'mixtape'"):
        mixrender.mixtape  # noqa: B018 - the access is what is tested


def test_the_version_is_that_of_the_project():
    import tomllib

    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text(encoding="utf-8"))

    assert project["project"]["version"] == mixrender.__version__


def test_files_of_tests_have_names_of_their_own():
    names = [path.name for path in (PACKAGE.parent / "tests").rglob("*.py") if path.name != "conftest.py"]

    assert sorted({name for name in names if names.count(name) > 1}) == []
