"""The sample's project file: the text that ``corridor sample`` writes."""

from __future__ import annotations

from corridor.sample import layout

_HEAD = """\
# The corridor sample: a CO2 export line from a shore terminal to an offshore platform.
#
# Fiction from end to end. The sea, its bed, the wrecks, lines, zones, owners and names are
# invented; nothing here stands for a real place, project, vessel, company or person. The
# figures are chosen to make a route worth searching for. They are no recommendation, and
# nothing made from them is fit for construction or navigation.
#
# Written by `corridor sample`. Depths are metres below chart datum; the rasters hold
# elevations (negative below water).

[project]
name = "Sample CO2 export line (invented)"
crs = "EPSG:32740"
vertical_datum = "LAT"
"""

_SURVEY = """
[[seabed]]
file = "{file}"
values = "elevation"
uncertainty = {{a_m = 0.25, b = 0.0075}}
"""

_REGIONAL = """
[[seabed]]                      # the whole sheet at 20 m, with two holes in it
file = "seabed_regional.tif"
values = "elevation"
uncertainty = {a_m = 0.5, b = 0.013}
"""

_LAYERS = """
[[layer]]
name = "wrecks"
file = "obstructions.gpkg"
table = "wrecks"
rule = "avoid"
standoff_m = 100
position_uncertainty_m = "uncertainty_m"

[[layer]]
name = "protected reef"
file = "protected_reef.geojson"
rule = "avoid"
standoff_m = 250

[[layer]]
name = "practice area"
file = "obstructions.gpkg"
table = "practice_area"
rule = "avoid"
standoff_m = 100

[[layer]]
name = "anchorage"
file = "obstructions.gpkg"
table = "anchorage"
rule = "avoid"
standoff_m = 200

[[layer]]
name = "spoil ground"
file = "obstructions.gpkg"
table = "spoil_ground"
rule = "avoid"
standoff_m = 50

[[layer]]
name = "rock berms"
file = "obstructions.gpkg"
table = "rock_berms"
rule = "avoid"
standoff_m = "keep_off_m"

[[layer]]
name = "pockmarks"
file = "obstructions.gpkg"
table = "pockmarks"
rule = "avoid"
standoff_m = "keep_off_m"

[[layer]]
name = "platform zone"
file = "platform_zone.shp"
rule = "avoid"
standoff_m = 0

[[layer]]
name = "approved corridor"
file = "obstructions.gpkg"
table = "approved_corridor"
rule = "stay_within"

[[layer]]
name = "pipelines"
file = "obstructions.gpkg"
table = "pipelines"
rule = "cross"
where = "status <> 'removed'"
min_angle_deg = 60
straight_each_side_m = 150
crossing_cost_m = 2000

[[layer]]
name = "cables"
file = "obstructions.gpkg"
table = "cables"
rule = "cross"
min_angle_deg = 45
straight_each_side_m = 150
crossing_cost_m = 1000

[[layer]]
name = "trawl grounds"
file = "obstructions.gpkg"
table = "trawl_grounds"
rule = "discourage"
factor = 1.6
"""

_RULES = """
[route]
start = {{easting = {start[0]:.0f}, northing = {start[1]:.0f}, bearing_deg = 70}}
end = {{easting = {end[0]:.0f}, northing = {end[1]:.0f}}}
tie_in_layers = ["platform zone"]
tie_in_length_m = 800
lay_tolerance_m = 10
end_straight_m = 500
min_bend_radius_m = 1500
min_straight_m = 200
max_slope_along_deg = 12
max_slope_across_deg = 8
slope_baseline_m = 24
depth_range_m = [8, 450]
bend_cost_m = 150
slope_cost = 1.0
search_cell_m = 20

[pipe]
outside_diameter_m = 0.508
wall_thickness_m = 0.0206
coating = [{{thickness_m = 0.04, density_kg_m3 = 3040}}]
contents_density_kg_m3 = 0.0
residual_tension_kN = 200
joint_length_m = 12.2
yield_strength_MPa = 450

[environment]
water_density_kg_m3 = 1025
current_m_s = 0.4
wave_velocity_m_s = 0.1
soil_stiffness_static_kN_m2 = 300
soil_stiffness_dynamic_kN_m2 = 3000
lateral_friction = 0.6

[output]
folder = "out"
kp_interval_m = 100
"""


SURVEY_TABLE = """
[survey]                        # how new soundings are judged: corridor survey project.toml new_survey.laz
order = "1a"                    # of IHO S-44; failing it is exit code 5
uncertainty = {a_m = 0.2, b = 0.004}
contact_height_m = 2.0          # least height of an object; default: the order's feature size
"""
"""How the sample judges new soundings."""


def project_text() -> str:
    """The project file as text, its seabed and ends taken from :mod:`corridor.sample.layout`."""
    surveys = [_SURVEY.format(file=layout.block_file(k + 1)) for k in range(layout.STRIP_BLOCKS)]
    rules = _RULES.format(start=layout.at(*layout.START_KM), end=layout.at(*layout.END_KM))
    return "".join([_HEAD, *surveys, _REGIONAL, _LAYERS, rules, SURVEY_TABLE])
