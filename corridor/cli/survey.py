"""``corridor survey PROJECT FILE...``: new soundings, how good they are, and what they mean for the line."""

from __future__ import annotations

import argparse
import dataclasses
import json
from pathlib import Path

from corridor.cli.common import Commands, add_common, say, telling


def add_to(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser(
        "survey", help="new soundings or a new grid: quality, change, contacts, impact"
    )
    parser.add_argument("project", metavar="PROJECT", help="project file (TOML)")
    parser.add_argument(
        "files", nargs="+", metavar="FILE", help="text, LAS, LAZ or grids; FILE.toml beside one declares it"
    )
    parser.add_argument("--name", metavar="NAME", help="of the survey (default: the first file's)")
    parser.add_argument(
        "--cell-m", type=float, metavar="C", help="cell size (default: from density and depth)"
    )
    parser.add_argument("--alignment", metavar="FILE", help="a line to assess before and after")
    parser.add_argument("--values", choices=("depth", "elevation"), help="what the third figure is")
    parser.add_argument("--crs", metavar="CRS", help="of files that carry none")
    parser.add_argument("--vertical-datum", metavar="DATUM", help="of the soundings")
    parser.add_argument("--vertical-offset-m", type=float, metavar="M", help="project datum = file + M")
    parser.add_argument("--vertical-offset-source", metavar="TEXT", help="where that figure comes from")
    parser.add_argument("--unit", metavar="UNIT", help="of the third figure (default m)")
    parser.add_argument("--columns", metavar="LIST", help="what the columns of a text file hold, in order")
    add_common(parser, folder=False)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Study the survey, publish it; 5 where the order asked for is not met or a rule is newly broken."""
    import corridor
    from corridor.model.survey import SurveySettings
    from corridor.publish.survey_set import check_places, publish_survey, survey_places

    with telling(options) as progress:
        project = corridor.read_project(options.project, progress)
        name = options.name or Path(options.files[0]).name.split(".")[0]
        check_places(survey_places(project, name), project)
        settings = project.tables.get("survey") or SurveySettings()
        if options.cell_m is not None:
            settings = dataclasses.replace(settings, cell_m=options.cell_m)
        line = corridor.read_alignment(options.alignment, project.crs, 0.0) if options.alignment else None
        survey, comparison = corridor.add_survey(
            project, options.files, name,
            declared=declaration(options), settings=settings, alignment=line, progress=progress,
        )  # fmt: skip
        drawn = None if line is None else corridor.densify(line)
        places = publish_survey(survey, project, comparison, drawn)
    content = json.loads((places.folder / "survey.json").read_text(encoding="utf-8"))
    if options.json:
        print(json.dumps(content))
    else:
        quality = survey.quality
        say(f"order asked for  {quality.order_required}: {'met' if quality.ok else 'NOT met'}")
        say(f"order met        {quality.order_met or 'none'}")
        say(f"new contacts     {len(survey.new_objects)} of {len(survey.contacts)}")
        for rule in comparison.now_broken if comparison is not None else ():
            say(f"BROKEN           {rule['rule']} {rule['layer']}: held before this survey, is broken now")
        say("caution          Screening aid. Not for construction, installation or navigation.")
        say(f"project          {places.project_file}")
        say(f"files            {places.folder}")
    broken = comparison is not None and bool(comparison.now_broken)
    return 0 if survey.quality.ok and not broken else 5


def declaration(options: argparse.Namespace):
    """What the flags declare for all files; None where no flag was given."""
    from corridor.model.survey import Declaration

    given = {
        "values": options.values,
        "crs": options.crs,
        "vertical_datum": options.vertical_datum,
        "vertical_offset_m": options.vertical_offset_m,
        "vertical_offset_source": options.vertical_offset_source,
        "unit": options.unit,
        "columns": tuple(options.columns.split(",")) if options.columns else None,
    }
    known = {name: value for name, value in given.items() if value is not None}
    return Declaration(**known) if known else None
