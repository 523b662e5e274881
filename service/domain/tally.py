"""What one pass over due rows came to."""

from __future__ import annotations
