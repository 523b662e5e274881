"""A record as a tagged PDF (PDF/UA-1), by typst.

Promises the same bytes for the same record: the only instant in the file is the
record's own. Promises too that no text fails a record: a character that no font
at hand can show is replaced by an empty box. Does not gather the facts.

Never call it in a process that forks afterwards.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import typst

HERE = Path(__file__).parent
BOX = "□"
STANDARD: Final = "ua-1"


def write(template: str, record: Mapping[str, Any], written: datetime) -> bytes:
    """The PDF of `record` set in `template` ("weekly" or "patient"), written at `written` (aware).

    `record` is plain JSON; see the template for what it needs. Drawings in it are
    `{"svg": …, "alt": …}`.
    """
    facts = dict(record) | {"written": {"year": written.year, "month": written.month, "day": written.day}}
    shown = _showable(facts)
    made: bytes = typst.compile(
        str(HERE / f"{template}.typ"),
        root=str(HERE),
        format="pdf",
        sys_inputs={"record": json.dumps(shown, sort_keys=True)},
        pdf_standards=STANDARD,
        timestamp=int(written.timestamp()),
    )
    return made


def _showable(value: Any) -> Any:
    """The same facts with every character that cannot be shown replaced."""
    characters = set(json.dumps(value, ensure_ascii=False))
    missing = _missing({character for character in characters if ord(character) > 126})
    table = {ord(character): BOX for character in missing}
    # Control characters are nothing to print, and some are nothing that JSON may carry to XML.
    table |= {code: " " for code in range(32) if code not in {9, 10}}
    return _replaced(value, table)


def _replaced(value: Any, table: Mapping[int, str]) -> Any:
    if isinstance(value, str):
        return value.translate(table)
    if isinstance(value, Mapping):
        return {key: _replaced(item, table) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_replaced(item, table) for item in value]
    return value


def _missing(characters: Iterable[str]) -> set[str]:
    """Those that no font can show: all are tried at once, and halved until the guilty are found."""
    text = "".join(sorted(characters))
    if not text or _can_show(text):
        return set()
    if len(text) == 1:
        return {text}
    half = len(text) // 2
    return _missing(text[:half]) | _missing(text[half:])


@lru_cache(maxsize=4096)
def _can_show(text: str) -> bool:
    probe = '#set document(title: "t")\n#set text(lang: "en", font: "Libertinus Serif")\n#sys.inputs.text'
    # One character in a document of its own cannot borrow from its neighbours, hence the spaces.
    spaced = " ".join(text)
    with TemporaryDirectory() as folder:
        source = Path(folder) / "probe.typ"
        source.write_text(probe, encoding="utf-8")
        try:
            typst.compile(str(source), format="pdf", sys_inputs={"text": spaced}, pdf_standards=STANDARD)
        except typst.TypstError:
            return False
    return True
