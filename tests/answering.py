"""An HTTP server on loopback that answers as a test says."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer, ThreadingHTTPServer


class Answering(BaseHTTPRequestHandler):
    """To be told how it answers a request of whatever method; logs nothing."""

    def answers(self) -> None:
        """By `say`, or not at all."""
        raise NotImplementedError

    def do_GET(self) -> None:
        self.answers()

    def do_POST(self) -> None:
        self.answers()

    def heard(self) -> bytes:
        """The body of the request."""
        return self.rfile.read(int(self.headers.get("Content-Length", 0)))

    def named(self) -> dict[str, str]:
        """The request's headers, by names in small letters."""
        return {name.lower(): value for name, value in self.headers.items()}

    def say(self, status: int, body: bytes = b"", headers: Mapping[str, str] | None = None) -> None:
        """The whole answer."""
        self.send_response(status)
        for name, value in {**(headers or {}), "Content-Length": str(len(body))}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        pass


class Lasting(Answering):
    """One whose connections stay open between requests."""

    protocol_version = "HTTP/1.1"


@contextmanager
def answering(how: type[Answering]) -> Iterator[str]:
    """Its address, as long as it answers."""
    with running(ThreadingHTTPServer(("127.0.0.1", 0), how)) as address:
        yield address


@contextmanager
def running(server: HTTPServer) -> Iterator[str]:
    """The address of a server on loopback that runs beside the test, as long as it does."""
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
