"""``corridor options PROJECT``: distinctly different routes, side by side."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from corridor.cli.common import Commands, add_common, finish_without_line, out_folder, say, telling
from corridor.errors import NoRouteError


def add_to(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("options", help="find distinctly different routes and compare them")
    parser.add_argument("project", metavar="PROJECT", help="project file (TOML)")
    parser.add_argument("--count", type=_count, default=4, metavar="N", help="how many routes (default 4)")
    add_common(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Find, assess, compare and publish; without a line write what is known about why."""
    import corridor
    from corridor.options_flow import find_options
    from corridor.publish.folder import check_target
    from corridor.publish.options_page import publish_options
    from corridor.publish.publish import project_inputs

    try:
        with telling(options) as progress:
            project = corridor.read_project(options.project, progress)
            folder = out_folder(options, project.out_folder.with_name(project.out_folder.name + "_options"))
            check_target(folder, project_inputs(project))
            found = find_options(project, options.count, progress)
            content = publish_options(found, folder, command=options.command, progress=progress)
    except NoRouteError as error:
        content = corridor.publish_no_route(project, error.explanation, folder, barrier=error.barrier)
        return finish_without_line(options, error, content, folder)
    return _finish(options, content, folder)


def _count(text: str) -> int:
    try:
        count = int(text)
    except ValueError:
        count = 0
    if not 1 <= count <= 26:
        raise argparse.ArgumentTypeError(f"--count must be a whole number from 1 to 26 (got {text!r})")
    return count


def _finish(options: argparse.Namespace, content: Mapping[str, Any], folder: Path) -> int:
    """Print the comparison; 0, or 5 where an option breaks a rule."""
    if options.json:
        print(json.dumps(content))
    else:
        for row in content["options"]:
            dominated = f", no better in anything than {row['dominated_by']}" if row["dominated_by"] else ""
            say(
                f"option {row['option']:<9} {row['length_m'] / 1000:.3f} km, "
                f"{row['cost_m']:.0f} equivalent m, "
                f"{row['bends']} bends, {row['crossings']} crossings{dominated}"
            )
        for text in content["notes"]:
            say(f"note             {text}")
        say(f"caution          {content['cautions'][0]}")
        say(f"files            {folder}")
    return 5 if any(row["rules_broken"] for row in content["options"]) else 0
