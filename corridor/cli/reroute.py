"""``corridor reroute PROJECT``: the least change to an approved line that clears something new."""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

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
    parser = commands.add_parser(
        "reroute", help="the least change to an approved line that clears something new"
    )
    parser.add_argument("project", metavar="PROJECT", help="project file (TOML)")
    parser.add_argument("--alignment", required=True, metavar="FILE", help="the approved line")
    parser.add_argument(
        "--around", required=True, action="append", metavar="FILE|E,N",
        help="new obstructions: a vector file (a survey's contacts.geojson among them) or a position on the "
        "project grid; may be given several times",
    )  # fmt: skip
    parser.add_argument(
        "--standoff-m", type=float, metavar="M",
        help="distance to keep (default: the attribute standoff_m of each, else [reroute] standoff_m)",
    )  # fmt: skip
    parser.add_argument("--from-kp", type=float, metavar="A", help="the line may change from this KP, km")
    parser.add_argument("--to-kp", type=float, metavar="B", help="up to this KP, km")
    parser.add_argument(
        "--laid-to-kp", type=float, metavar="L", help="KP of touchdown: what is laid stays where it is"
    )
    parser.add_argument(
        "--accept-broken", action="store_true", help="go on although the approved line breaks rules by itself"
    )
    add_common(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Reroute, compare, publish; without a line write what is known about why."""
    import corridor
    from corridor.io.around import NAME, read_around
    from corridor.publish.change import change_content, change_story, change_writer
    from corridor.publish.folder import check_target
    from corridor.publish.publish import project_inputs

    began = time.perf_counter()
    files = [options.alignment, *(text for text in options.around if Path(text).exists())]
    try:
        with telling(options) as progress:
            project = corridor.read_project(options.project, progress)
            folder = out_folder(options, project.out_folder)
            inputs = [*project_inputs(project), *files]
            check_target(folder, inputs, allowed=files)
            settings = project.tables.get("reroute") or corridor.RerouteSettings()
            approved = corridor.read_alignment(
                options.alignment, project.crs, project.rules.min_bend_radius_m
            )
            layers = [
                read_around(
                    text, project.crs, options.standoff_m, settings.standoff_m,
                    NAME if number == 0 else f"{NAME} {number + 1}",
                )
                for number, text in enumerate(options.around)
            ]  # fmt: skip
            found = corridor.reroute(
                project, approved, layers,
                from_m=_metres(options.from_kp), to_m=_metres(options.to_kp),
                laid_to_m=_metres(options.laid_to_kp), accept_broken=options.accept_broken, progress=progress,
            )  # fmt: skip
            if not found.changed:
                return _unchanged(options, change_content(found))
            # The answer first: the pipe's statics and the whole set of files take longer.
            progress("reroute", 1.0)
            quick = change_content(found)
            if not options.json:
                for line in change_story(quick):
                    say(line)
                took = time.perf_counter() - began
                say(f"found in         {took:.1f} s; now the pipe, the checks and the files")
            study, old, figures = corridor.rerouted_study(found, progress)
            content = corridor.publish_study(
                study, folder, inputs=files, allowed=files, others={"approved line": old},
                extras=[change_writer(found, figures)], command=options.command, progress=progress,
            )  # fmt: skip
    except NoRouteError as error:
        content = corridor.publish_no_route(
            project, error.explanation, folder, barrier=error.barrier, inputs=files, allowed=files
        )
        return finish_without_line(options, error, content, folder)
    if options.json:
        content = {**content, "change": change_content(found, figures)}
    return finish(options, content, folder)


def _unchanged(options: argparse.Namespace, content: dict) -> int:
    """Nothing is in the way: the distances, and no files."""
    from corridor.publish.change import change_story

    if options.json:
        print(json.dumps(content))
    else:
        for line in change_story(content):
            say(line)
        say("no change needed; nothing was written")
    return 0


def _metres(kp_km: float | None) -> float | None:
    return None if kp_km is None else kp_km * 1000.0
