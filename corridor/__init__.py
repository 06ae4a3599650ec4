"""corridor: subsea pipeline routing, from a seabed to a line a vessel can lay.

>>> import corridor
>>> project = corridor.read_project("sample_gis/project.toml")   # doctest: +SKIP
>>> study = corridor.route(project)                              # doctest: +SKIP
>>> corridor.publish_study(study, "out")                               # doctest: +SKIP

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
    "describe": "corridor.io.describe",
    # the data
    "Alignment": "corridor.model.alignment",
    "Grid": "corridor.model.grid",
    "Layer": "corridor.model.layers",
    "Pipe": "corridor.model.pipe",
    "Environment": "corridor.model.pipe",
    "Project": "corridor.model.project",
    "Seabed": "corridor.model.seabed",
    "Surface": "corridor.model.seabed",
    "RouteEnd": "corridor.model.rules",
    "RouteRules": "corridor.model.rules",
    "CostSurface": "corridor.model.results",
    "SearchResult": "corridor.model.results",
    "Assessment": "corridor.model.results",
    "Study": "corridor.model.results",
    # the story
    "route": "corridor.workflow",
    "assess_line": "corridor.workflow",
    # its steps
    "cost_surface": "corridor.terrain.cost",
    "depth_at": "corridor.terrain.sampling",
    "slopes_at": "corridor.terrain.sampling",
    "search": "corridor.routing.search",
    "line_cost": "corridor.routing.measure",
    "elements": "corridor.routing.geometry",
    "at_station": "corridor.routing.geometry",
    "densify": "corridor.routing.geometry",
    "station_of": "corridor.routing.chainage",
    # files out
    "publish_study": "corridor.publish.publish",
    "publish_no_route": "corridor.publish.publish",
    "write_sample": "corridor.sample",
    # what can go wrong
    "CorridorError": "corridor.errors",
    "InputError": "corridor.errors",
    "NoRouteError": "corridor.errors",
    "Cancelled": "corridor.errors",
}

__all__ = ["__version__", *sorted(_WHERE)]  # noqa: PLE0604


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module 'corridor' has no attribute {name!r}")
    # The guards against network access must stand before any GIS library loads.
    import_module("corridor.io._environment")
    return getattr(import_module(_WHERE[name]), name)


def __dir__() -> list[str]:
    return list(__all__)
