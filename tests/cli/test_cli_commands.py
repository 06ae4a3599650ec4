"""The commands from outside: exit codes, what stands on stdout, what stays behind.

The contract is this project's own: the README states exit codes and options.
"""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from corridor.cli import main

from .conftest import Folder


def run(*words: object) -> int:
    return main([str(word) for word in words])


def leftovers(folder: Folder) -> list[str]:
    """What a run left beside its inputs."""
    inputs = {"project.toml", "seabed.tif", "wrecks.geojson", "cables.geojson", "line.csv"}
    return sorted(entry.name for entry in folder.path.iterdir() if entry.name not in inputs)


# --- 0: done --------------------------------------------------------------------------------------


def test_route_writes_the_set_and_tells_the_story(folder: Folder, capsys) -> None:
    assert run("route", folder.project) == 0
    told = capsys.readouterr()
    assert "status           ok" in told.out and str(folder.out) in told.out
    assert [line for line in told.err.splitlines() if line.startswith("search")] == ["search ..."]
    content = json.loads((folder.out / "summary.json").read_text(encoding="utf-8"))
    assert content["status"] == "ok" and content["crossings"] == 1
    for name in ("alignment.csv", "chainage.csv", "route.geojson", "route.gpkg", "map.html"):
        assert (folder.out / name).stat().st_size > 0, name
    assert leftovers(folder) == ["out"]


def test_json_is_the_summary_and_nothing_else(folder: Folder, capfd) -> None:
    """capfd sees what libraries write to the streams behind Python's back as well."""
    assert run("route", folder.project, "--json", "--out", folder.path / "other") == 0
    told = capfd.readouterr()
    assert json.loads(told.out) == json.loads((folder.path / "other" / "summary.json").read_text())
    assert told.out.count("\n") == 1 and told.err == ""


def test_quiet_leaves_stderr_empty(folder: Folder, capfd) -> None:
    assert run("route", folder.project, "--quiet") == 0
    told = capfd.readouterr()
    assert told.err == "" and "length" in told.out


def test_a_second_run_keeps_the_first_beside_it(folder: Folder, capsys) -> None:
    for _ in range(2):
        assert run("route", folder.project, "--quiet") == 0
    assert leftovers(folder) == ["out", "out.previous"]
    lines = [(folder.path / name / "alignment.csv").read_bytes() for name in leftovers(folder)]
    assert lines[0] == lines[1]


def test_assessing_what_route_wrote_gives_the_same_figures(folder: Folder, capsys) -> None:
    assert run("route", folder.project, "--json") == 0
    routed = json.loads(capsys.readouterr().out)
    line = folder.path / "line.csv"
    line.write_bytes((folder.out / "alignment.csv").read_bytes())
    assert run("assess", folder.project, "--alignment", line, "--json") == 0
    assessed = json.loads(capsys.readouterr().out)
    assert assessed["length_m"] == pytest.approx(routed["length_m"], abs=1e-3)
    assert assessed["cost_m"] == pytest.approx(routed["cost_m"], abs=1e-2)
    assert [c["rule"] for c in assessed["checks"]] == [c["rule"] for c in routed["checks"]]
    assert assessed["lower_bound_m"] is None and assessed["gap_percent"] is None


def test_check_reads_everything_and_writes_nothing(folder: Folder, capsys) -> None:
    assert run("check", folder.project) == 0
    page = capsys.readouterr().out
    for word in ("Invented line", "seabed.tif", "60 x 90", "30.0 to 80.0", "wrecks", "cables", "3.450 km"):
        assert word in page
    assert "Warnings: none" in page and leftovers(folder) == []
    assert run("check", folder.project, "--json") == 0
    content = json.loads(capsys.readouterr().out)
    assert content["status"] == "ok" and content["layers"][0]["features"] == 1
    assert leftovers(folder) == []


def test_zones_writes_a_set_of_its_own(folder: Folder, capfd) -> None:
    words = ("zones", folder.project, "--alignment", folder.line(), "--format", "csv,geojson", "--json")
    assert run(*words) == 5  # nobody is named as owner of the cable, or as authority for the wreck
    content = json.loads(capfd.readouterr().out)
    assert content["status"] == "rules broken"
    assert content["zones"]["avoid"] == {"zones": 1, "in_force": 1}
    folder.edit(
        ("standoff_m = 100", 'standoff_m = 100\nauthority = "Kettle office"\nlegal_basis = "Kettle act"'),
        ("crossing_cost_m = 500", 'crossing_cost_m = 500\nowner = "Ladle Grid"'),
    )
    assert run(*words) == 0
    assert json.loads(capfd.readouterr().out)["status"] == "ok"
    names = {file.name for file in (folder.path / "out_zones").iterdir()}
    assert {"zones.csv", "zones_list.csv", "zones.geojson", "permit_conditions.csv"} <= names
    assert leftovers(folder) == ["out_zones", "out_zones.previous"]


