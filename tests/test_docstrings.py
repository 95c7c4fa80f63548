"""What the reference shows says what goes in, what comes out and what is refused, and its examples run."""

from __future__ import annotations

import doctest
import inspect
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

import weedzone as wz

ROOT = Path(__file__).parents[1]
SHOWN = re.findall(r"::: (\S+)", (ROOT / "docs" / "reference.md").read_text(encoding="utf-8"))
EXAMPLES = [
    path for path in sorted((ROOT / "weedzone").rglob("*.py")) if ">>>" in path.read_text(encoding="utf-8")
]


def object_at(path: str) -> Any:
    parts = path.split(".")
    for count in range(len(parts), 0, -1):
        try:
            thing: Any = import_module(".".join(parts[:count]))
        except ImportError:
            continue
        for name in parts[count:]:
            thing = getattr(thing, name)
        return thing
    raise AssertionError(path)


def functions() -> Iterator[tuple[str, Any]]:
    """Every function that a user is told of, and the methods of every class."""
    for path in sorted({*SHOWN, *(f"weedzone.{name}" for name in wz.__all__)}):
        thing = object_at(path)
        inside = inspect.ismodule(thing) or inspect.isclass(thing)
        members = vars(thing).items() if inside else [("", thing)]
        for name, member in members:
            own = inspect.isclass(thing) or getattr(member, "__module__", "") == path or not inside
            if inspect.isfunction(member) and own and not name.startswith("_"):
                yield f"{path}.{name}".rstrip("."), member


@pytest.mark.parametrize(("name", "function"), [pytest.param(*each, id=each[0]) for each in functions()])
def test_a_docstring_is_whole(name: str, function: Any) -> None:
    text = inspect.getdoc(function) or ""
    sections = dict(zip(*(iter(re.split(r"(?m)^(\w+)\n-{3,}\n", text)[1:]),) * 2, strict=True))
    given = sections.get("Parameters", "")
    plain = inspect.unwrap(function)
    shown = [each for each in inspect.signature(plain, follow_wrapped=False).parameters if each != "self"]
    if (
        inspect.isclass(object_at(name.rpartition(".")[0]))
        and "self" not in inspect.signature(plain).parameters
    ):
        shown = shown[1:]  # a method that is a function of another room
    names = {word.strip(" *") for head in re.findall(r"(?m)^(\S[^:\n]*)", given) for word in head.split(",")}
    assert [each for each in shown if each not in names] == [], "without a word in Parameters"
    returned = inspect.signature(plain).return_annotation
    if returned not in (None, "None"):
        assert {"Returns", "Yields"} & sections.keys()
    if re.search(r"(?m)^\s+raise ", inspect.getsource(plain)):
        assert "Raises" in sections


@pytest.mark.parametrize("function", [wz.size_job, wz.whole_turf, wz.size_in_windows, wz.size_portfolio, *(
    getattr(wz.Job, name) for name in ("write", "sheet", "areas", "plot", "explore")
)])  # fmt: skip
def test_every_option_stands_in_the_signature(function: Any) -> None:
    kinds = {each.kind for each in inspect.signature(function).parameters.values()}
    assert inspect.Parameter.VAR_KEYWORD not in kinds
    if function not in (wz.size_job, wz.whole_turf):
        return
    documented = inspect.getdoc(function) or ""
    assert all(name in documented for name in inspect.signature(function).parameters)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_examples_run(path: Path) -> None:
    module = import_module(".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"))
    result = doctest.testmod(module)
    assert result.attempted
    assert result.failed == 0
