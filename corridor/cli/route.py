"""``corridor route PROJECT``: the main job."""

from __future__ import annotations

import argparse

from corridor.cli.common import Commands, add_common, finish, finish_without_line, out_folder, telling
from corridor.errors import NoRouteError


def add_to(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("route", help="find the line, assess it, write every file")
    parser.add_argument("project", metavar="PROJECT", help="project file (TOML)")
    add_common(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Search, assess and publish; without a line write what is known about why."""
    import corridor
    from corridor.publish.folder import check_target
    from corridor.publish.publish import project_inputs

    try:
        with telling(options) as progress:
            project = corridor.read_project(options.project, progress)
            folder = out_folder(options, project.out_folder)
            check_target(folder, project_inputs(project))
            study = corridor.route(project, progress)
            content = corridor.publish_study(study, folder, command=options.command, progress=progress)
    except NoRouteError as error:
        content = corridor.publish_no_route(project, error.explanation, folder, barrier=error.barrier)
        return finish_without_line(options, error, content, folder)
    return finish(options, content, folder)
