"""What several commands share: options, progress, what is said at the end."""

from __future__ import annotations

import argparse
import json
import os
import unicodedata
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from corridor.cli.teller import Teller, compiled
from corridor.errors import InputError, NoRouteError
from corridor.progress import Progress, silent

Commands = argparse._SubParsersAction  # argparse has no public name for what add_subparsers returns

FIRST_RUN = "first run on this machine: the numerical kernels are compiled once, which takes a minute or two"


def add_common(parser: argparse.ArgumentParser, *, folder: bool = True) -> None:
    """Options that every command knows."""
    if folder:
        parser.add_argument(
            "--out",
            metavar="FOLDER",
            type=Path,
            help="output folder (default: the project's [output] folder)",
        )
    parser.add_argument("--quiet", action="store_true", help="no progress")
    parser.add_argument(
        "--json", action="store_true", help="machine-readable summary on stdout, nothing else"
    )


@contextmanager
def telling(options: argparse.Namespace, *, compiles: bool = True) -> Iterator[Progress]:
    """The progress function that the options ask for, its last line finished at the end.

    Parameters
    ----------
    compiles : bool
        The command runs kernels: a first run says that it compiles them, and does so on two processors.
    """
    with ExitStack() as stack:
        teller = None if options.quiet or options.json else Teller()
        if teller is not None:
            stack.callback(teller.close)
        if compiles and not compiled():
            if teller is not None:
                teller.say(FIRST_RUN)
            from corridor.compile_ahead import compiling_ahead  # numpy: slow to import

            stack.enter_context(compiling_ahead())
        yield teller or silent


def out_folder(options: argparse.Namespace, default: Path) -> Path:
    """The folder to write to; InputError, before any work, where it cannot be written."""
    folder = options.out.resolve() if options.out is not None else default
    parent = next(place for place in (folder.parent, *folder.parent.parents) if place.exists())
    if not parent.is_dir() or not os.access(parent, os.W_OK | os.X_OK):
        raise InputError(
            f"output folder must be in a folder that can be written to (got {folder}; {parent} cannot); "
            "choose another with --out"
        )
    return folder


def say(text: str) -> None:
    """Print one line on stdout; control characters from names in the data do not reach the terminal."""
    print(plain(text))


def plain(text: str) -> str:
    """`text` on one line, without control characters."""
    return "".join(" " if unicodedata.category(sign) in ("Cc", "Cf", "Zl", "Zp") else sign for sign in text)


def finish(options: argparse.Namespace, content: Mapping[str, Any], folder: Path) -> int:
    """Print a study's summary and return the exit code: 0, or 5 where a rule is broken."""
    if options.json:
        print(json.dumps(content))
    else:
        for line in story(content):
            say(line)
        say(f"files            {folder}")
    return 0 if content["status"] == "ok" else 5


def finish_without_line(
    options: argparse.Namespace, error: NoRouteError, content: Mapping[str, Any], folder: Path
) -> int:
    """Say why there is no line, and where it is written; return the exit code."""
    if options.json:
        print(json.dumps(content))
    else:
        say("status           no route")
        for text in str(error).splitlines():
            say(text)
        say(f"files            {folder}")
    return error.exit_code


def story(content: Mapping[str, Any]) -> list[str]:
    """A study's summary in a few lines of text."""
    gap = content["gap_percent"]
    broken = [check for check in content["checks"] if not check["ok"]]
    lines = [
        f"status           {content['status']}" + (f": {len(broken)} of the checks fail" if broken else ""),
        f"length           {content['length_m'] / 1000:.3f} km on the grid, "
        f"{content['length_ellipsoid_m'] / 1000:.3f} km on the ellipsoid",
        f"cost             {content['cost_m']:.0f} equivalent m"
        + (f", {gap:.2f} % above the lower bound" if gap is not None else ""),
        f"bends            {content['bends']}"
        + (f", least radius {content['min_radius_m']:.0f} m" if content["min_radius_m"] else ""),
        f"steepest         {_degrees(content['max_slope_along_deg'])} along, "
        f"{_degrees(content['max_slope_across_deg'])} across",
        f"crossings        {content['crossings']}",
    ]
    if content.get("spans_by_verdict") is not None:
        verdicts = ", ".join(f"{count} {name}" for name, count in content["spans_by_verdict"].items())
        lines.append(f"free spans       {content['spans']}" + (f": {verdicts}" if verdicts else ""))
    lines += [f"BROKEN           {_where(check)}: {check['detail']}" for check in broken]
    lines += [f"warning          {text}" for text in content["warnings"]]
    lines += [f"note             {text}" for text in content["notes"]]
    lines.append(f"caution          {content['cautions'][0]}")
    return lines


def _degrees(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.1f} deg"


def _where(check: Mapping[str, Any]) -> str:
    layer = f", {check['layer']}" if check["layer"] else ""
    place = f", KP {check['kp_km']:.3f}" if check["kp_km"] is not None else ""
    return f"{check['rule']}{layer}{place}"
