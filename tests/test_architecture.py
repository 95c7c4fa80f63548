"""The shape of the house: folders with a face, no circle, short rooms, a stated public face, light imports."""

from __future__ import annotations

import ast
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

import weedzone as wz

PACKAGE = Path(wz.__file__).parent
ROOMS = {
    "weedzone." + ".".join(path.relative_to(PACKAGE).with_suffix("").parts): path
    for path in sorted(PACKAGE.rglob("*.py"))
    if path.name != "__init__.py"
}
FOLDERS = {
    "weedzone." + ".".join(path.parent.relative_to(PACKAGE).parts): path.parent
    for path in sorted(PACKAGE.glob("*/**/__init__.py"))
}
PLUMBING = {"weedzone.base", "weedzone.ground"}  # their face is the rooms themselves
LINES = 450


def imports(path: Path) -> set[tuple[str, str]]:
    """Module and name of what one room imports of the package, inside functions too, but not for types alone."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for_types = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    taken: set[tuple[str, str]] = set()
    for node in ast.walk(tree):
        if id(node) in for_types or not isinstance(node, ast.ImportFrom) or not node.module:
            continue
        assert node.level == 0, f"{path}: a relative import hides its room"
        if node.module.partition(".")[0] == "weedzone":
            taken |= {(node.module, alias.name) for alias in node.names}
    return taken


def folder_of(module: str) -> str:
    """The folder of a room, or the folder itself."""
    return module if module in FOLDERS else module.rpartition(".")[0]


def home(module: str, name: str) -> str:
    """The room in which a name that a face hands on stands."""
    if f"{module}.{name}" in ROOMS:
        return f"{module}.{name}"
    if module in FOLDERS:
        for inner, its_name in imports(FOLDERS[module] / "__init__.py"):
            if its_name == name:
                return home(inner, name)
    return module


def test_other_folders_are_entered_by_their_face_alone() -> None:
    wrong = []
    for room, path in ROOMS.items():
        for module, name in imports(path):
            other = folder_of(module)
            if other == folder_of(room) or other == "weedzone":
                continue
            if other in PLUMBING:
                inside = module.rpartition(".")[2] if module != other else name
            else:
                inside = name if module == other else f"{module}.{name}"
            if inside not in import_module(other).__all__:
                wrong.append(f"{room}: {inside} is not in the face of {other}")
    assert wrong == []


def test_no_room_leads_back_to_itself() -> None:
    needs = {room: {home(module, name) for module, name in imports(path)} for room, path in ROOMS.items()}
    settled: set[str] = set()

    def visit(room: str, path: tuple[str, ...]) -> None:
        assert room not in path, " -> ".join((*path, room))
        if room not in settled:
            for other in sorted(needs.get(room, ())):
                visit(other, (*path, room))
            settled.add(room)

    for room in ROOMS:
        visit(room, ())


def test_rooms_are_short_and_folders_hold_few() -> None:
    long = {room: len(path.read_text(encoding="utf-8").splitlines()) for room, path in ROOMS.items()}
    assert {room: lines for room, lines in long.items() if lines > LINES} == {}
    held = {folder: len([room for room in ROOMS if folder_of(room) == folder]) for folder in FOLDERS}
    assert {folder: rooms for folder, rooms in held.items() if not 3 <= rooms <= 9} == {}


@pytest.mark.parametrize("folder", FOLDERS)
def test_a_face_says_what_lives_there_and_hands_it_on(folder: str) -> None:
    face = import_module(folder)
    assert face.__doc__
    assert len((FOLDERS[folder] / "__init__.py").read_text(encoding="utf-8").splitlines()) <= 100
    for name in face.__all__:
        assert getattr(face, name, None) is not None or f"{folder}.{name}" in ROOMS, name
        if folder not in PLUMBING and callable(getattr(face, name)):
            assert f"{folder}.{name}" not in ROOMS, (
                f"the room {name} would stand where its function is looked for"
            )


def test_only_units_knows_pint() -> None:
    users = [room for room, path in ROOMS.items() if "import pint" in path.read_text(encoding="utf-8")]
    assert users == ["weedzone.base.units"]


def test_every_public_name_is_still_itself_when_all_rooms_are_loaded() -> None:
    for module in (*FOLDERS, *ROOMS):
        if module != "weedzone.__main__":
            import_module(module)
    assert list(wz.__all__) == sorted(wz.__all__)
    assert set(dir(wz)) == set(wz.__all__)
    modules = {"calibration", "turfcare"}
    for name in wz.__all__:
        assert callable(getattr(wz, name)) or name in modules, name
        assert f"weedzone.{name}" not in {*ROOMS, *FOLDERS}, name


def test_paths_that_the_docs_gave_before_still_serve() -> None:
    code = (
        "from weedzone.calibration import plot; from weedzone.turfcare import feed; from weedzone.doubt import doubt; "
        "from weedzone.records import correct; from weedzone.why import explain; from weedzone.season import AUTUMN; "
        "from weedzone.units import parse, pour, to_si, weigh; from weedzone.sizing import size; "
        "import weedzone.explore, weedzone.errors; from weedzone import calibration, turfcare; import weedzone as wz; "
        "assert wz.doubt is doubt and wz.calibration.plot is plot"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


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
        "geopandas",
    ]
    code = f"import sys, weedzone; print([name for name in {heavy!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_error_is_a_weedzone_error_and_a_value_error() -> None:
    for name in ("CrsError", "InputError", "LabelError", "RigError", "SurveyError", "UnitError"):
        assert issubclass(getattr(wz, name), wz.WeedzoneError)
        assert issubclass(getattr(wz, name), ValueError)
