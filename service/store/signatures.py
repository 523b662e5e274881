"""Which signatures of the weekly review count: for the panel, the page, the records and the measures alike.

One that was taken back counts no more, and stays on record.
"""

from __future__ import annotations

from sqlalchemy import exists

from service.store.tables import SignOff, SignOffWithdrawal

COUNTS = ~exists().where(SignOffWithdrawal.sign_off_id == SignOff.id).correlate(SignOff)
