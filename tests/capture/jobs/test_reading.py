"""Mistakes in job files: one clear line each, with the line number, the key and the nearest known one."""

from __future__ import annotations

import json
import re
from importlib.resources import files
from pathlib import Path

import pytest

from capture.jobs.lines import key_lines, line_of
from capture.jobs.read import read_job
from capture.jobs.schema import schema_text
from fit.errors import InputError

HEAD = '[job]\nname = "hatch"\n'
PHOTO = '[[photo]]\nname = "square"\nfile = "photo.jpg"\n'
HOLE = '[[feature]]\nname = "hole 1"\nkind = "circle"\nnear = [10.0, 20.0]\n'
HOLE_2 = HOLE.replace("hole 1", "hole 2")
EDGE = '[[feature]]\nname = "edge"\nkind = "line"\nnear = [[0, 0], [50, 0]]\n'
PROBE = '[[probe]]\nname = "arm"\nfile = "list.csv"\n'
PLANE = '[[feature]]\nname = "deck"\nkind = "plane"\nprobe = "arm"\n'
GAP = '[[dimension]]\nkind = "distance"\nfrom = "hole 1"\nto = "hole 2"\n'

# text of the job, line of the mistake, words that the message must hold
BAD = [
    ("[job\nname = 1\n", 1, ("section's name", "[job]")),
    ('[job]\nname = "a"\nname = "b"\n', 3, ("twice",)),
    ("[job]\nname = hatch\n", 2, ("text in quotes",)),
    ('[job]\nname = "hatch\n', 2, ("not closed",)),
    ("[job]\nname\n", 2, ("followed by =",)),
    ("[job]\ndate = 2026-01-01\n", 2, ("date", "text in quotes", "got 2026-01-01")),
    ("[job]\nname = true\n", 2, ("name", "text in quotes", "got true")),
    (PHOTO + "height = 1,5\n", 4, ("decimal point",)),
    (PHOTO + "height = nan\n", 4, ("height", "length below")),
    (PHOTO + "height = 1e300\n", 4, ("height", "length below")),
    ('[[photo]]\nfile = "D:\\shots\\x.jpg"\n', 2, ("backslash", "with /")),
    (PHOTO + "height = [1, 2\n", 4, ("not closed",)),
    ('name = "hatch"\n' + PHOTO, 1, ("'name'", "in no section")),
    ('camera = "lens.json"\n' + PHOTO, 1, ("[camera]",)),
    ('bend = "plate"\n' + PHOTO, 1, ("[bend]",)),
    (PHOTO + "\n[[fotos]]\nfile = 'photo.jpg'\n", 5, ("section 'fotos'", "'photo'")),
    ('[[photo]]\nname = "' + "x" * 121 + '"\nfile = "photo.jpg"\n', 2, ("name", "at most 120 letters")),
    ('[[photo]]\nname = ""\nfile = "photo.jpg"\n', 2, ("name", "must not be empty")),
    ('[[photo]]\nname = "a\\nb"\nfile = "photo.jpg"\n', 2, ("name", "one line")),
    ('[[photo]]\nname = 3\nfile = "photo.jpg"\n', 2, ("name", "text in quotes")),
    (PHOTO + EDGE + 'closed = "perhaps"\n', 8, ("closed", "true or false")),
    (
        PHOTO + HOLE + '[[dimension]]\nkind = "over_all"\nof = "hole 1"\ndirection = "up"\n',
        11,
        ("direction", "degrees"),
    ),
    ('[job]\nnmae = "hatch"\n', 2, ("'nmae'", "'name'")),
    ('[job]\nunit_out = "inches"\n', 2, ("unit_out", "'inch'")),
    ('[jobb]\nname = "hatch"\n', 1, ("'jobb'", "'job'")),
    (HEAD, 1, ("[[photo]]", "[[probe]]")),
    ('[job]\ngeneral_tolerance = "x"\n' + PHOTO, 2, ("general_tolerance", "f, m, c, v")),
    ('[camera]\nfile = "lens.json"\n' + PHOTO, 2, ("lens.json", "no file")),
    ('[camera]\nfille = "camera.json"\n' + PHOTO, 2, ("'fille'", "'file'")),
    ("[photo]\nfile = 'photo.jpg'\n", 1, ("[[photo]]",)),
    ('[[photo]]\nname = "square"\n', 1, ("'file'", "missing")),
    ('[[photo]]\nfile = "none.jpg"\n', 2, ("none.jpg",)),
    (PHOTO + "hieght = 2\n", 4, ("'hieght'", "'height'")),
    (PHOTO + 'height = "two"\n', 4, ("height", "length")),
    (PHOTO + "height = -3\n", 4, ("height", "-3")),
    (PHOTO + 'height = "2±0.1"\nheight_u = 0.1\n', 5, ("height_u", "±")),
    (PHOTO + "height = 2\nthickness = 5\n", 5, ("thickness", "height")),
    (PHOTO + "heights = [[0, 0, 1], [9, 0, 1]]\n", 4, ("heights", "three")),
    (PHOTO + "heights = [[0, 0, 1], [9, 0, 1], [19, 0, 1]]\n", 4, ("heights", "in line")),
    (PHOTO + "heights = [[0, 0, 1], [9, 0, 1], [0, 9, 8]]\n", 4, ("heights", "leans")),
    (PHOTO + "print_x = 0\n", 4, ("print_x", "above 0")),
    (PHOTO + "print_x = true\n", 4, ("print_x",)),
    (PHOTO + PHOTO, 5, ("'square'", "earlier photo")),
    (PHOTO + HOLE + HOLE, 9, ("'hole 1'", "earlier feature")),
    (PHOTO + HOLE.replace("circle", "cirle"), 6, ("'cirle'", "'circle'")),
    (PHOTO + HOLE.replace("circle", "sphere"), 6, ("sphere", "photo", "circle")),
    (PHOTO + '[[feature]]\nname = "hole 1"\nkind = "circle"\n', 4, ("'near'", "missing")),
    (PHOTO + HOLE + 'photo = "sqare"\n', 8, ("'sqare'", "'square'")),
    (PHOTO + HOLE + 'probe = "arm"\n', 8, ("probe", "arm")),
    (PHOTO + EDGE + 'edge = "upper"\n', 8, ("edge", "clearest, metal, open")),
    (PHOTO + EDGE + 'metal = "in"\n', 8, ("metal", "'left' or 'right'")),
    (PHOTO + HOLE + 'metal = "out"\n', 8, ("metal", "'circle'")),
    (PHOTO + EDGE.replace("[[0, 0], [50, 0]]", "[[0, 0]]"), 7, ("near", "2 way-points")),
    (PHOTO + EDGE.replace("[[0, 0], [50, 0]]", '"left"'), 7, ("near", "way-points")),
    (PHOTO + EDGE.replace("[[0, 0], [50, 0]]", "[[0, 0], [0, 0]]"), 7, ("the same",)),
    (PHOTO + EDGE + "closed = true\n", 8, ("closed", "path")),
    (PHOTO + HOLE + 'touches = "hole_1"\n', 8, ("'touches'", "photo")),
    (PHOTO + HOLE + "dimaeter = 8\n", 8, ("'dimaeter'",)),
    (PHOTO + HOLE + 'about = "8±1"\n', 8, ("about", "±")),
    (PHOTO + HOLE + "near = [[1, 2]]\n", 8, ("twice",)),
    (PHOTO + HOLE + GAP, 11, ("'hole 2'", "'hole 1'")),
    (PHOTO + HOLE + HOLE_2 + GAP.replace('to = "hole 2"\n', ""), 12, ("distance", "from", "to")),
    (PHOTO + HOLE + HOLE_2 + GAP + "tolerance = 0.3\n", 16, ("tolerance", "nominal")),
    (PHOTO + HOLE + HOLE_2 + GAP + "nominal = 9\ntolerance = 1\nlimits = [8, 9]\n", 18, ("limits", "tolerance")),
    (PHOTO + HOLE + HOLE_2 + GAP + "limits = [9, 8]\n", 16, ("lower", "first")),
    (PHOTO + HOLE + HOLE_2 + GAP + "limits = [9]\n", 16, ("limits",)),
    (PHOTO + HOLE + HOLE_2 + GAP.replace("distance", "distnace"), 13, ("'distnace'", "'distance'")),
    (PHOTO + HOLE + '[[dimension]]\nkind = "diameter"\nfrom = "hole 1"\n', 10, ("of",)),
    (PHOTO + HOLE + '[[dimension]]\nkind = "pitch_circle"\nof = ["hole 1"]\n', 10, ("pitch_circle", "3")),
    (PHOTO + HOLE + '[[dimension]]\nkind = "over_all"\nof = "hole 1"\n', 8, ("direction",)),
    (PHOTO + HOLE + HOLE_2 + '[datum]\nholes = ["hole 1"]\n', 13, ("holes", "two")),
    (PHOTO + HOLE + HOLE_2 + '[datum]\nholes = ["hole 1", "hole 3"]\n', 13, ("'hole 3'",)),
    (PHOTO + EDGE + HOLE + '[datum]\nedge = "edge"\n', 12, ("'corner'",)),
    (PHOTO + EDGE + HOLE + '[datum]\nedge = "edge"\ncorner = "edge"\n', 12, ("different",)),
    (PROBE + 'points = "center"\n', 4, ("'center'", "'centre'")),
    (PROBE + 'points = "centre"\n', 4, ("tip",)),
    (PROBE + "tip = 6\n", 4, ("points",)),
    (PROBE + PLANE.replace('"arm"', '"ram"'), 7, ("'ram'", "'arm'")),
    (PROBE + PLANE + "near = [1, 2]\n", 8, ("'near'", "probe")),
    (PROBE + PLANE.replace("plane", "plain"), 6, ("'plain'", "'plane'")),
    (PROBE + '[[feature]]\nname = "x"\nkind = "offset"\nof = "deck"\n', 4, ("'offset'", "missing")),
    (PROBE + "[bend]\nlegz = [10, 20]\n", 5, ("'legz'", "'legs'")),
    (PROBE + '[rod]\nprobe = "am"\n', 5, ("'am'", "'arm'")),
    (PHOTO + "[seal]\nofset = 3\n", 5, ("'ofset'", "'offset'")),
]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("photo.jpg", "list.csv", "camera.json"):
        (tmp_path / name).write_bytes(b"")
    return tmp_path


