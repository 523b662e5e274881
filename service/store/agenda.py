"""Rows that wait for their time: the conditions that find each kind by its own index."""

from __future__ import annotations

from sqlalchemy import text

# Literals, not parameters: a partial index serves only a query that provably asks for its part.
ACTIVE_PLANS = text("plans.active")
OPEN_WINDOWS = text("windows.state = 'open'")
PENDING_STEPS = text("steps.state = 'pending'")
QUEUED_MESSAGES = text("messages.state = 'queued'")
LEASED_MESSAGES = text("messages.state IN ('claimed', 'handing_over')")
