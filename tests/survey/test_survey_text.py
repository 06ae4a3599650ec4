"""Reading soundings from text. numpy's own reader is the reference for the figures."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest

from corridor.errors import SeabedError
from corridor.io.soundings_text import BLOCK_BYTES, look_at, read_text
from corridor.io.survey_ahead import ahead
from corridor.kernels.survey_stream import squeeze_blanks
from corridor.model.survey import Declaration

ROWS = [(402000.25, 8261000.5, -35.125), (402001.5, 8261001.75, -36.5), (402002.0, 8261003.0, -34.0)]


def read(path: Path, declared: Declaration | None = None, nodata: float | None = None):
    """All columns of a file, and its line names."""
    lines: list[str] = []
    batches = list(read_text(path, look_at(path, declared or Declaration()), nodata, lines))

    def joined(name):
        parts = [getattr(batch, name) for batch in batches]
        return None if parts[0] is None else np.concatenate(parts)

    return {name: joined(name) for name in ("x", "y", "z", "uncertainty", "line")}, lines


def write(tmp_path: Path, text: str, name: str = "soundings.xyz") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8", newline="")
    return path


def rows(joiner: str, end: str = "\n") -> str:
    return "".join(joiner.join(map(str, row)) + end for row in ROWS)


@pytest.mark.parametrize(
    "text",
    [
        rows(" "),
        rows(","),
        rows(";"),
        rows("\t"),
        rows("|"),
        rows("   "),
        rows(" \t "),
        rows(" ", "\r\n"),
        "".join(f"  {e:>14} {n:>16}   {z:>9}  \n" for e, n, z in ROWS),
        "# made by hand\n\n" + rows(" "),
        "Easting,Northing,Z\n" + rows(","),
        "\ufeffX;Y;Z\n" + rows(";"),
        "# easting northing z\n" + rows(" "),
        rows(";").replace(".", ","),
        rows("\t").replace(".", ","),
        "Z (m),Northing [m],Easting [m]\n" + "".join(f"{z},{n},{e}\n" for e, n, z in ROWS),
    ],
)
def test_every_way_of_writing_gives_the_same_soundings(tmp_path, text):
    columns, lines = read(write(tmp_path, text))
    found = np.column_stack([columns[name] for name in "xyz"])
    np.testing.assert_array_equal(found, ROWS)
    assert lines == [] and columns["uncertainty"] is None


def test_figures_are_those_numpy_reads(tmp_path):
    rng = np.random.default_rng(0)
    path = tmp_path / "many.xyz"
    np.savetxt(path, np.column_stack([rng.random((5000, 2)) * 1e6, rng.normal(0, 50, 5000)]), fmt="%.7f")
    columns, _ = read(path)
    np.testing.assert_array_equal(np.column_stack([columns[name] for name in "xyz"]), np.loadtxt(path))


def test_gzip_is_read_like_plain_text(tmp_path):
    path = tmp_path / "soundings.xyz.gz"
    path.write_bytes(gzip.compress(rows("  ").encode()))
    columns, _ = read(path)
    np.testing.assert_array_equal(columns["z"], [row[2] for row in ROWS])


def test_lines_and_uncertainties_by_name(tmp_path):
    text = "line,easting,northing,depth,tvu\nA,1,2,3,0.1\nB,4,5,6,0.2\nA,7,8,9,0.3\n,1,1,1,0.4\n"
    columns, lines = read(write(tmp_path, text))
    assert [lines[code] for code in columns["line"]] == ["A", "B", "A", "unnamed"]
    np.testing.assert_array_equal(columns["uncertainty"], [0.1, 0.2, 0.3, 0.4])


def test_lines_keep_their_names_from_batch_to_batch(tmp_path):
    text = "e,n,z,line\n" + "".join(f"{k}.0,1.0,2.0,line {k // 400_000}\n" for k in range(1_200_000))
    assert len(text) > BLOCK_BYTES  # more than one batch, or the test shows nothing
    columns, lines = read(write(tmp_path, text))
    assert lines == ["line 0", "line 1", "line 2"]
    np.testing.assert_array_equal(columns["line"], np.arange(1_200_000) // 400_000)


def test_numbered_columns(tmp_path):
    declared = Declaration(columns=("skip", "northing", "easting", "elevation"))
    columns, _ = read(write(tmp_path, "".join(f"7 {n} {e} {z}\n" for e, n, z in ROWS)), declared)
    np.testing.assert_array_equal(columns["x"], [row[0] for row in ROWS])


def test_void_cells_are_nan_and_nodata_too(tmp_path):
    columns, _ = read(write(tmp_path, "1,2,3\n4,5,NaN\n6,,8\n9,9,-9999\n"), nodata=-9999.0)
    np.testing.assert_array_equal(np.isnan(columns["z"]), [False, True, False, True])
    assert np.isnan(columns["y"][2])


def test_blanks_that_turn_ragged_late_lose_and_double_nothing(tmp_path):
    tidy = "".join(f"{k}.5 2.0 3.0\n" for k in range(1_500_000))
    ragged = "".join(f" {k}.5   2.0\t3.0 \n" for k in range(1_500_000, 1_600_000))
    assert len(tidy) > BLOCK_BYTES  # the first batch must be out before the trouble starts
    columns, _ = read(write(tmp_path, tidy + ragged))
    np.testing.assert_array_equal(columns["x"], np.arange(1_600_000) + 0.5)


@pytest.mark.parametrize("block", [1, 2, 3, 7, 64])
def test_squeezing_does_not_depend_on_the_blocks(block):
    text = b"  1   2\t\t3 \n\n 4 5 6   \r\n\t7 8  9"
    state, out = np.array([True, False]), np.empty(block + 1, dtype=np.uint8)
    result = b""
    for start in range(0, len(text), block):
        part = np.frombuffer(text[start : start + block], dtype=np.uint8)
        result += out[: squeeze_blanks(part, state, out)].tobytes()
    assert result == b"1 2 3\n\n4 5 6\r\n7 8 9"


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (b"\n\n \n", "empty"),
        (b"\x00\x01\x02\x03" * 50, "binary"),
        ("1 2 3\n".encode("utf-16"), "UTF-16"),
        (b"no numbers here\nnone at all\n", "three numbers"),
        (b"1,2\n3,4\n", "three numbers"),
        (b"1 2 3 4\n1 2 3 4\n", "4 columns and no header"),
        (b"a,b,c\n1,2,3\n", "no easting, northing, depth"),
        (b"x,y,depth,elevation\n1,2,3,4\n", "more than one depth, elevation"),
        (b"\x1f\x8b" + b"rubbish", "cannot be read"),
    ],
)
def test_files_that_are_no_soundings_are_refused(tmp_path, data, said):
    path = tmp_path / "bad.xyz"
    path.write_bytes(data)
    with pytest.raises(SeabedError, match=said):
        read(path)


@pytest.mark.parametrize("joiner", [" ", ",", "  "])
@pytest.mark.parametrize(
    ("row", "said"), [("1{0}2{0}3{0}4", "4 columns in row 1203"), ("1{0}2", "2 columns in row 1203")]
)
def test_mixed_column_counts_name_the_row(tmp_path, joiner, row, said):
    body = joiner.join(["1.0", "2.0", "3.0"]) + "\n"
    text = "# x y z\n\n" + body * 1201 + row.format(joiner) + "\n" + body * 50
    with pytest.raises(SeabedError, match=said):
        read(write(tmp_path, text.replace("\n\n", "\n", 1)))


def test_a_word_among_numbers_names_row_and_column(tmp_path):
    text = "skip,x,y,z\n" + "a,1,2,3\n" * 10 + "a,1,two,3\n"
    with pytest.raises(SeabedError, match="'two' in row 12, column 3"):
        read(write(tmp_path, text), Declaration(columns=("skip", "easting", "northing", "z")))


def test_a_gzip_cut_short_is_refused(tmp_path):
    path = tmp_path / "cut.xyz.gz"
    path.write_bytes(gzip.compress(rows(" ").encode() * 20_000)[:-2000])
    with pytest.raises(SeabedError, match="copy it again"):
        read(path)


def test_reading_ahead_keeps_order_and_passes_errors_on():
    closed = []

    def source(fail: bool):
        try:
            for k in range(20):
                if fail and k == 7:
                    raise SeabedError("row 7")
                yield k
        finally:
            closed.append(fail)

    assert list(ahead(source(False))) == list(range(20))
    got = []
    with pytest.raises(SeabedError, match="row 7"):
        for item in ahead(source(True)):
            got.append(item)
    assert got == list(range(7))
    early = ahead(source(False))
    next(early)
    early.close()
    assert closed == [False, True, False]
