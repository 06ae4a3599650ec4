"""``corridor zones PROJECT``: exclusion zones, and the permit tables of a line."""

from __future__ import annotations

import argparse
import json

from corridor.cli.common import Commands, add_common, out_folder, say, telling


def add_to(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("zones", help="exclusion-zone map, lists and permit tables")
    parser.add_argument("project", metavar="PROJECT", help="project file (TOML)")
    parser.add_argument("--alignment", metavar="FILE", help="a line: adds its permit tables and conditions")
    parser.add_argument(
        "--format", metavar="LIST", help="some of geojson,gpkg,kml,csv,html,pdf (default: all)"
    )
    add_common(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Build the zones, publish them; 5 where the line breaks a condition."""
    import corridor
    from corridor.publish.folder import check_target
    from corridor.publish.publish import project_inputs
    from corridor.publish.zones_set import FORMATS

    with telling(options, compiles=options.alignment is not None) as progress:
        project = corridor.read_project(options.project, progress)
        folder = out_folder(options, project.out_folder.with_name(project.out_folder.name + "_zones"))
        inputs = [*project_inputs(project), *([options.alignment] if options.alignment else [])]
        check_target(folder, inputs)
        line = corridor.read_alignment(options.alignment, project.crs, 0.0) if options.alignment else None
        study = corridor.permit_zones(project, line, progress)
        wanted = tuple(options.format.split(",")) if options.format else FORMATS
        content = corridor.publish_zones(
            study, project, folder, formats=wanted, inputs=inputs, progress=progress
        )
    holds = content["conditions_hold"]
    if options.json:
        print(json.dumps({"status": "rules broken" if holds is False else "ok", **content}))
    else:
        for rule, counts in content["zones"].items():
            say(f"{rule:<16} {counts['zones']} zones, {counts['in_force']} in force")
        for entry in content["conditions"]:
            say(f"{'holds' if entry['yes'] else 'BROKEN':<16} {entry['condition']}")
        for note in content["notes"]:
            say(f"note             {note}")
        say(f"caution          {content['cautions'][0]}")
        names = sorted(file.name for file in folder.glob("[!.]*"))
        say(f"files            {', '.join(names)} in {folder}")
    return 5 if holds is False else 0
