"""The shape of the house: no cycles, short modules, a stated public face, light imports."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import weedzone as wz

PACKAGE = Path(wz.__file__).parent
MODULES = {path.stem: path for path in PACKAGE.glob("*.py")}
LINES = 450


def imports(path: Path) -> set[str]:
    """Modules of the package that one module imports, also inside functions, but not for types alone."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for_types = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    found: set[str] = set()
    for node in ast.walk(tree):
        if id(node) in for_types or not isinstance(node, ast.ImportFrom) or not node.module:
            continue
        top, _, inner = node.module.partition(".")
        if top == "weedzone":
            found |= {inner} if inner else {name.name for name in node.names}
    return found & set(MODULES)


def test_no_module_leads_back_to_itself() -> None:
    needs = {name: imports(path) for name, path in MODULES.items()}
    settled: set[str] = set()

    def visit(name: str, path: tuple[str, ...]) -> None:
        assert name not in path, " -> ".join((*path, name))
        if name not in settled:
            for other in sorted(needs[name]):
                visit(other, (*path, name))
            settled.add(name)

    for name in MODULES:
        visit(name, ())


def test_modules_are_short() -> None:
    long = {name: len(path.read_text(encoding="utf-8").splitlines()) for name, path in MODULES.items()}
    assert {name: lines for name, lines in long.items() if lines > LINES} == {}


def test_only_units_knows_pint() -> None:
    users = [name for name, path in MODULES.items() if "import pint" in path.read_text(encoding="utf-8")]
    assert users == ["units"]


def test_public_face_is_what_it_says() -> None:
    assert list(wz.__all__) == sorted(wz.__all__)
    assert set(dir(wz)) == set(wz.__all__)
    for name in wz.__all__:
        found = getattr(wz, name)
        assert found is not None
        # A module of a function's name would take its place as soon as it is imported.
        assert name not in MODULES or name in ("calibration", "turfcare"), name


def test_plain_import_is_light() -> None:
    heavy = [
        "matplotlib",
        "bokeh",
        "pint",
        "jinja2",
        "pvlib",
        "astral",
        "psychrolib",
        "distributed",
        "networkx",
    ]
    code = f"import sys, weedzone; print([name for name in {heavy!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_error_is_a_weedzone_error_and_a_value_error() -> None:
    for name in ("CrsError", "InputError", "LabelError", "RigError", "SurveyError", "UnitError"):
        assert issubclass(getattr(wz, name), wz.WeedzoneError)
        assert issubclass(getattr(wz, name), ValueError)
