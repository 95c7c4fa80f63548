"""The command line: the main job and its neighbours, one line of error and exit code 2 where input is bad."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from weedzone.base.data import table_beside
from weedzone.base.errors import Finding, InputError, WeedzoneError
from weedzone.base.files import check_place
from weedzone.base.words import DECIDES
from weedzone.job import Job, size_job
from weedzone.kit import Sprayer, Spreader, read_labels, read_policy, read_prices, read_rig
from weedzone.sizing import unknown_names
from weedzone.survey import read_survey

DONE, DOUBTFUL, REFUSED = 0, 1, 2
_TYPES = {"path": Path, "int": int, "float": float}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code: 0 done, 1 checked and found wanting, 2 refused."""
    for stream in (sys.stdout, sys.stderr):
        # A name that the terminal cannot show must not stop the work.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    options = _parser().parse_args(argv)
    try:
        return int(options.run(options))
    except WeedzoneError as error:
        print(_harmless(f"weedzone: {_in_flags(str(error), vars(options))}"), file=sys.stderr)  # noqa: T201
        return REFUSED
    except OSError as error:
        print(_harmless(f"weedzone: {error.filename or ''}: {error.strerror or error}"), file=sys.stderr)  # noqa: T201
        return REFUSED


def _in_flags(text: str, given: Mapping[str, object]) -> str:
    """A message in the words of the command line: options by their flags, and not by the names of arguments."""
    for name in {*given, "products"} - {"survey", "run", "command"}:
        flag = "--product" if name == "products" else f"--{name.replace('_', '-')}"
        text = re.sub(rf"(^|, ){name}: (?:{name} is )?", rf"\1{flag}: ", text)
        text = re.sub(rf'(?<![\w-]){name}=(?=[\w"])', f"{flag} ", text)
        text = re.sub(rf"(?<![\w-]){name}=", flag, text)
    return re.sub(r'\bread_\w+\(("[^"]*")\)', r"\1", text)


