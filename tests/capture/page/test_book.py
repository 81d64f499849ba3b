"""The job file under many hands: comments kept, undo without end, crashes, other programs, other windows."""

from __future__ import annotations

import subprocess
import sys
import time
import tomllib

import pytest

from capture.jobs.read import read_job
from capture.page.book import Book, Conflict
from capture.page.edits import edited, new_job
from fit.errors import InputError


def added(name: str, x: float = 10.0):
    keys = {"name": name, "kind": "circle", "near": [[x, 20.0]]}
    return lambda text: edited(text, [{"do": "add feature", "keys": keys}])


def names(text: str) -> list[str]:
    return [feature["name"] for feature in tomllib.loads(text).get("feature", [])]


def test_comments_and_order_stay(plate):
    book = Book(plate)
    before = book.text
    book.change(book.revision, added("second"))
    assert book.text.startswith(before.rstrip())
    book.change(
        book.revision, lambda t: edited(t, [{"do": "change feature", "name": "bolt", "set": {"near": [[81, 146]]}}])
    )
    assert "# the shop's own words" in book.text and "# upper left" in book.text and "# stays" in book.text
    assert tomllib.loads(book.text)["feature"][0]["near"] == [[81, 146]]


def test_the_job_as_checked_is_the_job_as_saved(plate):
    book = Book(plate)
    assert book.checked(book.revision) is None
    book.change(book.revision, added("second"))
    kept, read = book.checked(book.revision), read_job(plate)
    assert (kept.job, kept.path, kept.sha256, kept.lines) == (read.job, read.path, read.sha256, read.lines)
    plate.write_text(plate.read_text().replace("second", "third"))
    assert book.checked(book.revision) is None


def test_thirty_steps_there_and_back(plate):
    book, texts = Book(plate), [plate.read_text()]
    for i in range(30):
        book.change(book.revision, added(f"mark {i}"))
        texts.append(book.text)
    for text in reversed(texts[:-1]):
        book.move(book.revision, -1)
        assert plate.read_text() == text
    with pytest.raises(InputError, match="nothing to undo"):
        book.move(book.revision, -1)
    again = Book(plate)  # a program started anew
    for text in texts[1:]:
        again.move(again.revision, 1)
        assert plate.read_text() == text
    with pytest.raises(InputError, match="nothing to redo"):
        again.move(again.revision, 1)


def test_a_new_step_ends_what_could_be_redone(plate):
    book = Book(plate)
    for name in ("a", "b"):
        book.change(book.revision, added(name))
    book.move(book.revision, -1)
    book.change(book.revision, added("c"))
    assert names(book.text) == ["bolt", "a", "c"] and book.steps()[1] == 0
    book.move(book.revision, -1)
    assert names(book.text) == ["bolt", "a"]


def test_two_windows_do_not_lose_each_others_work(plate):
    one, other = Book(plate), Book(plate)
    seen = other.revision
    one.change(one.revision, added("of one"))
    with pytest.raises(Conflict):
        other.change(seen, added("of other"))
    other.change(other.revision, added("of other"))
    assert names(one.text) == ["bolt", "of one", "of other"]
    one.move(one.revision, -1)
    assert names(other.text) == ["bolt", "of one"]


def test_a_change_by_an_editor_is_a_step(plate):
    book = Book(plate)
    book.change(book.revision, added("a"))
    plate.write_text(book.text.replace('"hatch"', '"lid"'))
    book.change(book.revision, added("b"))
    book.move(book.revision, -1)
    assert 'name = "lid"' in book.text and names(book.text) == ["bolt", "a"]
    book.move(book.revision, -1)
    assert 'name = "hatch"' in book.text


def test_a_torn_line_of_the_history_is_passed_over(plate):
    book = Book(plate)
    book.change(book.revision, added("a"))
    with plate.with_name(".hatch.toml.history").open("a") as file:
        file.write('{"text": "cut sho')
    book = Book(plate)
    book.change(book.revision, added("b"))
    book.move(book.revision, -1)
    assert names(book.text) == ["bolt", "a"]


