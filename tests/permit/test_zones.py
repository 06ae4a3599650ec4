"""Zones and permit tables: ids, sources, seasons, personal data, and closed forms along a line."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from corridor.model.alignment import Alignment
from corridor.model.permit import ZoneSettings
from corridor.model.rules import RouteRules
from corridor.permit.columns import personal_by_content, personal_by_name, publishable
from corridor.permit.study import zone_study
from corridor.permit.zones import make_zones

from .synthetic import CRS, EAST, HOSTILE, NORTH, RULES, hostile_study, make_layer, sample_study

SCALE = 0.9996
"""Scale factor of UTM on its central meridian (EPSG Guidance Note 7-2)."""


def make(layers, **settings):
    return make_zones(layers, CRS, RULES, ZoneSettings(**settings))


def test_zone_says_what_it_is_and_where_from():
    zone = sample_study().zones[0]
    assert (zone.number, zone.layer, zone.feature, zone.rule) == (1, "wrecks", "Ølnebben", "avoid")
    assert (zone.file, zone.table, zone.source_date) == ("obstructions.gpkg", "wrecks", "20250314")
    assert zone.legal_basis == "Wreck order 7 (invented)" and zone.authority == "Harbour authority (invented)"
    assert zone.buffer_m == zone.standoff_m + zone.uncertainty_m + zone.lay_tolerance_m == 110.0
    assert zone.area_m2 == pytest.approx(np.pi * 110.0**2, rel=1e-3)
    assert zone.perimeter_m == pytest.approx(2.0 * np.pi * 110.0, rel=1e-3)


def test_legal_basis_comes_from_attribute_then_layer_then_settings():
    points = [shapely.Point(EAST, NORTH + i) for i in range(3)]
    attributes = [{"Legal_Basis": "own"}, {"law": "named by the layer"}, {}]
    layer = make_layer("a", "avoid", points, None, attributes, settings={"legal_basis": "law"})
    found = [zone.legal_basis for zone in make([layer], legal_basis="of the project")[0]]
    assert found == ["own", "named by the layer", "of the project"]
    text = make_layer("a", "avoid", points[:1], settings={"legal_basis": "a text of the layer"})
    assert make([text], legal_basis="of the project")[0][0].legal_basis == "a text of the layer"


def test_ids_stay_the_same_when_others_come_and_are_never_double():
    points = [shapely.Point(EAST + i, NORTH) for i in range(4)]
    few = make([make_layer("wrecks", "avoid", points[1:3], ["b", "c"])])[0]
    more, _, notes = make([make_layer("wrecks", "avoid", points, ["a", "b", "c", "c"])])
    assert [zone.id for zone in few] == ["wrecks-b", "wrecks-c"]
    assert [zone.id for zone in more] == ["wrecks-a", "wrecks-b", "wrecks-c", "wrecks-c-2"]
    assert any("more than once" in note and "wrecks-c" in note for note in notes)


def test_long_names_and_forty_columns_lose_nothing():
    attributes = {f"column_{i}": f"value {i}" for i in range(40)}
    layer = make_layer("a", "avoid", [shapely.Point(EAST, NORTH)], ["x" * 10_000], [attributes])
    (zone,), _, notes = make([layer])
    assert len(zone.feature) == 10_000 and len(zone.id) < 60
    assert dict(zone.attributes) == attributes
    assert any("10000 characters" in note for note in notes)


def test_features_without_area_stay_what_they_are():
    shapes = [shapely.Point(EAST, NORTH), shapely.LineString([(EAST, NORTH), (EAST + 300.0, NORTH)])]
    zones = make_zones([make_layer("a", "discourage", shapes)], CRS, RULES, ZoneSettings())[0]
    assert [zone.outline.geom_type for zone in zones] == ["Point", "LineString"]
    assert zones[0].area_m2 == zones[1].area_m2 == 0.0
    assert zones[1].perimeter_m == pytest.approx(300.0 / SCALE, rel=1e-5)


@pytest.mark.parametrize(
    "name", ["phone", "ContactName", "e_mail", "last_edited_by", "owner_name", "Telefon1"]
)
def test_columns_about_people_are_left_out_by_name(name):
    assert personal_by_name(name)
    layer = make_layer("a", "avoid", [shapely.Point(0, 0)], None, [{name: "x", "OBJNAM": "y"}])
    assert publishable(layer)[0] == ("OBJNAM",)
    assert publishable(layer, [name.upper()])[0] == (name, "OBJNAM")
    keys = {"publish_columns": (name,)}
    own = make_layer("a", "avoid", [shapely.Point(0, 0)], None, [{name: "x"}], settings=keys)
    assert publishable(own)[0] == (name,)


@pytest.mark.parametrize("name", ["OBJNAM", "owner", "name", "class", "SORIND", "masterplan", "telemetry"])
def test_columns_about_things_are_kept(name):
    assert not personal_by_name(name)


@pytest.mark.parametrize(
    ("value", "found"),
    [
        ("call +47 22 33 44 55", "a phone number"),
        ("somebody@invalid.example", "an e-mail address"),
        ("Capt. Nobody", "a person's name with a title"),
        ("56.1234567 3.7654321", ""),
        ("2027-05-14 to 2027-08-31", ""),
        (20250314, ""),
    ],
)
def test_columns_about_people_are_left_out_by_content(value, found):
    assert personal_by_content(["nothing", None, value]) == found


def test_line_through_a_square_zone():
    """Straight along x through a square of 1,000 m: 1,000 m inside, from KP 2 to KP 3; exact."""
    square = shapely.box(EAST + 2000.0, NORTH - 400.0, EAST + 3000.0, NORTH + 600.0)
    layer = make_layer("a", "discourage", [square], ["block"])
    line = Alignment.from_points([(EAST, NORTH), (EAST + 9000.0, NORTH)], [], CRS)
    settings = ZoneSettings(working_corridor_m=200.0)
    study = zone_study([layer], CRS, RULES, settings, line)
    stretch = study.tables["stretches"]
    assert stretch["kp_start_km"].tolist() == [2.0] and stretch["kp_end_km"].tolist() == [3.0]
    assert stretch["length_m"].tolist() == [1000.0]
    # Corridor inside: 1,000 m of grid by 200 m of ground, the length on the ground 1/k times longer.
    overlap = study.tables["overlap"]["overlap_ha"][0]
    k = study_scale(EAST + 2500.0)
    assert overlap == pytest.approx(1000.0 / k * 200.0 / 1e4, rel=2e-4)
    approach = study.tables["approach"]
    assert approach["distance_m"][0] == pytest.approx(-400.0 / k, rel=1e-5)  # deepest: 400 m from its edge


def study_scale(easting: float) -> float:
    """UTM scale near its central meridian: k0 (1 + x**2 / (2 R**2)), x true (EPSG Guidance Note 7-2)."""
    return SCALE * (1.0 + (easting - 500_000.0) ** 2 / (2.0 * 6.382e6**2))


def test_nearest_approach_has_kp_bearing_and_distance():
    """A point 700 m of grid north of KP 4: distance 700 / k - buffer, grid bearing 0; exact."""
    wreck = make_layer("wrecks", "avoid", [shapely.Point(EAST + 4000.0, NORTH + 700.0)], standoff=90.0)
    line = Alignment.from_points([(EAST, NORTH), (EAST + 9000.0, NORTH)], [], CRS)
    table = zone_study([wreck], CRS, RULES, ZoneSettings(), line).tables["approach"]
    assert table["kp_km"][0] == pytest.approx(4.0, abs=0.01)
    assert (
        min(table["bearing_deg"][0], 360.0 - table["bearing_deg"][0]) < 2.6
    )  # the circle has 5 degree sides
    expected = 700.0 / study_scale(EAST + 4000.0) - 100.0
    assert expected - 0.2 < table["distance_m"][0] <= expected + 1e-6


def test_tables_name_everybody():
    study = sample_study()
    parties = study.tables["parties"]
    who = dict(zip(parties["party"], parties["role"], strict=True))
    assert who["Ladle Grid (invented)"] == "owner of a crossed asset"
    assert who["Saucer Fields (invented)"] == "jurisdiction entered"
    assert "(not stated)" in who
    inside = study.tables["jurisdiction"]
    total = float(inside["length_m"].sum())
    assert inside["feature"].tolist() == ["Block 1/1", "Block 1/2", "(in none)"]
    assert inside["kp_end_km"][-1] * 1000.0 == pytest.approx(total, abs=1e-6)


def test_conditions_answer_yes_and_no_with_reasons():
    conditions = sample_study().tables["conditions"]
    answers = dict(zip(conditions["condition"], conditions["yes"], strict=True))
    details = dict(zip(conditions["condition"], conditions["detail"], strict=True))
    inside = "The line stays outside every zone to keep out of that is in force"
    assert not answers[inside] and details[inside].startswith("Breadboard safety zone KP 18.4")
    assert not answers["Every asset crossed has a named owner"]
    assert answers["Every asset is crossed at no less than its least angle"]
    assert not answers["The whole line lies in a stated area of licence blocks"]
    assert answers["The line stays outside discouraged ground"]


def test_tie_in_zone_may_be_entered_at_the_end_only():
    zone = make_layer("platform zone", "avoid", [shapely.Point(EAST + 9000.0, NORTH)], standoff=490.0)
    line = Alignment.from_points([(EAST, NORTH), (EAST + 9000.0, NORTH)], [], CRS)
    for length, fine in ((800.0, True), (300.0, False)):
        rules = RouteRules(
            min_bend_radius_m=500.0,
            lay_tolerance_m=10.0,
            tie_in_layers=("platform zone",),
            tie_in_length_m=length,
        )
        table = zone_study([zone], CRS, rules, ZoneSettings(), line).tables["conditions"]
        answers = dict(zip(table["condition"], table["yes"], strict=True))
        assert answers["The line stays outside every zone to keep out of that is in force"]
        assert answers[f"Tie-in zones are entered only within {length:g} m of an end of the line"] == fine


def test_hostile_text_goes_through_unharmed():
    study = hostile_study()
    assert [zone.feature for zone in study.zones] == list(HOSTILE)
    assert len({zone.id for zone in study.zones}) == len(HOSTILE)


def test_nothing_to_show_is_no_fault():
    study = zone_study(
        [], CRS, RULES, ZoneSettings(), Alignment.from_points([(EAST, NORTH), (EAST + 1, NORTH)], [], CRS)
    )
    assert study.zones == () and len(study.tables["stretches"]["zone"]) == 0
    assert study.tables["conditions"]["yes"].all()
