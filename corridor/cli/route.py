"""``corridor route PROJECT``: the main job."""

from __future__ import annotations

import argparse
from pathlib import Path

from corridor.cli.common import add_common, close, finish, out_folder, teller
from corridor.errors import NoRouteError


def add_to(commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("route", help="find the line, assess it, write every file")
    parser.add_argument("project", type=Path, metavar="PROJECT")
    add_common(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Search, assess and publish; without a line write what is known about why."""
    import corridor
    from corridor.publish.folder import check_target
    from corridor.publish.publish import project_inputs

    project = corridor.read_project(options.project)
    folder = out_folder(options, project.out_folder)
    check_target(folder, project_inputs(project))
    progress = teller(options)
    try:
        study = corridor.route(project, progress)
        content = corridor.publish_study(study, folder, progress=progress)
    except NoRouteError as error:
        corridor.publish_no_route(project, {"text": str(error), "reasons": list(error.reasons)}, folder)
        raise
    finally:
        close(progress)
    return finish(options, content, folder)
