"""Who wrote this, from what, when: carried by every output."""

from __future__ import annotations

import importlib.metadata
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from corridor.errors import InputError
from corridor.model.project import Project
from corridor.publish.folder import SOFTWARE


@dataclass(frozen=True, slots=True)
class Stamp:
    """Where a set of outputs comes from; one object serves all its files.

    Attributes
    ----------
    project, revision, crs, vertical_datum, version : str
    time : datetime
        UTC, whole seconds.
    inputs : tuple of (file, sha256)
    """

    project: str
    revision: str
    crs: str
    vertical_datum: str
    version: str
    time: datetime
    inputs: tuple[tuple[str, str], ...] = ()

    @property
    def time_text(self) -> str:
        """ISO 8601, UTC."""
        return self.time.strftime("%Y-%m-%dT%H:%M:%SZ")

    def as_dict(self) -> dict[str, Any]:
        """For JSON: plain values, inputs as a list of {file, sha256}."""
        return {
            "software": SOFTWARE,
            "version": self.version,
            "project": self.project,
            "revision": self.revision,
            "crs": self.crs,
            "vertical_datum": self.vertical_datum,
            "time": self.time_text,
            "inputs": [{"file": file, "sha256": digest} for file, digest in self.inputs],
        }

    def line(self) -> str:
        """One line for the foot of a page or the comment field of a file."""
        return f"{self.project}, revision {self.revision}, {SOFTWARE} {self.version}, {self.time_text}"


def stamp(project: Project, environ: Mapping[str, str] = os.environ) -> Stamp:
    """Describe `project` now, or at ``SOURCE_DATE_EPOCH`` where that is set.

    Source: the SOURCE_DATE_EPOCH specification of reproducible-builds.org
    (seconds since 1970-01-01 UTC).
    """
    return Stamp(
        project=project.name,
        revision=project.output.revision,
        crs=project.crs,
        vertical_datum=project.vertical_datum,
        version=version(),
        time=_time(environ.get("SOURCE_DATE_EPOCH")),
        inputs=tuple((source.file, source.sha256) for source in project.inputs),
    )


def version() -> str:
    """Version of the installed package."""
    return importlib.metadata.version(SOFTWARE)


def _time(epoch: str | None) -> datetime:
    if not epoch:
        return datetime.now(UTC).replace(microsecond=0)
    if not epoch.isdecimal():
        raise InputError(f"SOURCE_DATE_EPOCH must be whole seconds since 1970 (got {epoch!r})")
    return datetime.fromtimestamp(int(epoch), UTC)
