"""What a page of the clinic says of what it did not take in.

Promises the reader's language, as far as the words of a refusal are in the catalogue; a refusal with a
number in it is said as the API says it.
"""

from __future__ import annotations

from collections.abc import Mapping

from flask_babel import gettext

from service.domain.validation import Refused
from service.web.frame import page_language


def accepted(refused: Refused) -> str:
    """What would have been taken."""
    return page_language().gettext(refused.accepted)


def plain(refused: Refused, called: Mapping[str, str]) -> str:
    """What would have been taken, of which field: by the name that it has on the page, in `called`."""
    field = called.get(refused.field, refused.field.replace("_", " ").capitalize())
    return str(gettext("%(field)s: accepted is %(accepted)s.", field=field, accepted=accepted(refused)))
