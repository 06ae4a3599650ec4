"""``corridor sheets PROJECT``: alignment sheets of a line, on A3."""

from __future__ import annotations

import argparse
import dataclasses
import json
from pathlib import Path
from typing import TYPE_CHECKING

from corridor.cli.common import Commands, add_common, out_folder, say, telling

if TYPE_CHECKING:
    from corridor.model.publication import SheetSettings

OVERRIDES = ("scale", "kp_per_sheet_km", "orientation")
"""Options that stand in for keys of the ``[sheets]`` table."""


def add_to(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("sheets", help="alignment sheets of a line: plan, profile and data on A3")
    parser.add_argument("project", metavar="PROJECT", help="project file (TOML)")
    parser.add_argument(
        "--alignment", type=Path, metavar="FILE",
        help="the line (default: alignment.csv in the project's output folder, where `route` leaves it)",
    )  # fmt: skip
    parser.add_argument("--scale", type=float, metavar="N", help="scale along the line, 1:N")
    parser.add_argument("--kp-per-sheet-km", type=float, metavar="KM", help="KP length of a sheet")
    parser.add_argument(
        "--orientation", choices=("line", "north"), help="line: it runs from left to right; north: up"
    )
    add_common(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Read the line, assess it, draw it; 5 where it breaks a rule."""
    import corridor
    from corridor.publish.folder import check_target
    from corridor.publish.publish import project_inputs
    from corridor.publish.sheets_set import publish_sheets

    with telling(options) as progress:
        project = corridor.read_project(options.project, progress)
        settings = sheet_settings(options, project.tables.get("sheets"))
        file = options.alignment or project.out_folder / "alignment.csv"
        folder = out_folder(options, project.out_folder.with_name(project.out_folder.name + "_sheets"))
        check_target(folder, [*project_inputs(project), file])
        alignment = corridor.read_alignment(file, project.crs, project.rules.min_bend_radius_m)
        study = corridor.assess_line(project, alignment, progress)
        content = publish_sheets(study, folder, settings=settings, inputs=[file], progress=progress)
    if options.json:
        print(json.dumps(content))
    else:
        say(f"status           {content['status']}")
        say(f"sheets           {content['sheets']} and an index")
        say(f"caution          {content['cautions'][0]}")
        say(f"files            {', '.join(content['files'])} in {folder}")
    return 0 if content["status"] == "ok" else 5


def sheet_settings(options: argparse.Namespace, table: SheetSettings | None) -> SheetSettings:
    """The project's ``[sheets]`` table with what the options say instead."""
    from corridor.model.publication import SheetSettings

    given = {name: getattr(options, name) for name in OVERRIDES if getattr(options, name) is not None}
    if ("scale" in given) != ("kp_per_sheet_km" in given):
        # One of the two decides the other: the project's own figure for it no longer holds.
        given = {"scale": None, "kp_per_sheet_km": None, **given}
    return dataclasses.replace(table or SheetSettings(), **given)
