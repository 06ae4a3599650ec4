"""``corridor sample FOLDER``: write the sample project."""

from __future__ import annotations

import argparse
import json
from pathlib import Path


def add_to(commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("sample", help="write the sample project (invented from end to end)")
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument("--quiet", action="store_true", help="no list of files")
    parser.add_argument("--json", action="store_true", help="the list of files as JSON on stdout")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Write the sample."""
    import corridor

    files = corridor.write_sample(options.folder)
    if options.json:
        print(json.dumps({"status": "ok", "files": [str(file) for file in files]}))
    elif not options.quiet:
        for file in files:
            print(file)
        print(f"next: corridor route {options.folder / 'project.toml'}")
    return 0
