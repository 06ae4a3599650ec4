"""Outputs appear as a whole or not at all, and nobody else's files are ever moved."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from corridor.errors import InputError
from corridor.publish import folder as folder_module
from corridor.publish.folder import LISTING, check_target, is_ours, output_folder


def write_set(target: Path, **files: str) -> None:
    with output_folder(target) as fresh:
        (fresh / "summary.json").write_text(json.dumps({"software": "corridor"}))
        for name, text in files.items():
            (fresh / f"{name}.txt").write_text(text)


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_new_set_replaces_the_old_one_as_a_whole(tmp_path: Path) -> None:
    out = tmp_path / "deep" / "out"
    write_set(out, old="1")
    write_set(out, new="2")
    assert names(out) == {"summary.json", "new.txt", LISTING}
    assert names(tmp_path / "deep" / "out.previous") == {"summary.json", "old.txt", LISTING}
    write_set(out, third="3")
    assert names(tmp_path / "deep" / "out.previous") == {"summary.json", "new.txt", LISTING}
    assert names(tmp_path / "deep") == {"out", "out.previous"}


@pytest.mark.parametrize("fault", [RuntimeError, KeyboardInterrupt, SystemExit])
def test_a_failure_or_interrupt_leaves_everything_as_it_was(tmp_path: Path, fault: type) -> None:
    out = tmp_path / "out"
    write_set(out, old="1")
    with pytest.raises(fault), output_folder(out) as fresh:
        (fresh / "half.txt").write_text("half")
        raise fault
    assert names(out) == {"summary.json", "old.txt", LISTING}
    assert names(tmp_path) == {"out"}


@pytest.mark.parametrize("step", [1, 2, 3])
def test_an_interrupt_between_the_renames_puts_the_old_sets_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    out = tmp_path / "out"
    write_set(out, first="1")
    write_set(out, second="2")
    calls, real = [], os.replace

    def stop(source, goal):
        calls.append(source)
        if len(calls) == step:
            raise KeyboardInterrupt
        real(source, goal)

    monkeypatch.setattr(folder_module.os, "replace", stop)
    with pytest.raises(KeyboardInterrupt):
        write_set(out, third="3")
    assert (out / "second.txt").read_text() == "2"
    assert (tmp_path / "out.previous" / "first.txt").read_text() == "1"
    assert names(tmp_path) == {"out", "out.previous"}


def test_an_input_in_the_folder_is_named_and_nothing_moves(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_set(out, old="1")
    seabed = out / "old.txt"
    with pytest.raises(InputError, match=r"old\.txt"), output_folder(out, inputs=[seabed]):
        pass
    assert names(tmp_path) == {"out"} and seabed.read_text() == "1"


def test_an_input_reached_by_a_link_is_still_inside(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_set(out, old="1")
    (tmp_path / "alias").symlink_to(out)
    with pytest.raises(InputError, match="nothing was moved"):
        check_target(tmp_path / "alias", inputs=[out / "old.txt"])
    with pytest.raises(InputError, match="nothing was moved"):
        check_target(out, inputs=[tmp_path / "alias" / "old.txt"])


def test_reroute_may_read_its_alignment_from_the_set_it_replaces(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_set(out, alignment="line")
    line = out / "alignment.txt"
    with output_folder(out, inputs=[line], allowed=[line]) as fresh:
        (fresh / "summary.json").write_text(json.dumps({"software": "corridor"}))
    assert (tmp_path / "out.previous" / "alignment.txt").read_text() == "line"


def test_an_input_in_the_set_about_to_be_deleted_is_refused_even_if_allowed(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_set(out, alignment="line")
    write_set(out, other="x")
    line = tmp_path / "out.previous" / "alignment.txt"
    with pytest.raises(InputError, match="would be deleted"):
        check_target(out, inputs=[line], allowed=[line])


def test_a_folder_of_somebody_else_is_left_alone(tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    (home / "thesis.txt").write_text("ten years")
    (home / "summary.json").write_text('{"software": "something else"}')
    with pytest.raises(InputError, match="did not write"), output_folder(home):
        pass
    assert (home / "thesis.txt").read_text() == "ten years"
    assert not is_ours(home)


def test_files_somebody_put_into_an_old_set_are_not_deleted(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_set(out, a="1")
    (out / "my notes.txt").write_text("mine")
    write_set(out, b="2")
    with pytest.raises(InputError, match="my notes"):
        write_set(out, c="3")
    assert (tmp_path / "out.previous" / "my notes.txt").read_text() == "mine"


def test_an_empty_folder_may_be_used_and_a_file_may_not(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    write_set(out, a="1")
    assert (out / "a.txt").exists()
    plain = tmp_path / "plain"
    plain.write_text("x")
    with pytest.raises(InputError, match="not a folder"):
        check_target(plain)
    with pytest.raises(InputError, match="root of a file system"):
        check_target("/")


def test_what_a_killed_run_left_is_swept_and_a_live_one_is_not(tmp_path: Path) -> None:
    dead = tmp_path / ".out.999999999-0123abcd.partial"
    live = tmp_path / f".out.{os.getppid()}-0123abcd.partial"
    other = tmp_path / ".out.mine.partial"
    for folder in (dead, live, other):
        folder.mkdir()
    write_set(tmp_path / "out", a="1")
    assert not dead.exists() and live.exists() and other.exists()
