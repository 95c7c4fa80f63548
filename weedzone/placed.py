"""Files that appear together or not at all: written beside their place, then moved into it."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path

from weedzone.errors import InputError


def place(folder: Path, write: Callable[[Path], None]) -> list[Path]:
    """Let a function write files to a new folder, then move all of them into their place.

    Parameters
    ----------
    folder : pathlib.Path
        Where the files go; made if it is not there. Files of the same names are replaced, others stay.
    write : callable
        Takes the new folder, which lies within `folder`.

    Returns
    -------
    list of pathlib.Path
        The files in their place. Where anything fails, none of them is there, and what was there still is.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=".weedzone-", dir=folder))
    except OSError as fault:
        raise InputError(f"the folder cannot be written ({fault.strerror})", file=folder) from fault
    try:
        new = beside / "new"
        new.mkdir()
        write(new)
        files = _move(new, folder, beside / "old")
    except BaseException as fault:
        shutil.rmtree(beside, ignore_errors=True)
        if made and not any(folder.iterdir()):
            folder.rmdir()
        if isinstance(fault, OSError):
            raise InputError(f"cannot be written ({fault.strerror or fault})", file=folder) from fault
        raise
    shutil.rmtree(beside, ignore_errors=True)
    return files


def place_file(path: Path, write: Callable[[Path], object]) -> Path:
    """Let a function write one file, then move it into its place; see `place`.

    Parameters
    ----------
    path : pathlib.Path
        Replaced if it exists. Its folder must be there: a slip in its name should not make a new one.
    write : callable
        Takes the path that it writes to, of the same name.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    if not path.parent.is_dir():
        raise InputError(
            "cannot be written (there is no such folder)", file=path, mend="make the folder first"
        )

    def alone(new: Path) -> None:
        write(new / path.name)

    return place(path.parent, alone)[0]


def check_place(folder: Path) -> None:
    """Refuse a folder that cannot be made or written, leaving nothing behind.

    Raises
    ------
    InputError
        Naming the folder.
    """
    there = next(one for one in (folder.absolute(), *folder.absolute().parents) if one.exists())
    if not there.is_dir():
        raise InputError("a file is in the way of the folder", file=there, mend="name another folder")
    try:
        with tempfile.TemporaryDirectory(prefix=".weedzone-", dir=there):
            pass
    except OSError as fault:
        raise InputError(f"the folder cannot be written ({fault.strerror})", file=folder) from fault


def _move(new: Path, folder: Path, old: Path) -> list[Path]:
    """Move all files into place; if one can't be, put back what was there."""
    names = sorted(path.relative_to(new) for path in new.rglob("*") if path.is_file())
    moved: list[Path] = []
    made: list[Path] = []
    try:
        for name in names:
            spot = folder / name
            if spot.is_dir():
                raise InputError("a folder is in the way of a file", file=spot, mend="move it elsewhere")
            if not spot.parent.exists():
                spot.parent.mkdir()
                made.append(spot.parent)
            if spot.exists():
                (old / name).parent.mkdir(parents=True, exist_ok=True)
                spot.replace(old / name)
            moved.append(name)
            (new / name).replace(spot)
    except BaseException:
        for name in moved:
            (folder / name).unlink(missing_ok=True)
        for kept in [path for path in old.rglob("*") if path.is_file()]:
            kept.replace(folder / kept.relative_to(old))
        for directory in reversed(made):
            directory.rmdir()
        raise
    return [folder / name for name in names]
