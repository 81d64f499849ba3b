"""From an address below the token to an answer."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from capture.page import marking, shown
from capture.page.book import Conflict
from capture.page.desk import Desk
from capture.page.gate import Refused
from capture.page.groups import touched_groups
from capture.page.shelf import Shelf, target_pdf
from capture.page.tiles import TILE
from capture.page.workings import told_working
from fit.errors import EdgewrightError, InputError
from fit.report.words import CAUTIONS

__all__ = ["Answer", "Routes"]

_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".jpg": "image/jpeg",
    ".json": "application/json",
    ".pdf": "application/pdf",
    ".dxf": "image/vnd.dxf",
}
_ALONE = "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:"
"""Policy for results shown by themselves: no script, nothing from the network."""


@dataclass(frozen=True, slots=True)
class Answer:
    """Status, body and its type; further headers."""

    body: bytes
    kind: str = "application/json"
    status: int = 200
    headers: tuple[tuple[str, str], ...] = ()


def _json(record: object, status: int = 200) -> Answer:
    return Answer(json.dumps(record, allow_nan=False).encode(), "application/json", status)


class Routes:
    """All addresses of the page; `first` is the job that was open from the start."""

    def __init__(self, shelf: Shelf, first: str | None) -> None:
        self.shelf, self._first = shelf, first
        folder = files("capture.page") / "static"
        self._static = {item.name: item.read_bytes() for item in folder.iterdir() if Path(item.name).suffix in _TYPES}

    def get(self, path: str) -> Answer:
        """Answer a GET request.

        Raises Refused where there is nothing.
        """
        head, *rest = path.split("/")
        if head == "job" and len(rest) >= 2:
            desk = self.shelf.desk(rest[0])
            return self._told(lambda: self._of_job(desk, rest[1], rest[2:]), desk)
        if path == "start":
            return self._start()
        if head == "target" and len(rest) == 2:
            kind, paper = rest[0], rest[1].removesuffix(".pdf")
            return self._told(lambda: _saved(f"{kind}-{paper}.pdf", target_pdf(kind, paper)))
        name = path or "index.html"
        if name not in self._static:
            raise Refused(404, "no such page")
        return Answer(self._static[name], _TYPES[Path(name).suffix])

    def post(self, path: str, asked: Mapping[str, Any]) -> Answer:
        """Answer a POST request with its JSON record."""
        if path == "open":
            return self._told(lambda: self._open(asked))
        head, *rest = path.split("/")
        desk = self.shelf.desk(rest[0]) if head == "job" and len(rest) == 2 else None
        act = _ACTS.get(rest[1]) if desk else None
        if desk is None or act is None:
            raise Refused(404, "no such page")
        return self._told(lambda: act(desk, asked), desk)

    def upload(self, name: str, content: bytes) -> Answer:
        """Take a photo in and open the job beside it."""
        return self._told(lambda: _json({"job": self.shelf.open(self.shelf.folder / self.shelf.take(name, content))}))

    def _told(self, work: Callable[[], Answer], desk: Desk | None = None) -> Answer:
        """A user's mistake as a line for the page."""
        try:
            return work()
        except Conflict as conflict:
            return _json({"error": str(conflict), "conflict": True}, 409)
        except EdgewrightError as error:
            text = desk.plain(str(error)) if desk else str(error)
            return _json({"error": text.replace(f"{self.shelf.folder}/", "")}, 422)

    def _start(self) -> Answer:
        cautions = {"always": CAUTIONS["always"], "cut": CAUTIONS["cut"]}
        listed = {"files": self.shelf.files(), "samples": self.shelf.samples()}
        return _json({"first": self._first, **listed, "cautions": cautions})

    def _open(self, asked: Mapping[str, Any]) -> Answer:
        sample, name = asked.get("sample"), asked.get("file")
        word = self.shelf.open_sample(str(sample)) if sample else self.shelf.open_listed(str(name))
        return _json({"job": word})

    def _of_job(self, desk: Desk | None, what: str, more: Sequence[str]) -> Answer:
        show = _SHOWN.get(what)
        if desk is None or show is None:
            raise Refused(404, "no such page")
        return show(desk, more)


def _state(desk: Desk, more: Sequence[str]) -> Answer:
    return _json(marking.state(desk))


def _revision(desk: Desk, more: Sequence[str]) -> Answer:
    return _json({"revision": desk.book.revision})


def _results(desk: Desk, more: Sequence[str]) -> Answer:
    measured = desk.measured()
    groups = touched_groups(measured)
    return _json({"revision": measured.revision, **shown.told_results(measured), "groups": groups})


def _workings(desk: Desk, more: Sequence[str]) -> Answer:
    """The calculators' outcome for the sizes as they are now."""
    measured, found = desk.workings()
    unit = measured.file.job.job.unit_out
    told = [told_working(working, lambda notice: shown.told_notice(notice, unit)) for working in found]
    for record in told:
        record["fault"] = desk.plain(record["fault"])
    return _json({"revision": measured.revision, "workings": told})


def _working(desk: Desk, more: Sequence[str]) -> Answer:
    """working/HEAD/NUMBER.svg: a picture of a calculator's outcome."""
    working, name = desk.working(_text(more, 0)), _text(more, 1)
    number = name.partition(".")[0]
    found = working.pictures if working else ()
    if len(number) > 3 or not number.isascii() or not number.isdigit() or int(number) >= len(found):
        raise Refused(404, "no such picture")
    content, kind = found[int(number)]
    return Answer(content, _TYPES[kind], 200, (("Content-Security-Policy", _ALONE),))


def _drawn(desk: Desk, more: Sequence[str]) -> Answer:
    index, view = _whole(more, 0), _text(more, 1)
    measured = desk.measured()
    held = desk.held(measured.file, index)
    return _json({"revision": measured.revision, "marks": shown.drawn_photo(measured, index, held, view)})


