"""The public names: a list that people build on, and that changes on purpose only.

No outside source: the list is this project's own promise.
"""

from __future__ import annotations

import importlib
import inspect
from pathlib import Path

import pytest

import corridor

PUBLIC = """
Alignment AlignmentError Assessment Cancelled Check CorridorError CostSurface Environment FitResult Grid
InputError Layer LayerError NoRouteError OutputSettings Pipe PipeError Progress Project RelaxedField RouteEnd
RouteRules SeabedError Seabed SearchResult SettingError Study Surface Uncertainty
Declaration SheetSettings SurveySettings ZoneSettings
add_survey explain_no_route find_options publish_options
assess_line at_station bend_table bends cost_by_kp cost_surface densify depth_at describe
direction_excess elements ellipsoidal_length_m fit heading_vectors line_cost lower_bound_m permit_zones
portal_net publish_no_route publish_study publish_sheets publish_survey publish_zones
read_alignment read_project route search search_space silent
slopes_at station_of stations tidy to_wgs84 why_here write_sample
Reroute RerouteSettings change_content change_writer read_around reroute rerouted_study
"""


def test_the_list_is_the_promised_one() -> None:
    """A name that comes or goes must come or go here too, and in the README where it names it."""
    assert sorted(corridor.__all__) == sorted(["__version__", *PUBLIC.split()])


def test_the_list_is_sorted_and_says_nothing_twice() -> None:
    names = corridor.__all__[1:]
    assert corridor.__all__[0] == "__version__"
    assert names == sorted(set(names))
    assert dir(corridor) == sorted(corridor.__all__)


@pytest.mark.parametrize("name", corridor.__all__)
def test_every_name_is_there_and_explained(name: str) -> None:
    thing = getattr(corridor, name)
    if name in ("__version__", "Progress"):
        return
    assert inspect.isclass(thing) or callable(thing)
    assert inspect.getdoc(thing), f"{name} has no docstring"
    assert thing.__module__.startswith("corridor."), name


@pytest.mark.parametrize("name", [name for name in corridor.__all__ if name != "__version__"])
def test_every_name_is_listed_where_it_is_made(name: str) -> None:
    """The table of contents names the module that defines the thing, not one that passes it on."""
    where = corridor._WHERE[name]
    thing = getattr(importlib.import_module(where), name)
    assert getattr(thing, "__module__", where) in (where, "corridor.sample.write", "collections.abc")


def test_no_name_is_that_of_a_part_of_the_package() -> None:
    """``corridor.assess`` would be the function or the folder, whichever was imported last."""
    folder = Path(corridor.__file__).parent
    parts = {entry.stem for entry in folder.iterdir() if entry.is_dir() or entry.suffix == ".py"}
    assert not parts & set(corridor.__all__)


def test_an_unknown_name_is_refused_as_python_does() -> None:
    with pytest.raises(AttributeError, match="no attribute 'frobnicate'"):
        _ = corridor.frobnicate
    assert not hasattr(corridor, "frobnicate")


def test_the_version_is_that_of_the_distribution() -> None:
    from importlib.metadata import version

    assert corridor.__version__ == version("corridor")
