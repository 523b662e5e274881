"""Delivery: claim → recheck → hand over → settle; receipts; what to do when nobody knows.

At least once, duplicates rare and only under the same message id, never late
enough to mislead. See DEVELOPERS.md, "Delivery promise".
"""

from service.delivery.facts import MessageFacts
from service.delivery.listening import listen, take_receipt, take_receipts, take_replies
from service.delivery.operating import cancel, find, history, try_again
from service.delivery.sending import Boundary, deliver

__all__ = [
    "Boundary",
    "MessageFacts",
    "cancel",
    "deliver",
    "find",
    "history",
    "listen",
    "take_receipt",
    "take_receipts",
    "take_replies",
    "try_again",
]
