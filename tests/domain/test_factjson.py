"""Facts survive JSON, and JSON of another shape is refused.

No outside source: the form is the service's own.
"""

from __future__ import annotations

import json
import re
import uuid
from dataclasses import dataclass
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import factjson, tasks
from service.domain.signals.facts import PictureFacts
from service.domain.summary import LAYOUT, from_json
from service.domain.tasks import TaskFacts


def spelled(facts: object) -> str:
    """The facts as they are spelt, since nan is not itself; minus nought is nought, and so may be a default left out."""
    return re.sub(r"-0\.0\b", "0.0", repr(facts))


@given(st.from_type(PictureFacts))
def test_every_picture_survives_json(facts: PictureFacts) -> None:
    stored = json.loads(json.dumps(factjson.pack(facts), allow_nan=True))
    assert spelled(factjson.unpack(PictureFacts, stored)) == spelled(facts)


@given(st.from_type(TaskFacts))
def test_every_task_survives_json_and_names_what_it_is(facts: TaskFacts) -> None:
    stored = json.loads(json.dumps(tasks.as_json(facts), allow_nan=True))
    assert stored["is"] == type(facts).__name__
    assert spelled(tasks.from_json(stored)) == spelled(facts)
    assert tasks.kind_of(facts) in tasks.TaskKind


@dataclass(frozen=True)
class Small:
    day: date
    who: uuid.UUID | None = None
    number: int = 0


def test_a_default_is_left_out_and_comes_back() -> None:
    assert factjson.pack(Small(date(2026, 11, 25))) == {"day": "2026-11-25"}
    assert factjson.unpack(Small, {"day": "2026-11-25"}) == Small(date(2026, 11, 25))


@pytest.mark.parametrize("stored", [{}, {"day": "yesterday"}, {"day": "2026-11-25", "more": 1}])
def test_another_shape_is_refused(stored: dict[str, object]) -> None:
    with pytest.raises((KeyError, TypeError, ValueError)):
        factjson.unpack(Small, stored)


@pytest.mark.parametrize("layout", [None, 1, LAYOUT - 1, LAYOUT + 1, str(LAYOUT)])
def test_a_summary_of_another_layout_is_refused(layout: object) -> None:
    with pytest.raises(ValueError, match="layout"):
        from_json({"layout": layout})
