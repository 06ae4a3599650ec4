"""First pass: read every file once, screen the soundings, share them out among tiles."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import DTypeLike, NDArray
from pyproj import CRS, Transformer

from corridor.errors import SeabedError
from corridor.kernels.survey_stream import ABSURD, NOT_FINITE, OUTSIDE, SOUND, screen
from corridor.model.survey import FileCensus, RawSoundings, SoundingFile, Soundings, SurveySettings
from corridor.progress import Progress, silent
from corridor.survey.tiles import TilePlan, block_keys, plan_tiles, share_out

SAMPLE_PER_BATCH = 500
SAMPLE_MOST = 20_000

Project2D = Callable[[NDArray, NDArray], tuple[NDArray, NDArray]]


class Store(Protocol):
    """Where the soundings wait between the passes (see :mod:`corridor.io.survey_store`)."""

    def append(self, tiles: list[tuple[int, int]], start: NDArray, columns: list[NDArray]) -> None: ...
    def tiles(self) -> list[tuple[int, int]]: ...
    def count(self, tile: tuple[int, int]) -> int: ...
    def stretches(self, tile: tuple[int, int]) -> Iterator[list[NDArray]]: ...
    def array(self, shape: tuple[int, int], dtype: DTypeLike, fill: float) -> NDArray: ...
    def rest(self) -> None: ...


@dataclass(frozen=True, slots=True, eq=False)
class Collected:
    """What the first pass leaves behind, besides the store.

    Attributes
    ----------
    files : tuple of FileCensus
    extent_m : (west, south, east, north) of the soundings kept, m
    plan : TilePlan or None
        None when nothing was kept.
    density_per_m2 : float
        Soundings per area covered.
    uncertainty : bool
        Whether the store's columns hold an uncertainty for every sounding.
    lines : tuple of str
        Names of the survey lines; a file without line names is a line of its own.
    """

    files: tuple[FileCensus, ...]
    extent_m: tuple[float, float, float, float]
    plan: TilePlan | None
    density_per_m2: float
    uncertainty: bool
    lines: tuple[str, ...]

    @property
    def kept(self) -> int:
        """Soundings kept."""
        return sum(census.kept for census in self.files)


def collect(
    files: Iterable[SoundingFile],
    store: Store,
    settings: SurveySettings,
    crs: str,
    region_m: tuple[float, float, float, float],
    progress: Progress = silent,
) -> Collected:
    """Read, screen and store all soundings.

    Parameters
    ----------
    files : iterable of SoundingFile
        Taken in the order of their hashes, so that the order given does not matter.
    store : Store
        Columns easting, northing, depth, line and, where every file has it, uncertainty.
    settings : SurveySettings
    crs : str, the project's
    region_m : (west, south, east, north), m
        Soundings beyond it are outside.

    Notes
    -----
    Nothing is refused here: :func:`corridor.survey.contradictions.find` and
    :func:`check_screened` judge what was found.
    """
    files = sorted(files, key=lambda file: file.sha256)
    pass_ = _Pass(store, settings, region_m, all(file.has_uncertainty for file in files))
    for number, file in enumerate(files):
        pass_.read(file, transformer(file.crs, crs), _part(progress, number, len(files)))
    progress("reading soundings", 1.0)
    return pass_.result()


def _part(progress: Progress, number: int, files: int) -> Callable[[float], None]:
    """Progress within one of several files."""
    return lambda share: progress("reading soundings", (number + share) / files)


def check_screened(files: Iterable[FileCensus], settings: SurveySettings) -> None:
    """Raise :class:`SeabedError` for every file with more unusable soundings than ``max_bad_share``."""
    faults = [fault for census in files for fault in _faults(census, settings)]
    if faults:
        raise SeabedError(faults)


def transformer(source: str, target: str) -> Project2D:
    """From one horizontal CRS to another, x before y; never by a mere approximation of the datum."""
    if CRS.from_user_input(source).equals(CRS.from_user_input(target), ignore_axis_order=True):
        return lambda x, y: (x, y)
    change = Transformer.from_crs(source, target, always_xy=True, allow_ballpark=False)
    return lambda x, y: change.transform(x, y)


def on_project(raw: RawSoundings, file: SoundingFile, place: Project2D) -> Soundings:
    """A batch on the project grid: depth positive down, on the project's datum."""
    easting, northing = place(raw.x, raw.y)
    depth = file.sign * file.unit_m * raw.z + file.offset_m
    uncertainty = raw.uncertainty
    if uncertainty is not None:
        uncertainty = uncertainty * (file.uncertainty_factor * file.unit_m)
    return Soundings(easting, northing, depth, uncertainty, raw.line)


