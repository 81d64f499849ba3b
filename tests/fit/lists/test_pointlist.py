"""Point lists in every usual layout read alike; whatever is unclear is refused in words."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from fit.clouds import ply_bytes
from fit.errors import InputError
from fit.lists import read_list
from fit.lists.units import unit_in_header, unit_in_note
from fit.points import Points

PLAIN = "# unit: mm\nx,y,z,i,j,k,feature\n1.5,2.5,-3.25,0,0,1,bore\n4,5,6.5,0,1,0,bore\n"

LAYOUTS = {
    "comma": PLAIN,
    "semicolon and decimal comma": PLAIN.replace(",", ";").replace(".", ","),
    "tab": PLAIN.replace(",", "\t"),
    "tab and decimal comma": PLAIN.replace(",", "\t").replace(".", ","),
    "bar": PLAIN.replace(",", " | "),
    "blanks": PLAIN.replace(",", "   "),
    "blanks and decimal comma": PLAIN.replace(",", "  ").replace(".", ","),
    "byte order mark and CRLF": "\ufeff" + PLAIN.replace("\n", "\r\n"),
    "old Mac line ends": PLAIN.replace("\n", "\r"),
    "comma and blank": PLAIN.replace(",", ", "),
    "trailing separator": PLAIN.replace("bore", "bore,"),
    "no header": PLAIN.replace("x,y,z,i,j,k,feature\n", ""),
    "header as comment": PLAIN.replace("x,y,z,i,j", "# x,y,z,i,j"),
    "prose before": "Exported by the arm on the bench\n\nOperator: -\n" + PLAIN,
    "capitals, quotes, other order": '# unit: mm\n"FEATURE","Z","Y","X","I","J","K"\n'
    '"bore",-3.25,2.5,1.5,0,0,1\n"bore",6.5,5,4,0,1,0\n',
    "numbered rows": "# unit: mm\nNo;Name;X;Y;Z;NX;NY;NZ\n1;bore;1.5;2.5;-3.25;0;0;1\n2;bore;4;5;6.5;0;1;0\n",
    "numbered rows without header": "# unit: mm\n1 1.5 2.5 -3.25 0 0 1 bore\n2 4 5 6.5 0 1 0 bore\n",
    "name first": "# unit: mm\nbore 1.5 2.5 -3.25 0 0 1\nbore 4 5 6.5 0 1 0\n",
    "unit in header": PLAIN.replace("# unit: mm\n", "").replace("x,y,z", "x_mm,y_mm,z_mm"),
    "unit row below the header": PLAIN.replace("# unit: mm\n", "").replace("feature\n", "feature\nmm,mm,mm,,,,\n"),
    "unit in brackets": PLAIN.replace("# unit: mm\n", "").replace("x,y,z", "X [mm],Y [mm],Z [mm]"),
    "blanks, and blanks before the bracketed unit": "X [mm]  Y [mm]  Z [mm]  I  J  K  Name\n"
    + PLAIN.split("\n", 2)[2].replace(",", "   "),
    "a name column in other words": PLAIN.replace("feature", "Nom").replace(",", ";"),
    "a name column that ends on a unit's letter": PLAIN.replace("feature", "item"),
    "comments and blanks between": PLAIN.replace("4,5", "\n# again\n// and\n4,5"),
    "header repeated": PLAIN + "x,y,z,i,j,k,feature\n",
    "last row without line end": PLAIN.rstrip("\n"),
    "direction not quite of length 1": PLAIN.replace("0,0,1,", "0,0,0.9998,"),
}


def _write(folder: Path, text: str | bytes, name: str = "list.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize("layout", LAYOUTS)
def test_layouts_read_alike(layout: str, tmp_path: Path) -> None:
    listed = read_list(_write(tmp_path, LAYOUTS[layout]))
    np.testing.assert_array_equal(listed.xyz, [[1.5, 2.5, -3.25], [4, 5, 6.5]])
    np.testing.assert_allclose(listed.direction, [[0, 0, 1], [0, 1, 0]], atol=1e-12)
    assert listed.names.tolist() == ["bore", "bore"]
    assert (listed.unit, listed.unit_from) == ("mm", "file")


def test_utf16_and_latin1(tmp_path: Path) -> None:
    listed = read_list(_write(tmp_path, PLAIN.replace("bore", "bohrung").encode("utf-16")))
    assert listed.names[0] == "bohrung"
    listed = read_list(_write(tmp_path, PLAIN.replace("bore", "flügel").encode("cp1252")))
    assert listed.names[0] == "flügel"


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("# unit: mm", "mm"), ("Units = Inches", "inch"), ("units are in millimetres", "mm"), ("UNITS,INCH", "inch"),
        ("# all dimensions in mm", "mm"), ("# Einheit: mm", "mm"), ("mm", "mm"), ("// inches", "inch"), ("[mm]", "mm"),
        ("unit of length: cm", "cm"), ("# unit: in", "inch"), ('# units "mm"', "mm"), ("# coordinates (inch)", "inch"),
        ("# unit: m", "m"), ("# tip 6 mm", None), ("# 3 mm ball, hood in place", None), ("# made in june", None),
        ("", None), ("mm;mm;mm", "mm"), ("mm,inch,mm", None), ("# tip in mm: 6", None), ("# tip diameter (mm) 6", None),
        ("# tip 6 mm, unit: inch", "inch"), ("# all lengths in m", "m"), ("# scanned in m mode", None),
    ],
)  # fmt: skip
def test_unit_wordings(text: str, unit: str | None) -> None:
    assert unit_in_note(text) == unit


@pytest.mark.parametrize(
    ("cells", "unit"),
    [
        (["x_mm", "y_mm", "z_mm"], "mm"), (["X [in]", "Y [in]", "Z [in]"], "inch"), (["x/mm", "y/mm", "z/mm"], "mm"),
        (["X (inch)", "Y", "Z"], "inch"), (["x", "y", "z"], None), (["x", "y", "z", "unit: mm"], "mm"),
    ],
)  # fmt: skip
def test_unit_in_header(cells: list[str], unit: str | None) -> None:
    assert unit_in_header(cells) == unit


def test_inch_is_exact(tmp_path: Path) -> None:
    """International inch, 25.4 mm exactly (1959 agreement)."""
    listed = read_list(_write(tmp_path, "# units: inches\nX;Y;Z\n1,5;-2;0,25\n"))
    np.testing.assert_allclose(listed.xyz, [[38.1, -50.8, 6.35]], rtol=1e-15)


REFUSED = {
    "no unit, guess inch": (
        "1.123456 2.1 3.1\n4.5 5.5 30\n",
        None,
        "--unit mm or --unit inch.*would be inch.*6 decimals",
    ),
    "no unit, guess mm": ("1.1 2.1 3.1\n401.5 5.5 30\n", None, "would be mm, because"),
    "units disagree": ("# unit: inch\n1 2 3\n", "mm", "line 1: the file says inch but --unit says mm"),
    "two units": ("# unit: mm\n# unit: inch\n1 2 3\n", None, "mm in line 1, inch in line 2"),
    "unknown unit": ("# unit: furlong\n1 2 3\n", None, "line 1: the unit 'furlong' is not known"),
    "text for a number": ("# unit: mm\n1 2 3\n4 5 x\n", None, "line 3: 'x' is not a finite number"),
    "text for a number in the first row": ("1 2 x\n4 5 6\n", "mm", "line 1: 'x' is not"),
    "NaN": ("# unit: mm\n1 2 3\n\n4 nan 3\n", None, "line 4: 'nan' is not a finite number"),
    "infinite": ("# unit: mm\n1 2 3\n4 -inf 3\n", None, "line 3: '-inf'"),
    "far away": ("# unit: mm\n1,2,3\n4,1e12,3\n", None, "line 3: 1e[+]12 mm is farther"),
    "direction without bound": (PLAIN.replace("0,0,1", "0,0,1e300"), None, "line 3: i j k must be"),
    "short row": ("# unit: mm\n1,2,3\n4,3\n", None, "line 3: the row must hold 3 columns; got 2"),
    "bad direction": (
        PLAIN.replace("0,0,1", "0,0,2"),
        None,
        "line 3: i j k must be a direction of length 1; got length 2",
    ),
    "comma twice": ("1,5,2,5,3,5\n1,5,2,7,3,5\n", "mm", "both decimal sign and separator"),
    "comma twice below a header": ("x,y,z\n1,5,2,5,3,5\n1,5,2,7,3,5\n", "mm", "line 2: .*decimal sign and separator"),
    "blanks in names before the numbers": ("top face 5.5 2 3\ntop face 7.5 2 4\n", "mm", "names hold some too"),
    "blanks in some names before the numbers": ("deck 5.5 2 3\ndeck 7.5 2 4\nhole 1 7.5 2 4\n", "mm", "line 3: .*tabs"),
    "four numbers": ("1.5 2 3 4\n2.5 2 3 4\n", "mm", "add a header line"),
    "six that are no direction": ("1.5 2 3 4.5 5 6\n2.5 2 3 4 5 6\n", "mm", "add a header line"),
    "numbered features without header": (
        "".join(f"{k}.5,2,3,0,0,1,{k // 2}\n" for k in range(6)),
        "mm",
        "7 numbers to a row .* add a header line",
    ),
    "a header without z": ("# unit: mm\nx,y,i\n1,2,3\n", None, "line 2: the header names x and y but no z"),
    "a header with y twice": ("# unit: mm\nx,y,y\n1,2,3\n", None, "line 2: the header names y twice"),
    "empty": ("", "mm", "holds no points"),
    "header only": ("# unit: mm\nx,y,z\n", None, "holds no points"),
    "thousands": (
        "# unit: mm\nx;y;z;name\n1.000,5;2,0;0,1;a\n1.007,5;3,0;0,1;a\n",
        None,
        r"line 3: '1.000,5;2,0;0,1;a' is no point",
    ),
    "two columns": ("1 2\n3 4\n", "mm", "a row must hold x y z"),
    "binary": (b"\x00\x01\x02" * 50, "mm", "not a text list"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refusals_say_where_and_what(case: str, tmp_path: Path) -> None:
    text, unit, words = REFUSED[case]
    with pytest.raises(InputError, match=words):
        read_list(_write(tmp_path, text), unit)


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_list(tmp_path / "no.csv")


def test_blank_and_zero_directions_are_unknown(tmp_path: Path) -> None:
    listed = read_list(_write(tmp_path, "# unit: mm\nx,y,z,i,j,k\n1,2,3,,,\n1,2,4,0,0,0\n1,2,5,0,0,1\n"))
    assert listed.has_direction.tolist() == [False, False, True]


def test_repeated_rows_are_left_out_and_told(tmp_path: Path) -> None:
    listed = read_list(_write(tmp_path, "# unit: mm\nx y z name\n1 2 3 a\n1 2 3 a\n1 2 3 b\n"))
    assert listed.lines.tolist() == [3, 5]
    assert "lines 4" in listed.notices[0].text


@pytest.mark.parametrize("header", ["", "x y z name\n"])
def test_names_may_hold_blanks_where_blanks_part_the_columns(header: str, tmp_path: Path) -> None:
    text = f"# unit: mm\n{header}1 2 3 deck\n4 5 6 hole 1\n7 8 9 hole 2\n"
    assert read_list(_write(tmp_path, text)).names.tolist() == ["deck", "hole 1", "hole 2"]


def test_unnamed_list_takes_its_stem(tmp_path: Path) -> None:
    listed = read_list(_write(tmp_path, "# unit: mm\n1 2 3\n", "deck_left.txt")).named_by_stem()
    assert listed.names.tolist() == ["deck_left"]


def _cpu_seconds(path: Path) -> float:
    start = time.process_time()
    assert len(read_list(path)) > 99_000
    return time.process_time() - start


def test_a_hundred_thousand_rows_in_under_a_second(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    rows = "\n".join(",".join(f"{v:.4f}" for v in row) + ",cloud" for row in rng.normal(0, 100, (100_000, 3)))
    path = _write(tmp_path, "# unit: mm\nx,y,z,feature\n" + rows)
    assert any(_cpu_seconds(path) < 1.0 for _ in range(6)), "too slow six times: not another process's doing"


def _ply(form: str, comment: str = "", spread: float = 100.0) -> bytes:
    xyz = np.array([[0, 0, 0], [spread, 1, 2], [3, 4, 5]], dtype=float)
    normal = np.tile([0.0, 0.0, 1.0], (3, 1))
    head = f"ply\nformat {form} 1.0\n{comment}element vertex 3\n"
    head += "".join(f"property float {name}\n" for name in ("x", "y", "z", "nx", "ny", "nz")) + "end_header\n"
    table = np.hstack([xyz, normal])
    if form == "ascii":
        return (head + "\n".join(" ".join(map(str, row)) for row in table) + "\n").encode()
    return head.encode() + table.astype("<f4" if "little" in form else ">f4").tobytes()


@pytest.mark.parametrize("form", ["ascii", "binary_little_endian", "binary_big_endian"])
def test_ply_without_unit_is_mm_with_a_notice(form: str, tmp_path: Path) -> None:
    listed = read_list(_write(tmp_path, _ply(form), "cloud.ply"))
    np.testing.assert_allclose(listed.xyz[1], [100, 1, 2])
    np.testing.assert_allclose(listed.direction, [[0, 0, 1]] * 3)
    assert [notice.code for notice in listed.notices] == ["unit-assumed"]
    assert listed.is_cloud


def test_ply_says_its_unit(tmp_path: Path) -> None:
    listed = read_list(_write(tmp_path, _ply("ascii", "comment unit: inch\n"), "cloud.ply"))
    np.testing.assert_allclose(listed.xyz[1], [2540, 25.4, 50.8])
    assert listed.notices == ()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (_ply("ascii", spread=5e5), "no likely size"),
        (_ply("binary_little_endian")[:-9], "3 vertices are announced; 2 are there"),
        (b"ply\nformat ascii 1.0\nelement vertex 3\n", "no end"),
        (_ply("ascii").replace(b"property float z\n", b""), "must hold|no vertices"),
        (_ply("ascii", "comment unit: mm\n").replace(b"100.0", b"nan"), "vertex 2 is not a finite number"),
    ],
)
def test_broken_ply_is_refused(content: bytes, words: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=words):
        read_list(_write(tmp_path, content, "cloud.ply"))


def test_cloud_of_a_result_keeps_its_feature_names(tmp_path: Path) -> None:
    """What the tool writes as cloud.ply comes back with names, unit and normals."""
    names, normal = np.array(["hole 1", "", "top face", "hole 1"]), np.tile([0.0, 0.0, 1.0], (4, 1))
    points = Points(np.arange(12.0).reshape(4, 3), normal=normal, label=names, frame="axes of the list")
    listed = read_list(_write(tmp_path, ply_bytes(points), "cloud.ply"))
    assert listed.names.tolist() == names.tolist()
    assert (listed.unit, listed.unit_from, listed.is_cloud) == ("mm", "file", True)
    np.testing.assert_allclose(listed.xyz, points.xyz)
    np.testing.assert_allclose(listed.direction, normal)


def test_open3d_reads_the_same_cloud(tmp_path: Path) -> None:
    """Against an independent reader: Open3D's."""
    import open3d

    path = _write(tmp_path, _ply("binary_little_endian"), "cloud.ply")
    cloud = open3d.io.read_point_cloud(str(path))
    np.testing.assert_allclose(read_list(path).xyz, np.asarray(cloud.points))
