"""``corridor check PROJECT``: read everything, say what was found, compute nothing else."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from corridor.cli.common import add_common


def add_to(commands) -> None:
    """Add the command to the parser."""
    parser = commands.add_parser("check", help="read everything and say what was found")
    parser.add_argument("project", type=Path, metavar="PROJECT")
    add_common(parser, folder=False)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Describe the project."""
    import corridor

    content = corridor.describe(corridor.read_project(options.project))
    if options.json:
        print(json.dumps(content, ensure_ascii=False))
    else:
        _print(content, 0)
    return 0


def _print(value, depth: int) -> None:
    """Nested plain data as indented text."""
    indent = "  " * depth
    for key, item in value.items():
        name = str(key).replace("_", " ")
        if isinstance(item, dict):
            print(f"{indent}{name}")
            _print(item, depth + 1)
        elif isinstance(item, list) and item and isinstance(item[0], dict):
            print(f"{indent}{name}")
            for entry in item:
                title = entry.get("name") or entry.get("file") or ""
                print(f"{indent}  - {title}")
                _print({k: v for k, v in entry.items() if k != "name"}, depth + 2)
        elif isinstance(item, list):
            print(f"{indent}{name}: {', '.join(_text(v) for v in item) if item else 'none'}")
        else:
            print(f"{indent}{name}: {_text(item)}")


def _text(value) -> str:
    return f"{value:.6g}" if isinstance(value, float) and abs(value) < 1e5 else (f"{value:.2f}" if isinstance(value, float) else str(value))
