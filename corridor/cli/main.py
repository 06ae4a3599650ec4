"""``corridor COMMAND ...``: find the command, run it, turn errors into exit codes."""

from __future__ import annotations

import argparse
import importlib
import json
import sys
from collections.abc import Sequence

from corridor import __version__
from corridor.errors import CorridorError, InputError, NoRouteError

COMMANDS = ("check", "route", "assess", "sample")

EXIT_OK, EXIT_FAULT, EXIT_RULE = 0, 1, 5


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    0 done, 1 internal fault, 2 usage, 3 bad input, 4 no route obeys the rules,
    5 done but a rule or a quality check fails.
    """
    options = build_parser().parse_args(argv)
    try:
        return options.run(options)
    except NoRouteError as error:
        _tell(options, error, "no route")
        return error.exit_code
    except CorridorError as error:
        _tell(options, error, "bad input" if isinstance(error, InputError) else "stopped")
        return error.exit_code
    except KeyboardInterrupt:
        print("stopped by the user; nothing was written", file=sys.stderr)
        return EXIT_FAULT


def build_parser() -> argparse.ArgumentParser:
    """The parser with every command; loads no heavy library."""
    parser = argparse.ArgumentParser(
        prog="corridor",
        description="Subsea pipeline routing: a line a vessel can lay, with its chainage, crossings, "
        "spans and maps. Screening aid, not for construction or navigation.",
        epilog="Exit codes: 0 done, 1 internal fault, 2 usage, 3 bad input, 4 no route obeys the rules, "
        "5 done but a rule or quality check fails.",
    )
    parser.add_argument("--version", action="version", version=f"corridor {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for name in COMMANDS:
        importlib.import_module(f"corridor.cli.{name}").add_to(commands)
    return parser


def _tell(options: argparse.Namespace, error: CorridorError, status: str) -> None:
    """Say what went wrong on stderr, and as JSON on stdout where that was asked for."""
    for line in str(error).splitlines():
        print(f"corridor: {line}", file=sys.stderr)
    if getattr(options, "json", False):
        print(json.dumps({"status": status, "messages": str(error).splitlines()}))