def test_what_is_no_sound_job_is_not_saved(plate):
    book, before = Book(plate), plate.read_bytes()
    for changes in (
        [{"do": "add feature", "keys": {"name": "bolt", "kind": "circle", "near": [[1, 2]]}}],
        [{"do": "add feature", "keys": {"name": "e", "kind": "line", "near": [[1, 2]]}}],
        [{"do": "add dimension", "keys": {"kind": "distance", "from": "bolt", "to": "nowhere"}}],
        [{"do": "change photo", "index": 0, "set": {"height": "tall"}}],
        [{"do": "change photo", "index": 0, "set": {"file": "/etc/passwd"}}],
        [{"do": "change feature", "name": "nobody", "set": {"about": 3}}],
        [{"do": "format disk"}],
    ):
        with pytest.raises(InputError) as told:
            book.change(book.revision, lambda text, changes=changes: edited(text, changes))
        assert str(plate.parent) not in str(told.value)
    assert plate.read_bytes() == before
    assert sorted(p.name for p in plate.parent.iterdir()) == ["hatch.toml", "photo1.jpg"]


def test_a_job_beside_a_photo_is_written_with_the_first_mark(plate):
    plate.unlink()
    first = new_job('plate "7"', "photo1.jpg")
    book = Book(plate, first)
    assert not book.exists and book.steps() == (0, 0)
    book.change(book.revision, added("a"))
    assert names(plate.read_text()) == ["a"]
    book.move(book.revision, -1)
    assert plate.read_text() == first


def test_a_rename_reaches_every_reference_and_a_removal_takes_its_sizes():
    text = new_job("x", "p.jpg")
    keys = {"kind": "circle", "near": [[1.0, 2.0]]}
    for name in ("a", "b"):
        text = edited(text, [{"do": "add feature", "keys": {"name": name, **keys}}])
    sizes = [
        {"kind": "distance", "from": "a", "to": "b"},
        {"kind": "diameter", "of": "b"},
        {"kind": "length", "of": "a.2"},
    ]
    text = edited(text, [{"do": "add dimension", "keys": keys} for keys in sizes])
    text = edited(text, [{"do": "change feature", "name": "a", "set": {"name": "bore"}}])
    found = tomllib.loads(text)["dimension"]
    assert [found[0]["from"], found[1]["of"], found[2]["of"]] == ["bore", "b", "bore.2"]
    text = edited(text, [{"do": "remove feature", "name": "bore"}])
    assert tomllib.loads(text)["dimension"] == [{"kind": "diameter", "of": "b"}]


WRITER = """
import sys
from pathlib import Path
from capture.page.book import Book
from capture.page.edits import edited
book = Book(Path(sys.argv[1]))
print("ready", flush=True)
for i in range(100_000):
    keys = {"name": f"mark {i}", "kind": "circle", "near": [[float(i), 20.0]]}
    book.change(book.revision, lambda text: edited(text, [{"do": "add feature", "keys": keys}]))
    print(i, flush=True)
"""


def test_a_kill_in_the_middle_of_saving_leaves_a_whole_job(plate):
    """Whatever was said to be saved is there, and can be undone one by one."""
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(plate)], stdout=subprocess.PIPE, text=True)
    assert writer.stdout is not None
    for line in writer.stdout:
        if line.strip() == "6":
            break
    time.sleep(0.01)
    writer.kill()
    rest = writer.communicate()[0].split()
    said = int(rest[-1]) if rest else 6
    saved = names(plate.read_text())
    assert saved[: said + 2] == ["bolt", *(f"mark {i}" for i in range(said + 1))]
    book = Book(plate)
    for _ in range(said + 1):
        book.move(book.revision, -1)
    assert names(book.text)[:1] == ["bolt"] and len(names(book.text)) <= 2


def test_the_history_is_read_once_and_stays_right_among_several_programs(plate):
    """Three books on one file, each with what it remembers; every one tells the same steps as one that knows nothing."""
    books = [Book(plate) for _ in range(3)]
    for i in range(9):
        book = books[i % 3]
        if i == 5:
            book.move(book.revision, -1)
        else:
            book.change(book.revision, added(f"mark {i}"))
        assert {other.steps() for other in books} == {Book(plate).steps()}
    plate.with_name(".hatch.toml.history").unlink()
    assert books[0].steps() == Book(plate).steps() == (0, 0)
    books[1].change(books[1].revision, added("after"))
    assert {other.steps() for other in books} == {(1, 0)}
