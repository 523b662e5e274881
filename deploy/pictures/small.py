"""A screenshot made small enough for a README: few colours, one palette, hard compression.

Reads what Chromium writes (8 bits a channel, not interlaced) and nothing else.
"""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

MARK = b"\x89PNG\r\n\x1a\n"
COLOURS = 64
Pixels = NDArray[np.uint8]


def small(png: bytes) -> bytes:
    """The same picture with at most `COLOURS` colours."""
    pixels = _read(png)
    palette, indices = _reduced(pixels)
    height, width = indices.shape
    lines = np.zeros((height, width + 1), dtype=np.uint8)  # each line begins with its filter: none
    lines[:, 1:] = indices
    return b"".join(
        (
            MARK,
            _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0)),
            _chunk(b"PLTE", palette.tobytes()),
            _chunk(b"IDAT", zlib.compress(lines.tobytes(), 9)),
            _chunk(b"IEND", b""),
        )
    )


def _reduced(pixels: Pixels) -> tuple[Pixels, Pixels]:
    """The most frequent colours, and for every pixel the nearest of them."""
    flat = pixels.reshape(-1, 3)
    colours, place, count = np.unique(flat, axis=0, return_inverse=True, return_counts=True)
    palette = colours[np.argsort(-count, kind="stable")[:COLOURS]]
    distance = ((colours[:, None, :].astype(np.int32) - palette[None, :, :].astype(np.int32)) ** 2).sum(axis=2)
    nearest = distance.argmin(axis=1).astype(np.uint8)
    return palette, nearest[place.reshape(-1)].reshape(pixels.shape[:2])


def _read(png: bytes) -> Pixels:
    if not png.startswith(MARK):
        raise ValueError("not a PNG")
    width, height, depth, kind, _, _, interlaced = struct.unpack(">IIBBBBB", png[16:29])
    channels = {2: 3, 6: 4}.get(kind)
    if depth != 8 or channels is None or interlaced:
        raise ValueError("a PNG of another kind than Chromium's")
    data, at = b"", len(MARK)
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        if png[at + 4 : at + 8] == b"IDAT":
            data += png[at + 8 : at + 8 + length]
        at += 12 + length
    raw = np.frombuffer(zlib.decompress(data), dtype=np.uint8).reshape(height, width * channels + 1)
    return _unfiltered(raw, channels).reshape(height, width, channels)[:, :, :3]


def _unfiltered(raw: Pixels, channels: int) -> Pixels:
    """Undo the five line filters of PNG (W3C, Portable Network Graphics, section 9)."""
    height, width = raw.shape[0], raw.shape[1] - 1
    done = np.zeros((height + 1, width + channels), dtype=np.int64)  # a line above and a pixel to the left, all zero
    for y in range(height):
        kind, line, above, now = int(raw[y, 0]), raw[y, 1:].astype(np.int64), done[y], done[y + 1]
        if kind in {0, 2}:
            now[channels:] = (line + (above[channels:] if kind == 2 else 0)) & 255
            continue
        for x in range(width):
            left, up, corner = int(now[x]), int(above[x + channels]), int(above[x])
            guess = left if kind == 1 else (left + up) // 2 if kind == 3 else _nearest(left, up, corner)
            now[x + channels] = (int(line[x]) + guess) & 255
    return done[1:, channels:].astype(np.uint8)


def _nearest(left: int, up: int, corner: int) -> int:
    guess = left + up - corner
    off_left, off_up, off_corner = abs(guess - left), abs(guess - up), abs(guess - corner)
    if off_left <= off_up and off_left <= off_corner:
        return left
    return up if off_up <= off_corner else corner


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
