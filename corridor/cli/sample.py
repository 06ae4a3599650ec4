"""``corridor sample FOLDER``: write the sample project."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from corridor.cli.common import Commands, add_common, say, telling


def add_to(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("sample", help="write the sample project (invented from end to end)")
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="where to; made if need be")
    add_common(parser, folder=False)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Write the sample."""
    import corridor

    with telling(options, compiles=False) as progress:
        files = corridor.write_sample(options.folder, progress=progress)
    if options.json:
        print(json.dumps({"status": "ok", "files": [str(file) for file in files]}))
        return 0
    if not options.quiet:
        for file in files:
            say(str(file))
    say(f"next: corridor route {options.folder / 'project.toml'}")
    return 0
