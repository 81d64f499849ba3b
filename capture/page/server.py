"""The server on the loopback address: checks each request at the gate, reads its body, sends the answer."""

from __future__ import annotations

import json
import socket
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from capture.page.gate import HEADERS, MOST_BODY, MOST_UPLOAD, Gate, Refused, body_length
from capture.page.routes import Answer, Routes
from capture.page.shelf import Shelf
from fit.errors import InputError, OutputError

__all__ = ["PageServer", "start_server"]

_TIMEOUT_S = 60


class PageServer(ThreadingHTTPServer):
    """A server with its gate and routes."""

    daemon_threads = True
    gate: Gate
    routes: Routes

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that went away is no fault of anyone's."""


def start_server(path: Path | None, port: int = 0) -> PageServer:
    """Listen on 127.0.0.1 for a job file, a photo, or nothing yet; `port` 0 is any free one.

    Raises InputError for a path that cannot be opened, OutputError where the port is taken.
    """
    if path is not None and not path.is_file():
        message = f"{path}: is not a file; give a job file or a photo."
        raise InputError(message)
    shelf = Shelf(path.parent if path else Path.cwd())
    first = shelf.open(path) if path else None
    try:
        server = PageServer(("127.0.0.1", port), _Handler)
    except OSError as error:
        message = f"Port {port} cannot be used ({error.strerror}); give another with --port, or leave it out."
        raise OutputError(message) from error
    server.gate = Gate.new(server.server_address[1])
    server.routes = Routes(shelf, first)
    return server


class _Handler(BaseHTTPRequestHandler):
    """One connection."""

    protocol_version = "HTTP/1.1"
    server_version, sys_version = "edgewright", ""
    timeout = _TIMEOUT_S
    server: PageServer

    def setup(self) -> None:
        super().setup()
        self.connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def do_GET(self) -> None:
        self._answered(lambda path: self.server.routes.get(path))

    def do_POST(self) -> None:
        self._answered(lambda path: self.server.routes.post(path, self._record()))

    def do_PUT(self) -> None:
        self._answered(self._upload)

    def _upload(self, path: str) -> Answer:
        head, _, name = path.partition("/")
        if head != "upload":
            raise Refused(404, "no such page")
        return self.server.routes.upload(name, self.rfile.read(body_length(self.headers, MOST_UPLOAD)))

    def _record(self) -> dict[str, Any]:
        """The JSON record in a request's body."""
        if self.headers.get("Content-Type", "").partition(";")[0] != "application/json":
            raise Refused(415, "the body must be JSON")
        data = self.rfile.read(body_length(self.headers, MOST_BODY))
        try:
            record = json.loads(data)
        except (ValueError, RecursionError) as error:
            raise Refused(400, "the body is not JSON") from error
        if not isinstance(record, dict):
            raise Refused(400, "the body is not a record")
        return record

    def _answered(self, work: Any) -> None:
        try:
            path = unquote(self.server.gate.check(self.command, self.path, self.headers))
            answer = work(path)
        except Refused as refused:
            self.close_connection = True
            body = json.dumps({"error": str(refused)}).encode()
            answer = Answer(body, "application/json", refused.status, (("Connection", "close"),))
        except Exception as error:  # whatever goes wrong must reach the page as a line, not end the connection
            text = f"The program failed here ({type(error).__name__}); the job is as it was saved last."
            answer = Answer(json.dumps({"error": text}).encode(), "application/json", 500)
        self._send(answer)

    def _send(self, answer: Answer) -> None:
        own = dict(answer.headers)
        headers = {**HEADERS, "Cache-Control": "no-store", **own}
        try:
            self.send_response(answer.status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Type", answer.kind)
            self.send_header("Content-Length", str(len(answer.body)))
            self.end_headers()
            self.wfile.write(answer.body)
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True

    def log_message(self, format: str, *args: Any) -> None:
        """The address holds the token, so nothing is logged."""
