"""``corridor layers PROJECT ENC...``: sort chart cells into layers with rules."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from corridor.cli.common import Commands, add_common, telling


def add_to(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("layers", help="chart cells (S-57) into a GeoPackage and [[layer]] tables")
    parser.add_argument("project", metavar="PROJECT", help="project file (TOML)")
    parser.add_argument(
        "charts", nargs="+", metavar="ENC", help="cells (.000); updates beside them are applied"
    )
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help="GeoPackage to write (default: charts.gpkg beside the project)",
    )
    parser.add_argument("--rules", metavar="FILE", help="your own table of classes and rules (TOML)")
    add_common(parser, folder=False)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Read the cells near the project's seabed, write the layers, print the tables to paste."""
    import corridor
    from corridor.errors import InputError
    from corridor.io.chart import layer_text, read_chart_table, read_charts, write_chart_layers
    from corridor.publish.publish import project_inputs

    with telling(options, compiles=False) as progress:
        project = corridor.read_project(options.project, progress)
        target = (options.out or project.file.parent / "charts.gpkg").resolve()
        if target in {Path(file).resolve() for file in project_inputs(project)}:
            raise InputError(f"{target.name} is an input of the project: choose another file with --out")
        west, south, east, north = project.seabed.bounds_m
        lon, lat = corridor.to_wgs84(project.crs, [west, east, west, east], [south, south, north, north])
        area = (float(min(lon)), float(min(lat)), float(max(lon)), float(max(lat)))
        intake = read_charts(options.charts, read_chart_table(options.rules), area, Path.cwd(), progress)
        write_chart_layers(target, intake)
    text = layer_text(intake, target.name)
    if options.json:
        print(json.dumps({"status": "ok", "file": str(target), "layers": text, "notes": list(intake.notes)}))
    else:
        print(text)
    return 0
