"""The sample's new survey, as the sample writes it: a wreck nobody knew, sand waves that moved."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

import corridor
from corridor.io.soundings import open_soundings
from corridor.io.survey_store import TileStore
from corridor.model.grid import Grid
from corridor.model.project import Project
from corridor.model.rules import RouteEnd, RouteRules
from corridor.model.seabed import Seabed, Surface, Uncertainty
from corridor.model.survey import Survey, SurveySettings
from corridor.publish.survey_set import contact_rows
from corridor.sample import layout, new_survey
from corridor.sample.terrain import mean_elevation_m
from corridor.survey.study import study_survey


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return new_survey.write_new_survey(tmp_path_factory.mktemp("sample"))


@pytest.fixture(scope="module")
def result(files: list[Path]) -> Survey:
    east, north = (float(v) for v in layout.at(*new_survey.CENTRE_KM))
    grid = Grid(400, 500, east - 500.0, north + 400.0, 2.0, layout.CRS)
    depth = -mean_elevation_m(grid).astype(np.float32)
    strip = Surface("strip", grid, depth, Uncertainty(0.25, 0.0075))
    ends = RouteEnd(east, north), RouteEnd(east + 100.0, north)
    seabed = Seabed((strip,), "LAT")
    project = Project("strip", layout.CRS, "LAT", seabed, (), RouteRules(min_bend_radius_m=1500.0), *ends)
    chosen = SurveySettings(uncertainty={"a_m": 0.2, "b": 0.004}, contact_height_m=2.0)
    with TileStore() as store:
        return study_survey(project, open_soundings(files[:1], project), store, chosen, "sample")


def test_the_file_is_small(files):
    assert files[0].stat().st_size < 4_000_000


@pytest.mark.slow
def test_the_file_is_always_the_same(files, tmp_path):
    again = new_survey.write_new_survey(tmp_path)
    assert [p.read_bytes() for p in again] == [p.read_bytes() for p in files]


def test_it_meets_the_order_the_sample_asks_for(result):
    assert result.quality.ok and result.quality.order_met == "1a"
    assert 0.0002 < result.surface.rejected.sum() / result.files[0].kept < 0.002


def test_the_wreck_is_the_only_new_object(result):
    (wreck,) = result.new_objects
    length, beam, height = new_survey.HULL_M
    east, north = new_survey.wreck_position()
    assert np.hypot(wreck.easting_m - east, wreck.northing_m - north) < 2.0
    assert abs(wreck.length_m - length) <= wreck.size_uncertainty_m
    assert abs(wreck.width_m - beam) <= wreck.size_uncertainty_m
    # The deckhouse is the highest part: 2.1 m on top of the hull.
    assert abs(wreck.height_m - (height + 2.1)) <= wreck.height_uncertainty_m
    assert abs(wreck.bearing_deg - new_survey.WRECK_BEARING_DEG) < 8.0


def test_the_sand_waves_moved(result):
    kinds = {region.kind for region in result.changes}
    assert {"erosion", "accretion", "object"} <= kinds
    moved = [region for region in result.changes if region.kind == "accretion"]
    assert max(region.area_m2 for region in moved) > 10_000.0


def test_what_it_found_goes_straight_into_a_reroute(result, tmp_path):
    """The line clears the wreck where the sample's writer put it, by the standoff (shapely)."""
    rows = contact_rows(result.new_objects, layout.CRS)
    shapes = [contact.geometry for contact in result.new_objects]
    gpd.GeoDataFrame(rows, geometry=shapes, crs=layout.CRS).to_file(
        tmp_path / "contacts.geojson", driver="GeoJSON", RFC7946="YES"
    )
    sample = Path(__file__).parents[2] / "sample_gis"
    project = corridor.read_project(sample / "project.toml")
    approved = corridor.read_alignment(sample / "approved_line.csv", project.crs)
    around = corridor.read_around(str(tmp_path / "contacts.geojson"), project.crs, 100.0)
    found = corridor.reroute(project, approved, around)
    wreck = shapely.Point(new_survey.wreck_position())
    before, after = (
        shapely.LineString(corridor.densify(line)).distance(wreck) for line in (approved, found.alignment)
    )
    assert before < 100.0 < after
    assert found.parts[0].obstructions == around.features
