"""Files that appear together or not at all: written beside their place, then moved into it.

File names from names that users chose: they stay in their folder, on every system, and never collide.

Tables as CSV that a spreadsheet can open without running anything in them.
"""

from __future__ import annotations

import csv
import hashlib
import json
import numbers
import os
import shutil
import sys
import tempfile
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import pandas as pd

from weedzone.base.errors import InputError


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
        Where the process is killed while they are moved, the next call to write in the folder moves the rest.

    Raises
    ------
    InputError
        The folder cannot be written.
    """
    made = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _settle(folder)
        beside = Path(tempfile.mkdtemp(prefix=_beside(), dir=folder))
    except OSError as fault:
        raise InputError(f"the folder cannot be written ({fault.strerror})", file=folder) from fault
    try:
        new = beside / "new"
        new.mkdir()
        write(new)
        files = _move(beside, folder)
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
        with tempfile.TemporaryDirectory(prefix=_beside(), dir=there):
            pass
    except OSError as fault:
        raise InputError(f"the folder cannot be written ({fault.strerror})", file=folder) from fault


def _beside() -> str:
    return f".weedzone-{os.getpid()}-"


def _settle(folder: Path) -> None:
    """Complete or take back what killed processes have left in a folder."""
    for beside in folder.glob(".weedzone-*-*"):
        owner = beside.name.split("-")[1]
        if not owner.isdecimal() or is_running(int(owner)):
            continue
        if (beside / "undo").is_dir():
            _take_back(beside, folder)
        elif (beside / "ready").is_dir():
            _complete(beside, folder)
        shutil.rmtree(beside, ignore_errors=True)


def is_running(process: int) -> bool:
    """Whether a process of this number is alive on this machine."""
    if process == os.getpid():
        return True
    if sys.platform == "win32":  # a signal would end it there
        return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _move(beside: Path, folder: Path) -> list[Path]:
    """Move all new files into place; if one can't be, put back what was there.

    ``ready`` and ``undo`` are the journal: one rename decides that the files go into place, another that they do
    not, and each way can be gone again from any point of it.
    """
    new = beside / "new"
    names = sorted(path.relative_to(new) for path in new.rglob("*") if path.is_file())
    for name in names:
        if (folder / name).is_dir():
            raise InputError("a folder is in the way of a file", file=folder / name, mend="move it elsewhere")
    there = {str(name): (folder / name).exists() for name in names}
    made = sorted({str(name.parent) for name in names if not (folder / name.parent).exists()})
    (beside / "journal.json").write_text(json.dumps({"there": there, "made": made}), encoding="utf-8")
    # On the disk before the one rename that decides: a power cut leaves the old files or the new ones.
    for path in (*(new / name for name in names), beside / "journal.json", new, beside):
        _sync(path)
    new.replace(beside / "ready")
    _sync(beside)
    try:
        _complete(beside, folder)
    except BaseException:
        (beside / "ready").replace(beside / "undo")
        _take_back(beside, folder)
        raise
    return [folder / name for name in names]


def _sync(path: Path) -> None:
    """Have a file or folder written to the disk, where the system can."""
    with suppress(OSError):
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _complete(beside: Path, folder: Path) -> None:
    ready, old = beside / "ready", beside / "old"
    for name in sorted(path.relative_to(ready) for path in ready.rglob("*") if path.is_file()):
        spot = folder / name
        spot.parent.mkdir(parents=True, exist_ok=True)
        if spot.exists():
            (old / name).parent.mkdir(parents=True, exist_ok=True)
            spot.replace(old / name)
        (ready / name).replace(spot)


def _take_back(beside: Path, folder: Path) -> None:
    try:
        journal = json.loads((beside / "journal.json").read_text(encoding="utf-8"))
        there, made = dict(journal["there"]), list(journal["made"])
    except (OSError, ValueError, KeyError, TypeError) as fault:
        what = "what a killed process left here is damaged: files may be of two calls"
        raise InputError(what, file=beside, mend="look at the folder's files, and remove this one") from fault
    for name, was_there in there.items():
        kept = beside / "old" / name
        if kept.exists():
            kept.replace(folder / name)
        elif not was_there and not (beside / "undo" / name).exists():
            (folder / name).unlink(missing_ok=True)
    for name in reversed(made):
        if (folder / name).is_dir() and not any((folder / name).iterdir()):
            (folder / name).rmdir()


def html_page(template: str, **values: Any) -> str:
    """A page of HTML out of one of the package's templates; every text that goes in is escaped.

    Parameters
    ----------
    template : str
        Name of the file in ``weedzone/templates``.
    **values
        What it asks for; a name that is missing is an error.

    Returns
    -------
    str
    """
    import jinja2

    pages = jinja2.Environment(
        loader=jinja2.PackageLoader("weedzone"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return pages.get_template(template).render(**values)


# Names that Windows keeps for devices, with any ending (Microsoft, "Naming Files, Paths, and Namespaces").
_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in "0123456789¹²³")}
_LONGEST = 120  # bytes of UTF-8: file systems end at 255, and an ending and a mark have to fit
_MARK = 8


def file_names(names: Iterable[str], reserved: Iterable[str] = ()) -> dict[str, str]:
    """Give each name a file name without ending.

    Letters and digits of any script, spaces, dots, hyphens and underscores stay; everything else becomes an
    underscore. Names that had to be cut, or that a file system could take for one another (by case, accents or
    what was replaced), get a mark made from the whole name, so that a name's file does not depend on its place.

    Parameters
    ----------
    names : iterable of str
    reserved : iterable of str
        File names that are taken already.

    Returns
    -------
    dict of str to str
        In the order of `names`.
    """
    wanted = {name: _tidy(name) for name in names}
    taken: dict[str, int] = {_folded(one): 1 for one in reserved}
    for stem in wanted.values():
        taken[_folded(stem)] = taken.get(_folded(stem), 0) + 1
    found: dict[str, str] = {}
    for name, stem in wanted.items():
        short = _cut(stem)
        found[name] = stem if taken[_folded(stem)] == 1 and short == stem else _marked(short, name, taken)
        taken.setdefault(_folded(found[name]), 1)
    return found


def _marked(stem: str, name: str, taken: Mapping[str, int]) -> str:
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
    for size in range(_MARK, len(digest)):
        if _folded(f"{stem}-{digest[:size]}") not in taken:
            break
    return f"{stem}-{digest[:size]}"


def _tidy(name: str) -> str:
    text = unicodedata.normalize("NFC", name)
    kept = "".join(
        one if one.isalnum() or one in " ._-" or unicodedata.category(one)[0] == "M" else "_" for one in text
    )
    # A dot or a space in front hides a file or is lost; at the end Windows drops it.
    stem = "_".join(kept.split()).strip("._- ") or "site"
    return f"site_{stem}" if stem.split(".")[0].lower() in _DEVICES else stem


def _cut(stem: str) -> str:
    return stem.encode("utf-8", "replace")[:_LONGEST].decode("utf-8", "ignore").rstrip("._- ")


def _folded(stem: str) -> str:
    """What two file names share when a file system may take one for the other."""
    return unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", stem).casefold())


_FORMULA = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")  # the last four are full-width forms


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV: UTF-8 with a byte order mark, numbers in full, text in quotes.

    Text that a spreadsheet would run as a formula gets a leading apostrophe (OWASP, "CSV Injection").
    """
    with path.open("w", encoding="utf-8-sig", errors="replace", newline="") as out:
        writer = csv.writer(out, quoting=csv.QUOTE_NONNUMERIC)
        writer.writerow([cell(name) for name in table.columns])
        writer.writerows([cell(value) for value in row] for row in table.itertuples(index=False, name=None))


def cell(value: object) -> object:
    """Make one value safe; no value becomes an empty cell."""
    if value is None or value is pd.NA or value != value:  # NaN is not itself
        return ""
    if isinstance(value, numbers.Number) and not isinstance(value, bool):
        return value
    text = str(value)
    # A tab or a line break in front is no shelter: spreadsheets skip it.
    return f"'{text}" if text.lstrip().startswith(_FORMULA) or (text[:1] in "\t\r\n" and text) else text
