"""corridor: subsea pipeline routing, from a seabed to a line a vessel can lay.

>>> import corridor
>>> project = corridor.read_project("sample_gis/project.toml")   # doctest: +SKIP
>>> study = corridor.route(project)                              # doctest: +SKIP
>>> corridor.publish_study(study, "out")                           # doctest: +SKIP

Screening aid: not for construction or navigation. Governing codes, local law
and a licensed engineer decide.

Names are loaded when they are first used, so that ``import corridor`` and the
command's help are quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_WHERE = {
    # files in
    "read_project": "corridor.io.project",
    "read_alignment": "corridor.io.alignment_file",
    "read_around": "corridor.io.around",
    "describe": "corridor.io.describe",
    # what is known: seabed, obstructions, rules, pipe
    "Project": "corridor.model.project",
    "OutputSettings": "corridor.model.project",
    "Grid": "corridor.model.grid",
    "Surface": "corridor.model.seabed",
    "Seabed": "corridor.model.seabed",
    "Uncertainty": "corridor.model.seabed",
    "Layer": "corridor.model.layers",
    "RouteEnd": "corridor.model.rules",
    "RouteRules": "corridor.model.rules",
    "RerouteSettings": "corridor.model.reroute",
    "Pipe": "corridor.model.pipe",
    "Environment": "corridor.model.pipe",
    "Declaration": "corridor.model.survey",
    "SurveySettings": "corridor.model.survey",
    "ZoneSettings": "corridor.model.permit",
    "SheetSettings": "corridor.model.publication",
    # what is found
    "Alignment": "corridor.model.alignment",
    "CostSurface": "corridor.model.results",
    "SearchResult": "corridor.model.results",
    "FitResult": "corridor.routing.fit",
    "Check": "corridor.model.results",
    "Assessment": "corridor.model.results",
    "Study": "corridor.model.results",
    "Reroute": "corridor.model.reroute",
    # the story
    "route": "corridor.workflow",
    "assess_line": "corridor.workflow",
    "permit_zones": "corridor.workflow",
    "add_survey": "corridor.survey_flow",
    "explain_no_route": "corridor.routing.explain",
    "find_options": "corridor.options_flow",
    "reroute": "corridor.reroute_flow",
    "rerouted_study": "corridor.reroute_flow",
    "tidy": "corridor.tidy_flow",
    "why_here": "corridor.why_flow",
    # its steps
    "cost_surface": "corridor.terrain.cost",
    "search": "corridor.routing.search",
    "fit": "corridor.routing.fit",
    "lower_bound_m": "corridor.routing.bound",
    # the search from inside
    "heading_vectors": "corridor.kernels.headings",
    "direction_excess": "corridor.kernels.headings",
    "bend_table": "corridor.routing.moves",
    "search_space": "corridor.routing.space",
    "portal_net": "corridor.routing.portals",
    "RelaxedField": "corridor.routing.relaxed",
    # along a line and on the ground
    "elements": "corridor.routing.geometry",
    "bends": "corridor.routing.geometry",
    "at_station": "corridor.routing.geometry",
    "stations": "corridor.routing.geometry",
    "densify": "corridor.routing.geometry",
    "station_of": "corridor.routing.chainage",
    "ellipsoidal_length_m": "corridor.routing.chainage",
    "line_cost": "corridor.routing.measure",
    "cost_by_kp": "corridor.routing.measure",
    "depth_at": "corridor.terrain.sampling",
    "slopes_at": "corridor.terrain.sampling",
    "to_wgs84": "corridor.routing.geodesy",
    # files out
    "publish_study": "corridor.publish.publish",
    "publish_no_route": "corridor.publish.publish",
    "publish_options": "corridor.publish.options_page",
    "change_content": "corridor.publish.change",
    "change_writer": "corridor.publish.change",
    "publish_sheets": "corridor.publish.sheets_set",
    "publish_survey": "corridor.publish.survey_set",
    "publish_zones": "corridor.publish.zones_set",
    "write_sample": "corridor.sample",
    # progress and what can go wrong
    "Progress": "corridor.progress",
    "silent": "corridor.progress",
    "CorridorError": "corridor.errors",
    "InputError": "corridor.errors",
    "SettingError": "corridor.errors",
    "SeabedError": "corridor.errors",
    "LayerError": "corridor.errors",
    "AlignmentError": "corridor.errors",
    "PipeError": "corridor.errors",
    "NoRouteError": "corridor.errors",
    "Cancelled": "corridor.errors",
}
"""Public name -> the module it lives in."""

__all__ = ["__version__", *sorted(_WHERE)]


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module 'corridor' has no attribute {name!r}")
    # The guards against network access must stand before any GIS library loads.
    import_module("corridor.io._environment")
    return getattr(import_module(_WHERE[name]), name)


def __dir__() -> list[str]:
    return list(__all__)
