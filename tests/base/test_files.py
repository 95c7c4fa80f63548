"""Files that appear together or not at all, also where the process is killed between two of them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from weedzone.base.errors import InputError
from weedzone.base.files import place

NAMES = ("a.csv", "b.csv", "maps/c.png", "maps/new.png")
WRITER = """
import os, sys
from pathlib import Path
from weedzone.base.errors import InputError
from weedzone.base.files import place

folder, last, fails = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
moves, real = 0, Path.replace

def replace(self, target):
    global moves
    moves += 1
    if moves == last:
        os._exit(9)
    if moves == fails:
        raise PermissionError(13, "in use")
    return real(self, target)

def write(new):
    (new / "maps").mkdir()
    for name in {names!r}:
        (new / name).write_text("new")

Path.replace = replace
place(folder, write)
""".replace("{names!r}", repr(NAMES))


def killed_at(folder: Path, last: int, fails: int = 0) -> int:
    (folder / "maps").mkdir(parents=True)
    for name in NAMES[:3]:
        (folder / name).write_text("old")
    (folder / "other.txt").write_text("other")
    run = subprocess.run(
        [sys.executable, "-c", WRITER, str(folder), str(last), str(fails)], check=False, capture_output=True
    )
    place(folder, lambda new: (new / "next.txt").write_text("next") and None)
    return run.returncode


def state(folder: Path) -> dict[str, str]:
    files = [path for path in folder.rglob("*") if path.is_file()]
    return {path.relative_to(folder).as_posix(): path.read_text() for path in files}


OTHERS = {"other.txt": "other", "next.txt": "next"}
OLD = OTHERS | dict.fromkeys(NAMES[:3], "old")
NEW = OTHERS | dict.fromkeys(NAMES, "new")


@pytest.mark.parametrize(
    "last", range(1, 9)
)  # the journal's, three there before and moved aside, four moved in
def test_a_kill_at_any_rename_is_completed_or_taken_back_by_the_next_call(tmp_path: Path, last: int) -> None:
    assert killed_at(tmp_path, last) == 9
    assert state(tmp_path) == (OLD if last == 1 else NEW)
    assert not list(tmp_path.glob(".weedzone*"))


@pytest.mark.parametrize("last", range(6, 9))
def test_a_kill_while_files_are_put_back_leaves_the_old_ones_or_the_new(tmp_path: Path, last: int) -> None:
    # The fifth rename fails; the sixth begins to take back, before it the files still go into place.
    assert killed_at(tmp_path, last, fails=5) == 9
    assert state(tmp_path) == (NEW if last == 6 else OLD)
    assert not list(tmp_path.glob(".weedzone*"))


def test_a_running_process_is_left_alone(tmp_path: Path) -> None:
    def write(new: Path) -> None:
        place(tmp_path, lambda inner: (inner / "inner.txt").write_text("inner") and None)
        (new / "outer.txt").write_text("outer")

    place(tmp_path, write)
    assert state(tmp_path) == {"inner.txt": "inner", "outer.txt": "outer"}


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"there": 3, "made": []}', b"\xff"])
def test_a_damaged_journal_is_one_clear_line(tmp_path: Path, content: bytes) -> None:
    beside = tmp_path / ".weedzone-999999999-x"
    (beside / "undo").mkdir(parents=True)
    (beside / "journal.json").write_bytes(content)
    with pytest.raises(InputError, match="what a killed process left here is damaged"):
        place(tmp_path, lambda new: (new / "a.txt").write_text("a"))
    assert beside.is_dir()
