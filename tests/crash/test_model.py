"""Windows, silences and the outbox as a stateful model: see model.py for what may happen, holding.py for what must hold.

Shown to find what it is for: with the service broken on purpose, one way at a time, a
run of 60 machines fails when the last look before sending leaves out consent, expiry,
a reading that came, a pause or a caregiver's answer; when quiet hours are an hour off;
when a silence is opened beside an open one, or not worked out anew; when a prompt is
tried again although nobody knows whether it left; when what a dead worker held is not
taken back; when a batch is settled whoever holds it; when a window opened too late is
passed over; and when a clock that is set back opens again what was missed.
"""

from __future__ import annotations

import pytest
from sqlalchemy import Engine

from tests.crash import model


@pytest.mark.slow
def test_whatever_happens_windows_silences_and_messages_stay_true(engine: Engine) -> None:
    # The same machines every time; `python -m tests.crash.model 2000` runs others.
    assert model.run(engine, 25, 35, derandomize=True) > 0
