"""What an operator must know: whether the service is fit to be used, and what needs a person's attention.

Promises sentences and numbers that hold no name and no value, read from the
database, so that it does not matter which process is asked. Repairs nothing.
"""

from service.selfcheck.examining import HANDED_OVER_WITHIN, examine, readiness
from service.selfcheck.finding import Finding
from service.selfcheck.metrics import exposition
from service.selfcheck.pinging import ping

__all__ = ["HANDED_OVER_WITHIN", "Finding", "examine", "exposition", "ping", "readiness"]