@pytest.mark.parametrize(("text", "line", "words"), BAD, ids=range(len(BAD)))
def test_a_mistake_is_told_in_one_line_with_its_place(
    folder: Path, text: str, line: int, words: tuple[str, ...]
) -> None:
    job = folder / "job.toml"
    job.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_job(job)
    message = str(told.value)
    assert message.startswith(f"{job}: line {line}: "), message
    assert not re.search("[Ii]nput should|String should|valid (string|number|boolean|dictionary)|is not TOML", message)
    assert "\n" not in message
    for word in words:
        assert word in message, message


def test_the_command_ends_with_code_2_and_one_line(folder: Path, edgewright) -> None:
    job = folder / "job.toml"
    job.write_text(PHOTO + "hieght = 2\n")
    outcome = edgewright("run", job)
    assert outcome.code == 2 and outcome.out == ""
    assert outcome.err.count("\n") == 1 and "line 4" in outcome.err and "'height'" in outcome.err
    assert not (folder / "job").exists()


@pytest.mark.parametrize("content", [b"\xff\xfe", b"[job]\nname = '\x80'\n"])
def test_text_that_is_not_utf_8_is_refused(folder: Path, content: bytes) -> None:
    (folder / "job.toml").write_bytes(content)
    with pytest.raises(InputError, match="UTF-8"):
        read_job(folder / "job.toml")