def _picture(desk: Desk, more: Sequence[str]) -> Answer:
    index, view = _whole(more, 0), _text(more, 1)
    held = desk.held(desk.job(), index)
    picture = held.picture(view)
    width, height = picture.size
    key = f"{held.key}-{held.level:g}" if view == "flat" else held.key
    return _json({"width": width, "height": height, "levels": len(picture.levels), "tile": TILE, "key": key})


def _solved(desk: Desk, more: Sequence[str]) -> Answer:
    held = desk.held(desk.job(), _whole(more, 0))
    fault = desk.plain(held.fault())
    if not fault:
        held.make_ready()
    return _json({"fault": fault})


def _tile(desk: Desk, more: Sequence[str]) -> Answer:
    """tile/PHOTO/VIEW/KEY/LEVEL/COLUMN/ROW; the key only keeps an earlier picture's tiles from being shown."""
    picture = desk.held(desk.job(), _whole(more, 0)).picture(_text(more, 1))
    tile = picture.jpeg(_whole(more, 3), _whole(more, 4), _whole(more, 5))
    if tile is None:
        raise Refused(404, "outside the picture")
    return Answer(tile, "image/jpeg", 200, (("Cache-Control", "private, max-age=86400, immutable"),))


def _sketch(desk: Desk, more: Sequence[str]) -> Answer:
    from capture.jobs.sheets import sketch_of, title_of
    from fit.drawing.layout import sketch_sheets
    from fit.drawing.svg import svg_text

    measured = desk.measured()
    if not measured.results.features:
        message = "Nothing is measured yet."
        raise InputError(message)
    head = measured.file.job.job
    drawing = sketch_of(measured.file, measured.results, title_of(measured.file), head.unit_out)
    text = svg_text(sketch_sheets(drawing, head.paper), drawing.title.name)
    return Answer(text.encode(), "image/svg+xml", 200, (("Content-Security-Policy", _ALONE),))


def _file(desk: Desk, more: Sequence[str]) -> Answer:
    """A file of the written result, by a name that the result lists as its own."""
    from capture.jobs.run import default_folder
    from fit.folders import listed_files

    name, folder = _text(more, 0), default_folder(desk.book.path)
    inside = (folder / name).resolve().parent == folder.resolve()  # a list of files may have been forged, with links
    if len(more) != 1 or name not in listed_files(folder) or not inside or not (folder / name).is_file():
        raise Refused(404, "no such file")
    kind = Path(name).suffix
    content = (folder / name).read_bytes()
    if kind in (".svg", ".png", ".html", ".pdf"):
        return Answer(content, _TYPES[kind], 200, (("Content-Security-Policy", _ALONE),))
    return _saved(name, content)


def _saved(name: str, content: bytes) -> Answer:
    """Content that the browser saves as a file."""
    kind = _TYPES.get(Path(name).suffix, "application/octet-stream")
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "-_.") else "_" for c in name)
    return Answer(content, kind, 200, (("Content-Disposition", f'attachment; filename="{plain}"'),))


def _change(desk: Desk, asked: Mapping[str, Any]) -> Answer:
    changes = asked.get("changes")
    if not isinstance(changes, list) or not all(isinstance(item, dict) for item in changes):
        message = "The changes must be a list of records."
        raise InputError(message)
    marking.change(desk, str(asked.get("revision")), changes)
    return _json({"state": marking.state(desk)})


def _mark(desk: Desk, asked: Mapping[str, Any]) -> Answer:
    found = marking.mark(desk, asked)
    return _json({**found, "state": marking.state(desk)})


def _move(desk: Desk, asked: Mapping[str, Any]) -> Answer:
    found = marking.move(desk, asked)
    return _json({**found, "state": marking.state(desk)})


def _undo(desk: Desk, asked: Mapping[str, Any]) -> Answer:
    desk.book.move(str(asked.get("revision")), -1)
    return _json({"state": marking.state(desk)})


def _redo(desk: Desk, asked: Mapping[str, Any]) -> Answer:
    desk.book.move(str(asked.get("revision")), 1)
    return _json({"state": marking.state(desk)})


def _make(desk: Desk, asked: Mapping[str, Any]) -> Answer:
    """The whole result folder, written as `edgewright run` writes it."""
    from capture.jobs.run import default_folder, run_job

    desk.job()  # a job that names files elsewhere is refused before anything of it is read
    desk.book.save()
    revision, done = desk.book.revision, run_job(desk.book.path)
    folder = default_folder(desk.book.path).name
    made = {"folder": folder, "files": done.record["files"], "met": done.met, "revision": revision}
    return _json({**made, "state": marking.state(desk)})


def _whole(more: Sequence[str], place: int) -> int:
    text = _text(more, place)
    if not text.isascii() or not text.isdigit() or len(text) > 6:
        raise Refused(404, "no such page")
    return int(text)


def _text(more: Sequence[str], place: int) -> str:
    if place >= len(more):
        raise Refused(404, "no such page")
    return more[place]


_SHOWN: Mapping[str, Callable[[Desk, Sequence[str]], Answer]] = {
    "state": _state,
    "revision": _revision,
    "results": _results,
    "drawn": _drawn,
    "picture": _picture,
    "solved": _solved,
    "tile": _tile,
    "sketch.svg": _sketch,
    "workings": _workings,
    "working": _working,
    "file": _file,
}
_ACTS: Mapping[str, Callable[[Desk, Mapping[str, Any]], Answer]] = {
    "change": _change,
    "mark": _mark,
    "move": _move,
    "undo": _undo,
    "redo": _redo,
    "make": _make,
}
