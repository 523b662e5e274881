"""How a test waits for another thread or process: until something has happened, however slow the machine is."""

from __future__ import annotations

import time
from collections.abc import Callable

# Only what hangs for good is waited for as long: then a test fails, and says what did not come.
PATIENCE_SECONDS = 300


def wait_until(holds: Callable[[], object], what: str, picture: Callable[[], str] = str) -> None:
    end = time.monotonic() + PATIENCE_SECONDS
    while not holds():
        assert time.monotonic() < end, f"waited in vain: {what}\n{picture()}"
        time.sleep(0.05)
