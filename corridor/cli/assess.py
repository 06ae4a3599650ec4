"""``corridor assess PROJECT --alignment FILE``: the same assessment for a line handed in."""

from __future__ import annotations

import argparse
import sys

from corridor.cli.common import (
    Commands,
    add_common,
    finish,
    finish_without_line,
    out_folder,
    say,
    telling,
)
from corridor.errors import NoRouteError


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
    parser.add_argument(
        "--tidy", action="store_true",
        help="improve the line first: fewer bends, less cost, every rule kept, without leaving its place",
    )  # fmt: skip
    parser.add_argument(
        "--within-m", type=float, metavar="M",
        help="with --tidy: stay within this distance of the line (default: wherever it leads from there)",
    )  # fmt: skip
    parser.add_argument(
        "--keep-ips", type=_numbers, default=(), metavar="N,N",
        help="with --tidy: these IPs stay where they are (1 = IP1); their radii may change",
    )  # fmt: skip
    add_common(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Read the line, tidy it where that is asked for, assess and publish."""
    import corridor
    from corridor.publish.folder import check_target
    from corridor.publish.publish import project_inputs
    from corridor.tidy_flow import gain_text, gains_writer

    if not options.tidy and (options.within_m is not None or options.keep_ips):
        print("corridor assess: --within-m and --keep-ips belong to --tidy", file=sys.stderr)
        return 2
    try:
        with telling(options) as progress:
            project = corridor.read_project(options.project, progress)
            folder = out_folder(options, project.out_folder)
            check_target(folder, [*project_inputs(project), options.alignment])
            radius = project.rules.min_bend_radius_m if options.radius_m is None else options.radius_m
            alignment = corridor.read_alignment(options.alignment, project.crs, radius)
            extras, others = [], None
            if options.tidy:
                tidied = corridor.tidy(
                    project, alignment, within_m=options.within_m, fixed_ips=options.keep_ips,
                    progress=progress,
                )  # fmt: skip
                study, others = tidied.study, {"as handed in": tidied.before}
                extras.append(gains_writer(tidied))
            else:
                study = corridor.assess_line(project, alignment, progress)
            content = corridor.publish_study(
                study, folder, inputs=[options.alignment], others=others, extras=extras,
                command=options.command, progress=progress,
            )  # fmt: skip
    except NoRouteError as error:
        content = corridor.publish_no_route(project, error.explanation, folder, inputs=[options.alignment])
        return finish_without_line(options, error, content, folder)
    if options.tidy:
        content = {**content, "tidy": tidied.gains()}
        if not options.json:
            say(gain_text(tidied))
    return finish(options, content, folder)


def _numbers(text: str) -> tuple[int, ...]:
    try:
        return tuple(int(part) for part in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"must be numbers of IPs such as 2,4 (got {text!r})") from None
