"""Charts drawn on the server, and the library with which a browser draws them itself.

Promises that one picture is drawn at a time in a process, whoever asks: the drawing
library works on one only. It fetches nothing.
"""

from __future__ import annotations

import threading
from functools import cache
from importlib.metadata import version
from typing import Any

import vl_convert

VERSION = version("vl-convert-python")
_one_at_a_time = threading.Lock()


def svg(spec: dict[str, Any]) -> str:
    """The chart of a Vega-Lite specification as SVG."""
    with _one_at_a_time:
        drawn: str = vl_convert.vegalite_to_svg(spec, allowed_base_urls=[])
    return drawn


@cache
def browser_library() -> str:
    """JavaScript that gives a page `vegaEmbed`; made once in each process."""
    bundle: str = vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;")
    return bundle
