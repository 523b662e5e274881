"""Ask for what is expected: open the windows that are due, take the follow-up steps that are due.

Promises that each planned date is opened once and each step taken once, however
many workers run and however long none did; and that one patient whose row cannot
be handled never holds up the others. Does not send: it fills the outbox.
"""

from service.prompting.opening import open_windows
from service.prompting.proposing import propose_hours
from service.prompting.stepping import take_steps

__all__ = ["open_windows", "propose_hours", "take_steps"]