class _Pass:
    """The running state of the first pass."""

    def __init__(
        self, store: Store, settings: SurveySettings, region_m: tuple[float, ...], uncertainty: bool
    ):
        self.store = store
        self.settings = settings
        self.west, self.south, self.east, self.north = map(float, region_m)
        self.uncertainty = uncertainty
        self.plan: TilePlan | None = None
        self.files: list[FileCensus] = []
        self.lines: dict[str, int] = {}
        self.extent = (np.inf, np.inf, -np.inf, -np.inf)
        self.blocks: NDArray[np.int64] = np.empty(0, dtype=np.int64)

    def read(self, file: SoundingFile, place: Project2D, progress: Callable[[float], None]) -> None:
        counts = np.zeros(4, dtype=np.int64)
        depths = [np.inf, -np.inf]
        samples: list[NDArray] = []
        for number, raw in enumerate(file.batches()):
            samples.append(_sample(raw, max(1, SAMPLE_PER_BATCH >> (number // 64))))
            batch, batch_counts = self._screened(on_project(raw, file, place))
            counts += batch_counts
            if len(batch):
                depths = [min(depths[0], batch.depth_m.min()), max(depths[1], batch.depth_m.max())]
                self._keep(batch, self._line_codes(file, batch))
            progress(1.0 - 0.97**number)
        self.files.append(_census(file, counts, depths, samples))

    def _screened(self, batch: Soundings) -> tuple[Soundings, NDArray[np.int64]]:
        shallow, deep = self.settings.depth_limits_m
        verdict = np.empty(len(batch), dtype=np.uint8)
        counts = screen(
            batch.easting_m,
            batch.northing_m,
            batch.depth_m,
            shallow,
            deep,
            self.west,
            self.south,
            self.east,
            self.north,
            verdict,
        )
        if batch.uncertainty_m is not None:
            void = (verdict == SOUND) & ~(batch.uncertainty_m > 0.0)
            verdict[void] = NOT_FINITE
            counts = np.bincount(verdict, minlength=4)
        if counts[SOUND] == len(batch):
            return batch, counts
        good = verdict == SOUND
        kept = Soundings(
            batch.easting_m[good],
            batch.northing_m[good],
            batch.depth_m[good],
            None if batch.uncertainty_m is None else batch.uncertainty_m[good],
            None if batch.line is None else batch.line[good],
        )
        return kept, counts

    def _line_codes(self, file: SoundingFile, batch: Soundings) -> NDArray[np.int32]:
        """Numbers of the survey's lines; a name met in several files is one line."""
        names = file.lines or [file.name]
        table = np.array([self.lines.setdefault(name, len(self.lines)) for name in names], dtype=np.int32)
        return np.full(len(batch), table[0]) if batch.line is None else table[batch.line]

    def _keep(self, batch: Soundings, line: NDArray[np.int32]) -> None:
        if self.plan is None:
            self.plan = plan_tiles(batch, self.settings.cell_m)
        west, south, east, north = self.extent
        self.extent = (
            min(west, float(batch.easting_m.min())),
            min(south, float(batch.northing_m.min())),
            max(east, float(batch.easting_m.max())),
            max(north, float(batch.northing_m.max())),
        )
        self.blocks = np.union1d(
            self.blocks, block_keys(batch.easting_m, batch.northing_m, self.plan.block_m)
        )
        columns: list[NDArray] = [
            batch.easting_m,
            batch.northing_m,
            batch.depth_m,
            line,
        ]
        if self.uncertainty and batch.uncertainty_m is not None:
            columns.append(batch.uncertainty_m.astype(np.float32))
        tiles, start, sounding = share_out(batch, self.plan)
        self.store.append(tiles, start, [column[sounding] for column in columns])

    def result(self) -> Collected:
        kept = sum(census.kept for census in self.files)
        area = len(self.blocks) * self.plan.block_m**2 if self.plan else np.nan
        return Collected(
            tuple(self.files), self.extent, self.plan, kept / area, self.uncertainty, tuple(self.lines)
        )


def _sample(raw: RawSoundings, count: int) -> NDArray[np.float64]:
    step = max(1, len(raw.z) // count)
    return np.column_stack([raw.x[::step], raw.y[::step], raw.z[::step]])


def _census(file: SoundingFile, counts: NDArray, depths: list[float], samples: list[NDArray]) -> FileCensus:
    sample = np.concatenate(samples) if samples else np.empty((0, 3))
    sample = sample[np.isfinite(sample).all(axis=1)]
    return FileCensus(
        name=file.name,
        sha256=file.sha256,
        kind=file.kind,
        read=int(counts.sum()),
        kept=int(counts[SOUND]),
        not_finite=int(counts[NOT_FINITE]),
        absurd=int(counts[ABSURD]),
        outside=int(counts[OUTSIDE]),
        shoalest_m=float(depths[0]),
        deepest_m=float(depths[1]),
        sample=sample[:: len(sample) // SAMPLE_MOST + 1],
        notes=file.notes,
    )


def _faults(census: FileCensus, settings: SurveySettings) -> list[str]:
    """More bad soundings than the setting allows."""
    bad = census.read - census.kept
    if census.read == 0:
        return [f"{census.name} holds no soundings"]
    if bad <= settings.max_bad_share * census.read:
        return []
    shallow, deep = settings.depth_limits_m
    kinds = (
        f"{census.not_finite} not a number, {census.absurd} with a depth outside {shallow:g} to {deep:g} m, "
        f"{census.outside} outside the project"
    )
    return [
        f"{census.name}: {bad} of {census.read} soundings ({100.0 * bad / census.read:.2g} %) cannot be "
        f"used: {kinds}; at most {100.0 * settings.max_bad_share:g} % are tolerated; mend the file, or raise "
        "max_bad_share or depth_limits_m in [survey]"
    ]
