"""How little goes over the wire: answers are compressed, static files have names that change with what they hold.

Promises that a browser which takes gzip (RFC 9110, 8.4.1.3) gets pages, data and our own files so, and
everybody else as they are; that a file under its own name is kept for a year and asked for again only when it
has changed; and that the length of a compressed page is blurred by a random number of bytes in gzip's header
(RFC 1952, 2.3: the file name), since it would else tell an eavesdropper what in a page repeats what they put
there (CVE-2013-3587; the padding as in "Heal the BREACH", Palacios and others, IEEE Access 2022).
Keeps nothing of what a page says, but for what is alike for many and says nothing of anybody: `alike_for_many`.

Ours, and not Flask-Compress, which was weighed: it would bring two compiled codecs (brotli, zstd) to a service
whose pages are small as gzip, it blurs no length, and the blur and the lasting names would remain to be written
beside it.
"""

from __future__ import annotations

import hashlib
import re
import secrets
import zlib
from functools import lru_cache
from pathlib import Path
from stat import S_ISREG

from flask import Flask, Response, g, request
from werkzeug.datastructures import Accept
from werkzeug.http import parse_accept_header
from werkzeug.wsgi import FileWrapper

YEAR = 31_536_000  # seconds
SMALLEST = 500  # bytes: below, the header costs more than is won
MOST_PADDING = 100  # bytes
LEVEL = 6
GZIP = 31  # of zlib's windows: the largest, with gzip's header
NAMED, HEADER = b"\x08", slice(10)  # RFC 1952, 2.3: this flag says that a name follows the first ten bytes
COMPRESSED = re.compile(r"text/|application/(json|problem\+json|manifest\+json|javascript)|image/svg")
_HASHED = re.compile(r"(?P<stem>.+)\.(?P<mark>[0-9a-f]{12})(?P<suffix>\.\w+)")


class StaticFiles(Flask):
    """Static files under names that carry the fingerprint of what is in them."""

    def url_for(self, endpoint: str, **values: object) -> str:
        """As ever; a static file's address has the name under which it may be kept."""
        if endpoint == "static":
            values["filename"] = self._hashed(str(values["filename"]))
        return super().url_for(endpoint, **values)  # type: ignore[arg-type]

    def send_static_file(self, filename: str) -> Response:
        """The file as it is now, whatever fingerprint it is asked for by; kept only under its own."""
        named = _HASHED.fullmatch(filename)
        plain = f"{named['stem']}{named['suffix']}" if named else filename
        answer = super().send_static_file(plain)
        if named and self._hashed(plain) == filename:
            answer.cache_control.no_cache = None
            answer.cache_control.public = True
            answer.cache_control.max_age = YEAR
            answer.cache_control.immutable = True
        return answer

    def _hashed(self, filename: str) -> str:
        path = Path(f"{self.static_folder}/{filename}")
        try:
            changed = path.stat()
        except OSError:
            return filename
        return _named(path, filename, changed.st_mtime_ns) if S_ISREG(changed.st_mode) else filename


def install(app: Flask) -> None:
    """Compress what is worth it, for whoever takes it."""

    @app.after_request
    def compress(answer: Response) -> Response:
        if answer.status_code == 304:  # says of what is kept what the 200 would (RFC 9110, 15.4.5)
            answer.vary.add("Accept-Encoding")
        if not _is_worth_it(answer):
            return answer
        answer.vary.add("Accept-Encoding")
        if not _takes_gzip(request.headers.get("Accept-Encoding", "")):
            return answer
        data = _whole(answer)
        if len(data) < SMALLEST:
            return answer
        is_static = request.endpoint == "static"
        packed = _kept(data) if is_static or "alike_for_many" in g else _squeezed(data)
        answer.set_data(packed if is_static else _padded(packed))
        answer.content_encoding = "gzip"
        tag, _weak = answer.get_etag()
        if tag is not None:
            answer.set_etag(tag, weak=True)
        return answer


def _is_worth_it(answer: Response) -> bool:
    whole = answer.status_code not in {204, 206, 304} and request.method != "HEAD"
    plain = "Content-Encoding" not in answer.headers and (answer.direct_passthrough or not answer.is_streamed)
    is_small = int(answer.headers.get("Content-Length", SMALLEST)) < SMALLEST  # everybody gets it as it is
    return whole and plain and not is_small and COMPRESSED.match(answer.mimetype or "") is not None


@lru_cache(maxsize=64)  # there are as many as kinds of browsers
def _takes_gzip(header: str) -> bool:
    return parse_accept_header(header, Accept).quality("gzip") > 0


def _whole(answer: Response) -> bytes:
    """What the answer holds, as its body from now on; a file that it was read from is closed."""
    read_from = answer.response
    data = b"".join(answer.iter_encoded())
    if isinstance(read_from, FileWrapper):
        read_from.close()
    answer.direct_passthrough = False
    answer.set_data(data)
    return data


def alike_for_many(page: str) -> str:
    """The page, which says nothing of anybody: compressed, it is kept for who asks for the same next."""
    g.alike_for_many = True
    return page


def _squeezed(data: bytes) -> bytes:
    return zlib.compress(data, LEVEL, GZIP)


@lru_cache(maxsize=256)
def _kept(data: bytes) -> bytes:
    """Of what everybody gets alike: compressed once in a process."""
    return _squeezed(data)


def _padded(packed: bytes) -> bytes:
    """With the name of a file in its header, of a length that chance says."""
    head, name = packed[HEADER], b"x" * (1 + secrets.randbelow(MOST_PADDING))
    return head[:3] + NAMED + head[4:] + name + b"\0" + packed[HEADER.stop :]


@lru_cache(maxsize=64)
def _named(path: Path, filename: str, _changed: int) -> str:
    mark = hashlib.sha256(path.read_bytes()).hexdigest()[:12]
    return str(Path(filename).with_suffix(f".{mark}{path.suffix}"))
