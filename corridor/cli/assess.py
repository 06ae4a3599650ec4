"""``corridor assess PROJECT --alignment FILE``: the same assessment for a line handed in."""

from __future__ import annotations

import argparse

from corridor.cli.common import Commands, add_common, finish, out_folder, telling


def add_to(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("assess", help="assess a line somebody hands in")
    parser.add_argument("project", metavar="PROJECT", help="project file (TOML)")
    parser.add_argument(
        "--alignment", required=True, metavar="FILE",
        help="alignment.csv (point, easting_m, northing_m, radius_m), or one line in any vector file",
    )  # fmt: skip
    parser.add_argument(
        "--radius-m", type=float, metavar="R",
        help="radius for IPs that state none, so for all vertices of a vector line (default: the project's "
        "min_bend_radius_m; 0 keeps them as sharp bends, reported as broken)",
    )  # fmt: skip
    add_common(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Read the line, assess and publish."""
    import corridor
    from corridor.publish.folder import check_target
    from corridor.publish.publish import project_inputs

    with telling(options) as progress:
        project = corridor.read_project(options.project, progress)
        folder = out_folder(options, project.out_folder)
        check_target(folder, [*project_inputs(project), options.alignment])
        radius = project.rules.min_bend_radius_m if options.radius_m is None else options.radius_m
        alignment = corridor.read_alignment(options.alignment, project.crs, radius)
        study = corridor.assess_line(project, alignment, progress)
        content = corridor.publish_study(
            study, folder, inputs=[options.alignment], command=options.command, progress=progress,
        )  # fmt: skip
    return finish(options, content, folder)
