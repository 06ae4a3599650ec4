"""``corridor why PROJECT --alignment FILE``: what every rule costs, on the line or on a stretch of it."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from typing import Any

from corridor.cli.common import Commands, add_common, out_folder, say, telling


def add_to(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("why", help="why the line runs where it does: the price of every rule")
    parser.add_argument("project", metavar="PROJECT", help="project file (TOML)")
    parser.add_argument(
        "--alignment", required=True, metavar="FILE", help="alignment.csv, or one line in any vector file"
    )
    parser.add_argument("--from-kp", type=float, metavar="A", help="first KP of the stretch, km")
    parser.add_argument("--to-kp", type=float, metavar="B", help="last KP of the stretch, km")
    add_common(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Read the line, price the rules, write and print the table."""
    import corridor
    from corridor.publish.folder import check_target
    from corridor.publish.publish import project_inputs
    from corridor.why_flow import publish_why

    with telling(options) as progress:
        project = corridor.read_project(options.project, progress)
        folder = out_folder(options, project.out_folder.with_name(project.out_folder.name + "_why"))
        check_target(folder, [*project_inputs(project), options.alignment])
        alignment = corridor.read_alignment(options.alignment, project.crs, project.rules.min_bend_radius_m)
        why = corridor.why_here(project, alignment, options.from_kp, options.to_kp, progress)
        content = publish_why(why, folder, (options.alignment,))
    if options.json:
        print(json.dumps(content))
        return 0
    for line in story(content):
        say(line)
    say(f"files            {folder}")
    return 0


def story(content: Mapping[str, Any]) -> list[str]:
    """The prices as a table of text."""
    lines = [
        f"stretch          KP {content['kp_from_km']:.3f} to {content['kp_to_km']:.3f}",
        f"cost             {content['cost_m']:.0f} equivalent m as handed in, "
        f"{content['cheapest_m']:.0f} for the cheapest line found with every rule",
    ]
    binding = [row for row in content["prices"] if row["binding"]]
    for row in binding:
        name = f"layer {row['layer']}" if row["rule"] == "layer" else f"{row['layer']} {row['rule']}".strip()
        limit = "" if row["limit"] is None else f" {row['limit']:g}"
        money = "" if row["amount"] is None else f", {row['amount']:.0f} {row['currency']}".rstrip()
        place = (
            ""
            if row["kp_km"] is None
            else f"; without it up to {row['moved_m']:.0f} m off at KP {row['kp_km']:.3f}"
        )
        consent = "; a limit of law or safety" if row["needs_consent"] else ""
        lines.append(
            f"price            {row['price_m']:8.0f} equivalent m{money}  {name}{limit}{place}{consent}"
        )
    idle = [
        f"layer {row['layer']}" if row["rule"] == "layer" else f"{row['layer']} {row['rule']}".strip()
        for row in content["prices"]
        if not row["binding"]
    ]
    if idle:
        lines.append(f"not binding here {', '.join(idle)}")
    lines += [f"note             {text}" for text in content["notes"]]
    lines.append(f"caution          {content['cautions'][0]}")
    return lines
