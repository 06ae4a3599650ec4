"""Processor time per alignment sheet, against a plain matplotlib page of the same size in the same run.

Run with ``pytest -n 0 -m benchmark -s tests/benchmarks/test_sheets_benchmark.py``.
The plain page is what anyone would draw by hand: A3, a picture, its contours, a
profile and a table of words. Times and ratios are printed; what is asserted is
that the set is whole, that a sheet takes less than it is allowed to, and that
memory does not grow with the number of sheets.
"""

from __future__ import annotations

import resource
import time
from pathlib import Path

import matplotlib
import numpy as np
import pypdf
import pytest
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from corridor.model.publication import SheetSettings
from corridor.publish.provenance import stamp
from corridor.publish.sheets import sheet_set, write_sheets
from corridor.publish.zones_sheet_page import SETTINGS

from ..publish.synthetic import make_study
from ..publish.test_map_long import long_study

pytestmark = pytest.mark.benchmark

MOST_CPU_S = 1.5
"""Asked for, per sheet."""


def plain_page(seed: int) -> Figure:
    """A3: a shaded picture of 1,300 x 580 cells with eight contours, a profile of 3,000 points, 250 words."""
    rng = np.random.default_rng(seed)
    ground = np.cumsum(rng.normal(size=(580, 1300)), axis=1) * 0.05
    figure = Figure(figsize=(16.54, 11.69))
    plan = figure.add_axes((0.07, 0.55, 0.72, 0.42))
    plan.imshow(rng.random((580, 1300, 3)), extent=(0, 1300, 0, 580), aspect="auto")
    plan.contour(ground, levels=8, colors="black", linewidths=0.3)
    profile = figure.add_axes((0.07, 0.28, 0.72, 0.24))
    profile.plot(np.arange(3000), np.cumsum(rng.normal(size=3000)))
    for row in range(10):
        for column in range(25):
            figure.text(0.02 + 0.03 * column, 0.02 + 0.02 * row, f"{row}.{column:03d}", fontsize=6)
    return figure


def cpu_per_page(pages: int, path: Path) -> float:
    begin = time.process_time()
    with matplotlib.rc_context(SETTINGS), PdfPages(path) as document:  # type: ignore[arg-type]
        for seed in range(pages):
            document.savefig(plain_page(seed))
    return (time.process_time() - begin) / pages


def test_a_sheet_against_a_plain_page(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    study = make_study(tmp_path)
    data = sheet_set(study, stamp(study.project), SheetSettings(kp_per_sheet_km=1.0))
    write_sheets(data, tmp_path)  # fonts are found once a process
    cpu_per_page(1, tmp_path / "plain.pdf")
    begin = time.process_time()
    files = write_sheets(data, tmp_path)
    pages = sum(len(pypdf.PdfReader(file).pages) for file in files)
    ours = (time.process_time() - begin) / pages
    plain = cpu_per_page(6, tmp_path / "plain.pdf")
    with capsys.disabled():
        print(f"\nsheet {ours:.2f} s, plain page {plain:.2f} s of processor time: {ours / plain:.1f} times")
    assert pages == len(data.strips) + 1 == 10
    assert ours < MOST_CPU_S


def test_a_thousand_kilometres_in_bounded_memory(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    """Sheets of 10 km: all of them take at their peak little more than those of the first file."""
    study = long_study(tmp_path)
    data = sheet_set(study, stamp(study.project), SheetSettings(kp_per_sheet_km=10.0, sheets_per_file=20))
    held: list[float] = []
    begin = time.process_time()
    files = write_sheets(data, tmp_path, lambda stage, share: held.append(_resident_mb()))
    cpu = time.process_time() - begin
    first_file, rest = max(held[:20]), max(held)
    with capsys.disabled():
        size = sum(file.stat().st_size for file in files) / 1e6
        each = cpu / len(data.strips)
        print(
            f"\n{len(data.strips)} sheets in {len(files)} files, {size:.0f} MB, {each:.2f} s of "
            f"processor time each; memory {held[0]:.0f} MB at first, {first_file:.0f} MB at most in the "
            f"first file, {rest:.0f} MB in all"
        )
    assert len(data.strips) > 100 and len(files) == -(-len(data.strips) // 20)
    assert cpu / len(data.strips) < MOST_CPU_S
    assert rest - first_file < 150.0


def _resident_mb() -> float:
    """Memory the process holds now, from Linux's own account of it."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * resource.getpagesize() / 2**20
