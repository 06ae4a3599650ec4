"""Where compiled kernels are kept, and that each is compiled once."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numba
import pytest

from corridor import compiled
from corridor.compiled import KEPT, begin_folder, compiled_folder, content_digest


def test_the_digest_changes_with_names_and_content_and_not_with_the_folder(tmp_path: Path) -> None:
    def written(folder: str, files: dict[str, str]) -> str:
        (tmp_path / folder).mkdir()
        for name, text in files.items():
            (tmp_path / folder / name).write_text(text)
        return content_digest((tmp_path / folder).glob("*.py"))

    first = written("a", {"x.py": "1", "y.py": "2"})
    assert written("b", {"y.py": "2", "x.py": "1"}) == first
    others = [
        {"x.py": "1", "y.py": "3"},
        {"x.py": "1", "z.py": "2"},
        {"x.py": "12", "y.py": ""},
        {"x.py": "1"},
    ]
    assert len({first, *(written(str(i), files) for i, files in enumerate(others))}) == len(others) + 1


def test_the_folders_last_written_longest_ago_go_when_a_new_one_is_begun(tmp_path: Path) -> None:
    for number in range(KEPT + 2):
        old = tmp_path / f"kernels-{number}"
        old.mkdir()
        (old / "code").touch()
        os.utime(old, (time.time() - 100 * number,) * 2)
    (tmp_path / "something else").mkdir()
    begin_folder(tmp_path / "kernels-new")
    left = sorted(path.name for path in tmp_path.iterdir())
    assert left == [*(f"kernels-{n}" for n in range(KEPT - 1)), "kernels-new", "something else"]
    begin_folder(tmp_path / "kernels-new")
    assert sorted(path.name for path in tmp_path.iterdir()) == left


@pytest.mark.skipif(numba.config.DISABLE_JIT, reason="nothing is compiled")
def test_code_is_kept_under_the_content_and_a_caller_of_a_changed_kernel_is_compiled_anew(
    tmp_path: Path,
) -> None:
    # numba alone would find `two` unchanged and go on adding 1 (its manual's section on caching says so).
    (tmp_path / "called.py").write_text(
        "from corridor.compiled import kernel\n@kernel\ndef one(x):\n    return x + 1\n"
    )
    (tmp_path / "calls.py").write_text(
        "from corridor.compiled import kernel\nfrom called import one\n"
        "@kernel\ndef two(x):\n    return one(one(x))\n"
    )
    program = (
        "import sys, corridor.compiled as c; from pathlib import Path\n"
        "c.CONTENT = c.content_digest(Path(sys.argv[1]).glob('*.py'))\n"
        "from calls import two; import json\n"
        "print(json.dumps([two(0), sum(two.stats.cache_hits.values())]))\n"
    )

    def run() -> list[int]:
        environment = {**os.environ, "PYTHONPATH": str(tmp_path), "NUMBA_CACHE_DIR": str(tmp_path / "kept")}
        done = subprocess.run(
            [sys.executable, "-c", program, str(tmp_path)], capture_output=True, text=True, env=environment,
            check=True,
        )  # fmt: skip
        return json.loads(done.stdout)

    assert run() == [2, 0]
    assert run() == [2, 1]
    (tmp_path / "called.py").write_text(
        "from corridor.compiled import kernel\n@kernel\ndef one(x):\n    return x + 5\n"
    )
    assert run() == [10, 0]
    assert len(list((tmp_path / "kept").glob("kernels-*"))) == 2


def test_where_the_folder_cannot_be_made_the_kernels_are_kept_as_numba_keeps_them(
    tmp_path: Path, monkeypatch
) -> None:
    (tmp_path / "a file").touch()
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "a file"))
    assert compiled._ByContent.from_function(content_digest, "") is None
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "good"))
    assert compiled._ByContent.from_function(content_digest, "") is not None
    assert compiled_folder().is_dir() and compiled_folder().parent == tmp_path / "good"


def test_without_a_home_folder_the_kernels_are_kept_beside_their_sources(monkeypatch) -> None:
    def nobody() -> Path:
        raise RuntimeError("Could not determine home directory.")

    for name in ("NUMBA_CACHE_DIR", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)
    assert compiled_folder().parent.name == "corridor"
    monkeypatch.setattr(Path, "home", nobody)
    assert compiled_folder().parent == compiled.KERNELS / "__pycache__"


@pytest.mark.skipif(numba.config.DISABLE_JIT, reason="nothing is compiled")
def test_search_fit_and_statics_are_compiled_ahead_and_no_kernel_for_two_types() -> None:
    """A second type (a bare 0 for an int64, a read-only array) costs seconds and buys nothing."""
    program = """
import json, sys
from numba.core.dispatcher import Dispatcher
from corridor import compile_ahead

def types():
    found = {}
    for name, module in list(sys.modules.items()):
        if name.startswith("corridor.kernels."):
            for kernel in vars(module).values():
                if isinstance(kernel, Dispatcher) and kernel.py_func.__module__ == name:
                    found[f"{name}.{kernel.__name__}"] = len(kernel.signatures)
    return found

compile_ahead.main()
print(json.dumps(types()))
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    ahead = json.loads(done.stdout)
    needed = {"search.expand", "relax.relax", "fit.polish", "fit_moves.shorten", "onbottom.sweep"}
    needed |= {"onbottom_modes.span_frequencies", "approach.nearest_approaches", "sampling.fill_depth"}
    assert {name for name in needed if ahead[f"corridor.kernels.{name}"] != 1} == set()
    assert {name: count for name, count in ahead.items() if count > 1} == {}