def test_a_missing_job_names_the_starter(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="job new"):
        read_job(tmp_path / "none.toml")
    with pytest.raises(InputError, match="folder"):
        read_job(tmp_path)


def test_lines_of_keys_in_all_ways_to_write_them() -> None:
    text = """title = "a"

[[feature]]
near = [
  [1, 2],   # a comment with ] in it
  [3, 4],
]
note = '''
kind = "not a key"
'''
kind = "line"
[[feature]]
"kind" = "arc"
[feature.extra]
a.b = 1
[job] # text
name = "x"
"""
    lines = key_lines(text)
    assert lines[("title",)] == 1
    assert lines[("feature", 0)] == 3 and lines[("feature", 0, "near")] == 4
    assert lines[("feature", 0, "kind")] == 11
    assert lines[("feature", 1, "kind")] == 13
    assert lines[("feature", 1, "extra", "a", "b")] == 15
    assert lines[("job", "name")] == 17
    assert line_of(lines, ("feature", 0, "near", 1, 0)) == 4
    assert line_of(lines, ("nowhere",)) == 1
    assert line_of(lines, ("feature",)) == 3


def test_lengths_may_be_texts_with_their_unit(folder: Path) -> None:
    job = folder / "job.toml"
    job.write_text(PHOTO + 'height = "1/16\\""\nthickness = "1.5 mm"\n' + HOLE + "about = '5/16 in'\n")
    read = read_job(job).job
    assert read.photo[0].height is not None and read.photo[0].height.value == pytest.approx(25.4 / 16)
    assert read.photo[0].thickness == 1.5
    assert read.feature[0].about == pytest.approx(5 * 25.4 / 16)


def test_the_shipped_schema_is_that_of_the_keys() -> None:
    shipped = (files("capture.jobs") / "job.schema.json").read_text(encoding="utf-8")
    assert shipped == schema_text(), "write it anew: edgewright job schema > capture/jobs/job.schema.json"


@pytest.mark.parametrize("sample", ["bench_plate", "seal_channel", "tower_flange"])
def test_the_shipped_jobs_keep_to_the_schema(root: Path, sample: str) -> None:
    """Judged by jsonschema, a library of others."""
    import tomllib

    jsonschema = pytest.importorskip("jsonschema")
    job = tomllib.loads((root / "sample_sets" / sample / "job.toml").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(json.loads(schema_text())).validate(job)
    job["job"]["nmae"] = "x"
    with pytest.raises(jsonschema.ValidationError, match=re.escape("nmae")):
        jsonschema.Draft202012Validator(json.loads(schema_text())).validate(job)
