"""Project: everything one study needs, read and checked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from corridor.model.fields import setting, validate
from corridor.model.layers import Layer
from corridor.model.pipe import Environment, Pipe
from corridor.model.rules import RouteEnd, RouteRules
from corridor.model.seabed import Seabed


@dataclass(frozen=True, slots=True)
class OutputSettings:
    """The ``[output]`` table."""

    folder: str = setting("out")
    kp_interval_m: float = setting(100.0, above=0.0)
    revision: str = setting("A")

    def __post_init__(self) -> None:
        validate(self)


@dataclass(frozen=True, slots=True)
class SourceFile:
    """An input file and the hash of its content when it was read."""

    file: str
    sha256: str


@dataclass(frozen=True, slots=True, eq=False)
class Project:
    """One study: the ground, the obstructions, the rules and the two ends.

    Attributes
    ----------
    name, crs, vertical_datum : str
    seabed : Seabed
    layers : tuple of Layer
    rules : RouteRules
    start, end : RouteEnd
    via : tuple of RouteEnd
    pipe : Pipe or None
    environment : Environment or None
    output : OutputSettings
    file : Path
        The project file; relative paths start at its folder.
    inputs : tuple of SourceFile
    settings : mapping
        The project file as read, for the record.
    tables : mapping
        Settings of further tables of the project file: name -> settings object.
    warnings : tuple of str
        What was found on reading that does not stop the work.
    """

    name: str
    crs: str
    vertical_datum: str
    seabed: Seabed
    layers: tuple[Layer, ...]
    rules: RouteRules
    start: RouteEnd
    end: RouteEnd
    via: tuple[RouteEnd, ...] = ()
    pipe: Pipe | None = None
    environment: Environment | None = None
    output: OutputSettings = field(default_factory=OutputSettings)
    rates: Mapping[str, float] = field(default_factory=dict)
    file: Path = Path("project.toml")
    inputs: tuple[SourceFile, ...] = ()
    settings: Mapping[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    tables: Mapping[str, Any] = field(default_factory=dict)

    @property
    def out_folder(self) -> Path:
        """Where the outputs go: `output.folder` beside the project file."""
        return self.file.parent / self.output.folder

    def layer(self, name: str) -> Layer:
        """The layer called `name`; KeyError if there is none."""
        for layer in self.layers:
            if layer.name == name:
                return layer
        raise KeyError(name)