# --- 2: usage -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [[], ["frobnicate"], ["route"], ["route", "p.toml", "--frobnicate"], ["assess", "p.toml"],
     ["assess", "p.toml", "--alignment", "a.csv", "--radius-m", "wide"]],
    ids=lambda words: " ".join(words) or "nothing",
)  # fmt: skip
def test_usage(words: list[str], capsys) -> None:
    with pytest.raises(SystemExit) as stop:
        main(words)
    told = capsys.readouterr()
    assert stop.value.code == 2 and told.out == "" and "usage:" in told.err


# --- 3: bad input ---------------------------------------------------------------------------------

BAD = {
    "unknown key": (("min_bend_radius_m", "min_bend_radius"), "min_bend_radius_m"),
    "negative radius": (("radius_m = 300", "radius_m = -5"), "min_bend_radius_m must be > 0"),
    "degrees": (('"EPSG:32740"', '"EPSG:4326"'), "projected"),
    "missing raster": (("seabed.tif", "nothing.tif"), "nothing.tif"),
    "an address": (('"seabed.tif"', '"https://example.org/seabed.tif"'), "not an address"),
    "start outside": (("easting = 400525", "easting = 399000"), "must lie on the seabed"),
    "start in a zone": (("easting = 400525", "easting = 401990"), "wrecks"),
    "wrong sign": (('"elevation"', '"depth"'), "values"),
    "infinite": (("lay_tolerance_m = 10", "lay_tolerance_m = inf"), "finite"),
    "broken TOML": (("[route]", "[route"), "not valid TOML"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
@pytest.mark.parametrize("command", ["check", "route"])
def test_bad_input_says_what_and_leaves_nothing(folder: Folder, capsys, command: str, name: str) -> None:
    change, word = BAD[name]
    folder.edit(change)
    assert run(command, folder.project) == 3
    told = capsys.readouterr()
    assert told.out == "" and word in told.err and "Traceback" not in told.err
    complaints = [line for line in told.err.splitlines() if not line.endswith(" ...")]
    assert complaints and all(line.startswith("corridor: ") for line in complaints)
    assert leftovers(folder) == []


def test_bad_input_as_json(folder: Folder, capfd) -> None:
    folder.edit(("min_bend_radius_m = 300", "min_bend_radius_m = -5"), ('"elevation"', '"height"'))
    assert run("route", folder.project, "--json") == 3
    content = json.loads(capfd.readouterr().out)
    assert content["status"] == "bad input" and len(content["messages"]) == 2


def test_bad_alignments(folder: Folder, capsys) -> None:
    missing = folder.path / "none.csv"
    assert run("assess", folder.project, "--alignment", missing) == 3
    assert "none.csv" in capsys.readouterr().err
    line = folder.line()
    line.write_text(line.read_text().replace("402000", "east"))
    assert run("assess", folder.project, "--alignment", line) == 3
    assert "easting_m must be a finite number (got 'east')" in capsys.readouterr().err
    assert run("assess", folder.project, "--alignment", folder.line(), "--radius-m", "-1") == 3
    assert leftovers(folder) == []


@pytest.mark.parametrize("place", ["https://example.org/p.toml", "/vsicurl/p.toml", ".", "none.toml"])
def test_a_project_that_is_no_file(place: str, tmp_path: Path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("check", place) == 3
    assert "must be an existing file on this computer" in capsys.readouterr().err


def test_outputs_never_replace_inputs_or_strangers(folder: Folder, capsys) -> None:
    before = {file.name: file.read_bytes() for file in folder.path.iterdir()}
    assert run("route", folder.project, "--out", folder.path) == 3
    assert "contains an input of this run" in capsys.readouterr().err
    other = folder.path / "other"
    other.mkdir()
    (other / "letter.txt").write_text("mine")
    assert run("route", folder.project, "--out", other) == 3
    assert [file.name for file in other.iterdir()] == ["letter.txt"]
    assert {file.name: file.read_bytes() for file in folder.path.iterdir() if file.is_file()} == before


def test_a_folder_that_cannot_be_written_is_refused_before_any_work(folder: Folder, capsys) -> None:
    target = folder.project / "out"  # a file is no folder, for root neither
    assert run("route", folder.project, "--out", target) == 3
    told = capsys.readouterr()
    assert "can be written to" in told.err and "ground ..." not in told.err


def test_the_sample_is_not_written_over_anything(tmp_path: Path, capsys) -> None:
    (tmp_path / "project.toml").write_text("mine")
    assert run("sample", tmp_path, "--json") == 3
    assert json.loads(capsys.readouterr().out)["status"] == "bad input"
    assert [file.name for file in tmp_path.iterdir()] == ["project.toml"]


# --- 4: no route ----------------------------------------------------------------------------------


def test_no_route_is_explained(folder: Folder, capsys) -> None:
    folder.wall()
    assert run("route", folder.project) == 4
    told = capsys.readouterr()
    assert "status           no route" in told.out
    names = sorted(file.name for file in folder.out.iterdir() if not file.name.startswith("."))
    assert names == ["no_route.geojson", "no_route.html", "no_route.json"]
    content = json.loads((folder.out / "no_route.json").read_text())
    assert content["status"] == "no route" and content["reasons"]


def test_no_route_as_json_and_nothing_stale(folder: Folder, capfd) -> None:
    assert run("route", folder.project, "--quiet") == 0
    folder.wall()
    capfd.readouterr()
    assert run("route", folder.project, "--json") == 4
    told = capfd.readouterr()
    assert json.loads(told.out) == json.loads((folder.out / "no_route.json").read_text())
    assert told.err == ""
    assert not (folder.out / "alignment.csv").exists()
    assert (folder.path / "out.previous" / "alignment.csv").exists()


# --- 5: done, but a rule is broken ----------------------------------------------------------------


def test_a_broken_rule_is_told_and_everything_written(folder: Folder, capsys) -> None:
    assert run("assess", folder.project, "--alignment", folder.line(radius=0.0)) == 5
    told = capsys.readouterr()
    assert "BROKEN           min_bend_radius_m, KP 1.5" in told.out
    content = json.loads((folder.out / "summary.json").read_text())
    assert content["status"] == "rules broken"
    assert {check["rule"] for check in content["checks"] if not check["ok"]} == {"min_bend_radius_m"}
    with (folder.out / "alignment.csv").open(encoding="utf-8", newline="") as file:
        assert [row["point"] for row in csv.DictReader(file)] == ["START", "IP1", "END"]


def test_the_default_radius_is_the_projects(folder: Folder, capsys) -> None:
    line = folder.line()
    line.write_text(line.read_text().replace(",400.0", ","))
    assert run("assess", folder.project, "--alignment", line, "--json") == 0
    assert json.loads(capsys.readouterr().out)["min_radius_m"] == 300.0
    assert run("assess", folder.project, "--alignment", line, "--radius-m", "250", "--json") == 5
    assert json.loads(capsys.readouterr().out)["min_radius_m"] == 250.0


# --- what data may not do -------------------------------------------------------------------------


def test_names_do_not_steer_the_terminal(folder: Folder, capsys) -> None:
    import shapely

    hostile = "\x1b[31mred\x07\nSECOND LINE"
    folder.layer("wrecks", [shapely.Point(402_000.0, 8_263_830.0)], [hostile])
    assert run("assess", folder.project, "--alignment", folder.line()) == 5
    told = capsys.readouterr().out
    assert "red" in told and "\x1b" not in told and "\x07" not in told
    assert not [line for line in told.splitlines() if line.startswith("SECOND LINE")]


@pytest.mark.skipif(sys.platform == "win32", reason="pipes end otherwise there")
def test_a_reader_that_goes_away_is_no_fault_to_shout_about(folder: Folder) -> None:
    read, write = os.pipe()
    os.close(read)
    words = ["check", str(folder.project), "--quiet"]
    script = f"from corridor.cli import main; raise SystemExit(main({words!r}))"
    done = subprocess.run([sys.executable, "-c", script], stdout=write, stderr=subprocess.PIPE, text=True)
    os.close(write)
    assert done.returncode == 1 and "Traceback" not in done.stderr


def test_the_user_may_stop_it(folder: Folder, monkeypatch, capsys) -> None:
    import corridor.workflow

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(corridor.workflow, "route", interrupted)
    assert run("route", folder.project, "--json") == 1
    assert json.loads(capsys.readouterr().out)["status"] == "stopped"
    assert leftovers(folder) == []
