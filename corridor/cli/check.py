"""``corridor check PROJECT``: read everything, say what was found, compute nothing else."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from corridor.cli.common import Commands, add_common, say, telling

SURFACES = ("", "surface", "cell", "cells", "depth m", "no data", "uncertainty 95 %")
LAYERS = ("", "layer", "rule", "features", "standoff m", "position m", "file")
PLACES = ("", "easting m", "northing m", "latitude", "longitude", "depth m", "bearing", "on")


def add_to(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("check", help="read everything and say what was found")
    parser.add_argument("project", metavar="PROJECT", help="project file (TOML)")
    add_common(parser, folder=False)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Describe the project."""
    import corridor

    with telling(options, compiles=False) as progress:
        content = corridor.describe(corridor.read_project(options.project, progress))
    if options.json:
        print(json.dumps({"status": "ok", **content}))
    else:
        for line in page(content):
            say(line)
    return 0


def page(content: Mapping[str, Any]) -> list[str]:
    """What :func:`corridor.describe` found, on one page of text."""
    return [
        *_project(content["project"]), "", *_seabed(content["seabed"]), "", *_layers(content["layers"]), "",
        *_route(content["route"]), "",
        f"Inputs: {len(content['inputs'])} files (names and SHA-256 with --json)",
        *_listed("Notes", _notes(content)), *_listed("Conflicts", content["conflicts"]),
        *_listed("Warnings", content["warnings"]),
    ]  # fmt: skip


def _project(head: Mapping[str, Any]) -> list[str]:
    return [
        head["name"],
        f"  project file   {head['file']}",
        f"  system         {head['crs']}, depths below {head['vertical_datum'] or 'a datum not stated'}",
        f"  writes to      {head['output_folder']}",
    ]


def _seabed(seabed: Mapping[str, Any]) -> list[str]:
    west, south, east, north = seabed["bounds_m"]
    rows = [
        (
            str(number), one["name"], f"{one['cell_m']:g} m", f"{one['rows']} x {one['cols']}",
            _depths(one["depth_m"]), _share(one["holes_share"]), _uncertainty(one["uncertainty"]),
        )
        for number, one in enumerate(seabed["surfaces"], 1)
    ]  # fmt: skip
    return [
        f"Seabed: {len(rows)} surfaces, the first with data counts; "
        f"{_share(seabed['holes_share'])} without data",
        f"  {west:.0f} to {east:.0f} E, {south:.0f} to {north:.0f} N ({(east - west) / 1000:.2f} x "
        f"{(north - south) / 1000:.2f} km), depth {_depths(seabed['depth_m'])} m",
        *_columns(SURFACES, rows, "><>>>><"),
        *_overlaps(seabed["overlaps"]),
    ]


def _overlaps(overlaps: Sequence[Mapping[str, Any]]) -> list[str]:
    if not overlaps:
        return []
    worst = max(overlaps, key=lambda overlap: abs(overlap["median_difference_m"]))
    return [
        f"  {len(overlaps)} overlaps; the largest difference in the middle of one is "
        f"{worst['median_difference_m']:+.2f} m ({worst['first']} less {worst['second']})"
    ]


def _layers(layers: Sequence[Mapping[str, Any]]) -> list[str]:
    rows = [
        (
            str(number), layer["name"], layer["rule"], _features(layer), _range(layer["standoff_m"]),
            _range(layer["position_uncertainty_m"]),
            layer["file"] + (f", {layer['table']}" if layer["table"] else "")
            + (", needs consent" if layer["needs_consent"] else ""),
        )
        for number, layer in enumerate(layers, 1)
    ]  # fmt: skip
    return [f"Layers: {len(rows)}", *_columns(LAYERS, rows, "><<<>><")]


def _features(layer: Mapping[str, Any]) -> str:
    kinds = ", ".join(f"{count} {kind}" for kind, count in layer["kinds"].items()) or "none"
    away = layer["features"] - layer["features_on_seabed"]
    return kinds + (f" ({away} off the seabed)" if away else "")


def _route(route: Mapping[str, Any]) -> list[str]:
    places = [("start", route["start"]), *(("via", via) for via in route["via"]), ("end", route["end"])]
    rows = [(name, *_place(place)) for name, place in places]
    low, high = route["depth_range_m"]
    tie_in = ", ".join(route["tie_in_layers"])
    return [
        f"Route: {route['straight_line_m'] / 1000:.3f} km as a straight line, least bend radius "
        f"{route['min_bend_radius_m']:g} m, depth {low:g} to {high:g} m",
        *_columns(PLACES, rows, "<>>>>>><"),
        *(
            [f"  may end inside {tie_in}, within {route['tie_in_length_m']:g} m of that end"]
            if tie_in
            else []
        ),
    ]


def _place(place: Mapping[str, Any]) -> tuple[str, ...]:
    bearing = "free" if place["bearing_deg"] is None else f"{place['bearing_deg']:g}"
    return (
        f"{place['easting_m']:.1f}", f"{place['northing_m']:.1f}", f"{place['latitude_deg']:.6f}",
        f"{place['longitude_deg']:.6f}", f"{place['depth_m']:.2f}", bearing,
        f"{place['surface']} ({place['cell_m']:g} m cells)",
    )  # fmt: skip


def _notes(content: Mapping[str, Any]) -> list[str]:
    """What was done to files on reading, each with the surface or layer it belongs to."""
    things = (*content["seabed"]["surfaces"], *content["layers"])
    return [f"{thing['name']}: {note}" for thing in things for note in thing["notes"]]


def _listed(title: str, texts: Sequence[str]) -> list[str]:
    if not texts:
        return [f"{title}: none"]
    return [f"{title}: {len(texts)}", *(f"  - {text}" for text in texts)]


def _columns(head: Sequence[str], rows: Iterable[Sequence[str]], sides: str) -> list[str]:
    """Lines of a table, every column as wide as its widest cell, aligned to the side given."""
    lines = [head, *rows]
    if len(lines) == 1:
        return []
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    return [
        "  " + "  ".join(f"{c:{s}{w}}" for c, s, w in zip(line, sides, widths, strict=True)).rstrip()
        for line in lines
    ]


def _range(values: Sequence[float]) -> str:
    """Least to largest; one figure where they agree."""
    if not values:
        return "-"
    low, high = (f"{value:.1f}".removesuffix(".0") for value in values)
    return low if low == high else f"{low} to {high}"


def _depths(values: Sequence[float]) -> str:
    return f"{values[0]:.1f} to {values[1]:.1f}"


def _share(share: float) -> str:
    return f"{100 * share:.1f} %"


def _uncertainty(value: Mapping[str, Any] | None) -> str:
    if value is None:
        return "not stated"
    if "a_m" in value:
        return f"{value['a_m']:g} m, {100 * value['b']:g} % of depth"
    median = value["band_median_m"]
    return "a band without data" if median is None else f"a band, {median:.2f} m in the middle"
