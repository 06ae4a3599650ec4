"""What every output says about its own limits."""

from __future__ import annotations

from corridor.model.project import Project

CAUTIONS: tuple[str, ...] = (
    "Screening aid. Not for construction, installation or navigation.",
    "The governing codes, local law, the owners of crossed assets, the authorities and a licensed engineer "
    "decide; nothing here replaces their approval.",
    "Only what stands in the seabed and layers handed in was considered; anything else was not avoided.",
    "Verify coordinate reference system, vertical datum and survey date before using any figure.",
)
"""Stand on every page, map and sheet."""

NOT_ASSESSED: tuple[str, ...] = (
    "on-bottom stability under waves and currents",
    "lateral and upheaval buckling, walking, expansion at the ends",
    "local buckling, collapse and fatigue by code",
    "trawl impact, hooking, dropped objects and anchors",
    "scour, mobile sediment and self-burial",
    "slope stability, faults, shallow gas and liquefaction",
    "soil strength, trenching and burial",
    "buried objects and munitions not in the layers",
    "design of crossings and the consent of their owners",
    "installation analysis, vessel limits and weather",
    "corrosion and cathodic protection",
    "environmental, heritage and fishing permits beyond the layers given",
)
"""Subjects that no part of this package looks at."""


def not_assessed(project: Project, *, spans: bool) -> tuple[str, ...]:
    """Subjects not looked at in one study.

    Parameters
    ----------
    project : Project
    spans : bool
        Whether the pipe was laid on the seabed and its free spans found.
    """
    if spans:
        return NOT_ASSESSED
    why = "no [pipe] table" if project.pipe is None else "the pipe was not laid on the seabed in this run"
    return (f"free spans ({why})", *NOT_ASSESSED)
