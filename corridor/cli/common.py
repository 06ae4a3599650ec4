"""What several commands share: options, progress on a terminal, the closing lines."""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from corridor.progress import Progress, silent


def add_common(parser: argparse.ArgumentParser, *, folder: bool = True) -> None:
    """Options that every command knows."""
    if folder:
        parser.add_argument(
            "--out", metavar="FOLDER", type=Path, help="output folder (default: the project's [output] folder)"
        )
    parser.add_argument("--quiet", action="store_true", help="no progress")
    parser.add_argument("--json", action="store_true", help="machine-readable summary on stdout, nothing else")


class Teller:
    """Progress on stderr: a bar on a terminal, a line per stage elsewhere."""

    def __init__(self) -> None:
        self._stage = ""
        self._tty = sys.stderr.isatty()
        self._last = 0.0

    def __call__(self, stage: str, share: float) -> None:
        now = time.monotonic()
        if self._tty:
            if now - self._last > 0.1 or share >= 1.0:
                self._last = now
                bar = "=" * int(30 * min(share, 1.0))
                print(f"\r{stage:<16} [{bar:<30}] {100 * min(share, 1.0):3.0f} %", end="", file=sys.stderr)
        elif stage != self._stage:
            print(f"{stage} ...", file=sys.stderr)
        self._stage = stage

    def close(self) -> None:
        """End the bar's line."""
        if self._tty and self._stage:
            print(file=sys.stderr)


def teller(options: argparse.Namespace) -> Progress:
    """The progress function that the options ask for; announces a first compilation."""
    if options.quiet or options.json:
        return silent
    if not _compiled():
        print(
            "first run on this machine: the numerical kernels are being compiled, which takes up to a minute",
            file=sys.stderr,
        )
    return Teller()


def _compiled() -> bool:
    """Whether compiled kernels are cached already."""
    import numba

    cache = numba.config.CACHE_DIR
    places = [Path(cache)] if cache else [Path(__file__).parent.parent / "kernels"]
    return any(next(place.rglob("search.expand*.nbi"), None) for place in places if place.exists())


def close(progress: Progress) -> None:
    """Finish a progress display."""
    if isinstance(progress, Teller):
        progress.close()


def out_folder(options: argparse.Namespace, default: Path) -> Path:
    """The folder to write to."""
    return options.out.resolve() if options.out else default


def finish(options: argparse.Namespace, content: Mapping[str, Any], folder: Path) -> int:
    """Print a study's summary and return the exit code: 0, or 5 where a rule is broken."""
    if options.json:
        print(json.dumps(content, ensure_ascii=False))
    else:
        for line in story(content):
            print(line)
        print(f"files in {folder}")
    return 0 if content["status"] == "ok" else 5


def story(content: Mapping[str, Any]) -> list[str]:
    """A study's summary in a few lines of text."""
    lines = [
        f"status           {content['status']}",
        f"length           {content['length_m'] / 1000:.3f} km on the grid, "
        f"{content['length_ellipsoid_m'] / 1000:.3f} km on the ellipsoid",
        f"cost             {content['cost_m']:.0f} equivalent m"
        + (f", at most {content['gap_percent']:.2f} % above the best possible" if content["gap_percent"] is not None else ""),
        f"bends            {content['bends']}"
        + (f", least radius {content['min_radius_m']:.0f} m" if content["min_radius_m"] else ""),
        f"steepest         {content['max_slope_along_deg'] or 0:.1f} deg along, "
        f"{content['max_slope_across_deg'] or 0:.1f} deg across",
        f"crossings        {content['crossings']}",
    ]
    if content.get("spans_by_verdict") is not None:
        verdicts = ", ".join(f"{count} {name}" for name, count in content["spans_by_verdict"].items())
        lines.append(f"free spans       {content['spans']}" + (f": {verdicts}" if verdicts else ""))
    for check in content["checks"]:
        if not check["ok"]:
            where = f" at KP {check['kp_km']:.3f}" if check["kp_km"] is not None else ""
            lines.append(f"BROKEN           {check['rule']} {check['layer']}{where}: {check['detail']}")
    lines += [f"warning          {text}" for text in content["warnings"]]
    lines += [f"note             {text}" for text in content["notes"]]
    lines.append(f"caution          {content['cautions'][0]}")
    return lines
