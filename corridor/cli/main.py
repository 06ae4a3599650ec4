"""``corridor COMMAND ...``: find the command, run it, turn errors into exit codes."""

from __future__ import annotations

import argparse
import errno
import importlib
import io
import json
import os
import shlex
import sys
from collections.abc import Sequence

from corridor import __version__
from corridor.cli.common import plain
from corridor.errors import CorridorError, InputError, NoRouteError

COMMANDS = (
    "check", "route", "assess", "why", "reroute", "options", "survey", "sheets", "zones", "layers", "sample",
)  # fmt: skip
"""One module of this package each, in the order of the help."""

EXIT_FAULT, EXIT_INPUT = 1, InputError.exit_code

_REFUSED = (
    errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOENT, errno.ENOTDIR, errno.ENAMETOOLONG, errno.ELOOP,
)  # fmt: skip
"""What a file system says to a folder that cannot be written to: bad input, not a fault of ours."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    0 done, 1 internal fault, 2 usage, 3 bad input, 4 no route obeys the rules,
    5 done but a rule or a quality check fails.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # names in any language, whatever the terminal can show
            stream.reconfigure(errors="replace")
    words = list(sys.argv[1:] if argv is None else argv)
    options = build_parser().parse_args(words)
    options.command = shlex.join(["corridor", *words])
    try:
        code = options.run(options)
        sys.stdout.flush()
        return code
    except NoRouteError as error:
        return tell(options, "no route", str(error), error.exit_code)
    except CorridorError as error:
        status = "bad input" if isinstance(error, InputError) else "stopped"
        return tell(options, status, str(error), error.exit_code)
    except BrokenPipeError:
        # Whoever read our output has gone; the interpreter must not try to flush the rest at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_FAULT
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        code = EXIT_INPUT if error.errno in _REFUSED else EXIT_FAULT
        text = f"{place}{error.strerror or error}; is the folder protected, or the disk full?"
        return tell(options, "bad input" if code == EXIT_INPUT else "stopped", text, code)
    except KeyboardInterrupt:
        return tell(options, "stopped", "stopped by the user; nothing was written", EXIT_FAULT)


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


def tell(options: argparse.Namespace, status: str, text: str, code: int) -> int:
    """Say on stderr what went wrong, as JSON on stdout where that was asked for; return `code`."""
    messages = [plain(line) for line in text.splitlines()]
    for line in messages:
        print(f"corridor: {line}", file=sys.stderr)
    if getattr(options, "json", False):
        print(json.dumps({"status": status, "messages": messages}))
    return code
