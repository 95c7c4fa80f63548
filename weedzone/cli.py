"""The command line: the main job and its neighbours, one line of error and exit code 2 where input is bad."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from weedzone.base.errors import Finding, InputError, WeedzoneError
from weedzone.base.files import check_place
from weedzone.base.words import DECIDES
from weedzone.job import Job, size_job
from weedzone.kit import USES, Sprayer, Spreader, read_labels, read_policy, read_rig
from weedzone.sizing import unknown_names
from weedzone.survey import read_survey

DONE, DOUBTFUL, REFUSED = 0, 1, 2


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
        text = re.sub(rf"(?<![\w-]){name}=", flag, text)
    return text


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="weedzone",
        description=f"Sprayable area, product, water and tank loads from walked shapes. {DECIDES}",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    size = commands.add_parser("size", help="size a job: zones, totals, loads, ledger and a zone map")
    _job_options(size)
    size.add_argument("--out", type=Path, help="folder for the files; without it only the summary is printed")
    size.add_argument("--formats", default="gpkg,csv,png", help="what to write (default: %(default)s)")
    size.add_argument(
        "--portfolio",
        action="store_true",
        help="stream any number of sites block by block; SURVEY is a "
        "GeoPackage or a folder of GeoParquet files, results go to --out and are resumed there",
    )
    size.add_argument("--workers", type=int, default=1, help="processes of a portfolio; 0 for all processors")
    size.set_defaults(run=_size)

    check = commands.add_parser("check", help="read a survey and report findings, without sizing")
    check.add_argument("survey", type=Path)
    check.add_argument("--crs", help="coordinate system of layers that state none")
    check.add_argument("--labels", type=Path, help="also name weeds, turf and kinds that no label here knows")
    check.set_defaults(run=_check)

    label = commands.add_parser("label", help="print a label as a table and point at contradictions")
    label.add_argument("file", type=Path)
    label.set_defaults(run=_label)

    calibrate = commands.add_parser("calibrate", help="work out a calibration from its figures")
    _calibration_options(calibrate)

    quote = commands.add_parser("quote", help="price a job: one quote for each site and a total")
    _job_options(quote)
    quote.add_argument("--prices", type=Path, required=True, help="TOML file of prices")
    quote.add_argument("--visits", type=int, help="visits in all (default: as the price list plans them)")
    quote.add_argument("--pricing", choices=("cost-plus", "per-area", "both"), help="how to price")
    quote.add_argument(
        "--material", choices=("use", "containers"), help="charge what is used, or whole containers"
    )
    quote.add_argument(
        "--accuracy", metavar="LENGTH", help='of the survey, "2 m": adds the spread of the price'
    )
    quote.add_argument("--out", type=Path, help="folder for the quote as HTML, CSV and JSON")
    quote.set_defaults(run=_quote)

    record = commands.add_parser("record", help="look after a record file")
    parts = record.add_subparsers(dest="part", required=True, metavar="WHAT")
    chained = parts.add_parser("check", help="hold every row against the chain of digests that sheets print")
    chained.add_argument("file", type=Path)
    chained.set_defaults(run=_check_records)
    return parser


def _job_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("survey", type=Path, help="GeoPackage, or folder of files named after the layers")
    parser.add_argument("--labels", type=Path, required=True, help="a label file or a folder of them")
    parser.add_argument("--rig", required=True, metavar="FILE:NAME")
    parser.add_argument("--use", choices=USES, default="spot")
    parser.add_argument(
        "--product", action="append", default=[], metavar="TURF=NAME", help="decide a turf's product yourself"
    )
    parser.add_argument("--on", metavar="DATE", help="day of the job, 2026-05-10 (default: today)")
    mixes = parser.add_mutually_exclusive_group()
    mixes.add_argument(
        "--worth", metavar="AREA", help='ground that another mix must add on a site, such as "150 ft2"'
    )
    mixes.add_argument(
        "--most", action="store_true", help="treat as much ground as labels allow, whatever it mixes"
    )
    mixes.add_argument("--simple", action="store_true", help="one mix for each site")
    parser.add_argument("--max-products", type=int, help="most products on a site (default: 2)")
    parser.add_argument(
        "--min-width", metavar="LENGTH", help="thinner pieces go to a neighbour's product; 0 ft: none"
    )
    parser.add_argument("--min-area", metavar="AREA", help="so do smaller ones; 0 ft2: none")
    parser.add_argument("--exclude", action="append", default=[], metavar="NAME")
    parser.add_argument("--prefer", action="append", default=[], metavar="NAME")
    parser.add_argument("--avoid-caution", action="store_true", help="leave out turf that a label warns of")
    parser.add_argument("--policy", type=Path, help="TOML file of local rules")
    parser.add_argument("--wind-from", type=float, metavar="DEGREES")
    parser.add_argument("--crs", help="coordinate system of layers that state none")


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
    from weedzone.quotes import quote, read_prices

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
