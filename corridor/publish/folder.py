"""A set of outputs appears as a whole or not at all.

Files are written to a hidden folder beside the target, which is renamed into
place at the end. The set it replaces is kept as ``<folder>.previous``. A folder
that this program did not write is never replaced, nor one that holds an input
of the run: both are refused before anything moves.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from corridor.errors import InputError

SOFTWARE = "corridor"
LISTING = ".corridor-set"
"""Hidden file in every set: the names of the files written, one a line."""

MARKERS = ("summary.json", "no_route.json")


@contextmanager
def output_folder(
    target: str | Path, inputs: Iterable[str | Path] = (), allowed: Iterable[str | Path] = ()
) -> Iterator[Path]:
    """Yield an empty folder to write into; it becomes `target` when the block ends well.

    Parameters
    ----------
    target : path
        The folder people will see. Its parent is created where missing.
    inputs : iterable of path
        Files the run reads. One of them inside `target` stops the run.
    allowed : iterable of path
        Inputs that may lie in `target` all the same (the alignment a reroute
        reads from the set it replaces; it stays in ``<folder>.previous``).

    Raises
    ------
    InputError
        When replacing `target` would move an input or somebody else's files.

    Notes
    -----
    Any exception, Ctrl-C included, leaves `target` as it was and removes what
    was half written.
    """
    target = _resolved(target)
    inputs, allowed = tuple(inputs), tuple(allowed)
    check_target(target, inputs, allowed)
    target.parent.mkdir(parents=True, exist_ok=True)
    _sweep(target)
    fresh = target.with_name(f".{target.name}.{os.getpid()}-{secrets.token_hex(4)}.partial")
    fresh.mkdir()
    try:
        yield fresh
        _write_listing(fresh)
        check_target(target, inputs, allowed)
        _swap(fresh, target)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def check_target(
    target: str | Path, inputs: Iterable[str | Path] = (), allowed: Iterable[str | Path] = ()
) -> None:
    """Raise :class:`InputError` when `target` must not be replaced; touch nothing.

    Call it before a long computation so that the refusal does not come at its end.
    """
    target = _resolved(target)
    previous = _previous(target)
    faults = _input_faults(target, previous, tuple(inputs), tuple(allowed))
    if target.exists():
        faults += _foreign_faults(target)
    if previous.exists():
        faults += _foreign_faults(previous) + _stray_faults(previous)
    if faults:
        raise InputError(faults)


def is_ours(folder: Path) -> bool:
    """True for an empty folder and for one that holds a set written by this program."""
    if not folder.is_dir():
        return False
    if not any(folder.iterdir()) or (folder / LISTING).is_file():
        return True
    return any(_says_software(folder / name) for name in MARKERS)


def _resolved(target: str | Path) -> Path:
    path = Path(target).expanduser().resolve()
    if not path.name:
        raise InputError(
            f"output folder must not be the root of a file system (got {path}); name a folder in it"
        )
    return path


def _previous(target: Path) -> Path:
    return target.with_name(target.name + ".previous")


def _says_software(file: Path) -> bool:
    try:
        content = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return isinstance(content, dict) and content.get("software") == SOFTWARE


def _input_faults(
    target: Path, previous: Path, inputs: tuple[str | Path, ...], allowed: tuple[str | Path, ...]
) -> list[str]:
    excused = {Path(path).resolve() for path in allowed}
    faults = []
    for given in dict.fromkeys((*inputs, *allowed)):
        path = Path(given).resolve()
        if path not in excused and _inside(path, target):
            faults.append(
                f"output folder {target} contains an input of this run, {path}; nothing was moved; "
                "choose another folder with --out or [output] folder, or move the input"
            )
        elif _inside(path, previous):
            faults.append(
                f"{previous}, which would be deleted, contains an input of this run, {path}; "
                "nothing was moved; move the input elsewhere or choose another output folder"
            )
    return faults


def _inside(path: Path, folder: Path) -> bool:
    """True when `path` is `folder` or lies in it, also by another spelling of the same place."""
    if not folder.exists():
        return path == folder or folder in path.parents
    return any(place.exists() and os.path.samefile(place, folder) for place in (path, *path.parents))


def _foreign_faults(folder: Path) -> list[str]:
    if not folder.is_dir():
        return [f"{folder} is not a folder; nothing was moved; choose another output folder"]
    if is_ours(folder):
        return []
    first = sorted(entry.name for entry in folder.iterdir())[0]
    return [
        f"{folder} holds files that {SOFTWARE} did not write ({first!r}, ...) and was left alone; "
        "choose an empty or new output folder"
    ]


def _stray_faults(previous: Path) -> list[str]:
    """Files somebody put into an old set: it is about to be deleted, they must not be."""
    listing = previous / LISTING
    if not listing.is_file():
        return []
    known = {*listing.read_text(encoding="utf-8").splitlines(), LISTING}
    stray = sorted(_names(previous) - known)
    if not stray:
        return []
    return [
        f"{previous}, which would be deleted, holds {stray[0]!r}, which {SOFTWARE} did not write; "
        "nothing was moved; move that file elsewhere or delete it"
    ]


def _names(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if not path.is_dir()}


def _write_listing(folder: Path) -> None:
    names = "\n".join(sorted(_names(folder)))
    (folder / LISTING).write_text(names + "\n", encoding="utf-8")


def _swap(fresh: Path, target: Path) -> None:
    """Rename `fresh` to `target`, keeping the old set; put everything back if a step fails.

    What has to be put back is read from the folders themselves, so that an
    interrupt between any two steps loses nothing.
    """
    previous = _previous(target)
    grave = fresh.with_name(fresh.name + ".old")
    replaced = target.exists()
    try:
        if replaced:
            if previous.exists():
                os.replace(previous, grave)
            os.replace(target, previous)
        os.replace(fresh, target)
    finally:
        if fresh.exists() and replaced:
            if not target.exists():
                os.replace(previous, target)
            if grave.exists():
                os.replace(grave, previous)
        shutil.rmtree(grave, ignore_errors=True)


def _sweep(target: Path) -> None:
    """Remove what a killed run left behind: partial folders of processes that are gone."""
    if os.name != "posix":
        return
    pattern = re.compile(rf"\.{re.escape(target.name)}\.(\d+)-[0-9a-f]{{8}}\.partial(\.old)?")
    for entry in target.parent.iterdir():
        match = pattern.fullmatch(entry.name)
        if match and entry.is_dir() and not _alive(int(match[1])):
            shutil.rmtree(entry, ignore_errors=True)


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True