def _parser() -> argparse.ArgumentParser:
    table = table_beside(__file__, "cli.toml")
    job = table["job"]["options"]
    parser = argparse.ArgumentParser(
        prog="weedzone",
        description=f"Sprayable area, product, water and tank loads from walked shapes. {DECIDES}",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    made = {
        name: commands.add_parser(name, help=says["help"]) for name, says in table.items() if name != "job"
    }
    _options(made["size"], _size, job | table["size"]["options"])
    _options(made["check"], _check, table["check"]["options"])
    _options(made["label"], _label, table["label"]["options"])
    _calibration_options(made["calibrate"])
    _options(made["quote"], _quote, job | table["quote"]["options"])
    parts = made["record"].add_subparsers(dest="part", required=True, metavar="WHAT")
    check = table["record"]["check"]
    _options(parts.add_parser("check", help=check["help"]), _check_records, check["options"])
    return parser


def _options(
    parser: argparse.ArgumentParser, run: Callable[[argparse.Namespace], int], table: Mapping[str, Any]
) -> None:
    """Options of a command from their table."""
    parser.set_defaults(run=run)
    groups: dict[str, Any] = {"": parser}
    for flag, says in table.items():
        told = dict(says)
        group = told.pop("one_of", "")
        if group not in groups:
            groups[group] = parser.add_mutually_exclusive_group()
        if "type" in told:
            told["type"] = _TYPES[told["type"]]
        groups[group].add_argument(flag, **told)


def _job(options: argparse.Namespace) -> Job:
    survey = read_survey(options.survey, crs=options.crs)
    return size_job(survey, read_labels(options.labels), _rig(options.rig), **_asked(options))


def _asked(options: argparse.Namespace) -> dict[str, Any]:
    return {
        "use": options.use,
        "products": _products(options.product),
        "on": options.on,
        "worth": "0 ft2" if options.most else options.worth,
        "max_products": 1 if options.simple else options.max_products,
        "min_width": options.min_width,
        "min_area": options.min_area,
        "exclude": options.exclude,
        "prefer": options.prefer,
        "avoid_caution": options.avoid_caution,
        "policy": None if options.policy is None else read_policy(options.policy),
        "wind_from": options.wind_from,
        "prices": None if options.prices is None else read_prices(options.prices),
    }


def _rig(text: str) -> Sprayer | Spreader:
    if Path(text).is_file():
        return read_rig(text)
    file, _, name = text.rpartition(":")
    if not file:
        return read_rig(text)
    return read_rig(file, name)


def _products(pairs: list[str]) -> dict[str, str] | None:
    found = {}
    for pair in pairs:
        turf, sign, name = pair.partition("=")
        if not sign or not turf.strip() or not name.strip():
            raise InputError(
                f"{pair!r} is not of the form TURF=NAME", field="--product", mend='"tall fescue=Name"'
            )
        found[turf.strip()] = name.strip()
    return found or None


def _size(options: argparse.Namespace) -> int:
    if options.portfolio:
        return _portfolio(options)
    from weedzone.crew import check

    formats = [one for one in options.formats.split(",") if one.strip()]
    if options.out is not None:
        check(options.out, formats)
    job = _job(options)
    _say(job.summary())
    if options.out is not None:
        written = job.write(options.out, formats)
        _say(f"\nWritten to {options.out}: {', '.join(path.name for path in written[:12])}")
    return DONE


def _portfolio(options: argparse.Namespace) -> int:
    from weedzone.portfolio import size_portfolio

    if options.out is None:
        raise InputError("a portfolio is written as it is sized", field="--out", mend="name a folder")
    if options.crs is not None:
        raise InputError(
            "the layers of a portfolio state their own coordinate system", field="--crs", mend="leave it out"
        )
    labels, rig = read_labels(options.labels), _rig(options.rig)
    made = size_portfolio(
        options.survey, labels, rig, out=options.out, workers=options.workers, **_asked(options)
    )
    _say(made.summary())
    return DOUBTFUL if made.failed else DONE


def _check(options: argparse.Namespace) -> int:
    survey = read_survey(options.survey, crs=options.crs)
    unknown: list[Finding] = []
    if options.labels is not None:
        labels = read_labels(options.labels)
        unknown = unknown_names(survey, labels.values(), labels, kinds=True)
    _say(survey.summary(unknown))
    return DOUBTFUL if (survey.findings["severity"] == "error").any() else DONE


def _check_records(options: argparse.Namespace) -> int:
    from weedzone.records import check_records

    rows, head, faults = check_records(options.file)
    told = (
        "not chained yet: the next record chains them"
        if not head
        else f"chained; digest of the last link {head}"
    )
    if faults:
        told = "\n".join(["changed by another program:", *(f"  {fault}" for fault in faults)])
    _say(f"{options.file}: {rows} rows, {told}")
    return DOUBTFUL if faults else DONE


def _label(options: argparse.Namespace) -> int:
    from weedzone.kit import check_label

    text, contradictions = check_label(options.file)
    _say(text)
    return DOUBTFUL if contradictions else DONE


def _calibration_options(parser: argparse.ArgumentParser) -> None:
    from weedzone.kit.calibration import METHODS

    methods = parser.add_subparsers(dest="method", required=True, metavar="METHOD")
    for name, method in METHODS.items():
        summary = (method.function.__doc__ or name).strip().splitlines()[0]
        one = methods.add_parser(name, help=summary, description=summary)
        for parameter, example in method.examples.items():
            told = f'such as "{example}"'.replace("%", "%%")
            one.add_argument(f"--{parameter.replace('_', '-')}", dest=parameter, help=told)
        one.set_defaults(run=_calibrate)


def _calibrate(options: argparse.Namespace) -> int:
    from weedzone.kit.calibration import METHODS, explain

    given: dict[str, Any] = {name: getattr(options, name) for name in METHODS[options.method].examples}
    _say(explain(options.method, **{name: text for name, text in given.items() if text is not None}))
    return DONE


def _quote(options: argparse.Namespace) -> int:
    from weedzone.quotes import quote

    if options.out is not None:
        check_place(options.out)
    prices = read_prices(options.prices)
    asked = {"pricing": options.pricing, "material": options.material, "accuracy": options.accuracy}
    told = {name: value for name, value in asked.items() if value is not None}
    made = quote(_job(options), prices, visits=options.visits, **told)
    _say(made.summary())
    if options.out is not None:
        made.write(options.out)
        _say(
            f"\nWritten to {options.out}:\n"
            "  for the customer: customer.html, and a page for each site in sites\n"
            "  for you alone, with overhead and margin: quote.html, quote.csv, quote.json"
        )
    return DONE


def _say(text: str) -> None:
    print(_harmless(text))  # noqa: T201


def _harmless(text: object) -> str:
    """Text whose names steer no terminal: no control characters or marks of direction, but line breaks."""
    return "\n".join(
        "".join(letter for letter in line if letter.isprintable()) for line in str(text).split("\n")
    )
