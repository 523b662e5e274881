"""What a page of the clinic says of what it did not take in.

Promises the reader's language: the words of a refusal are in the catalogue, and its numbers and dates are written
as that language writes them.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal

from flask_babel import gettext

from service.domain.validation import Refused
from service.web.frame import page_language
from service.words.language import Language


def needed(field: str) -> Refused:
    """Nothing was typed into a field that cannot be left empty."""
    return Refused(field, "", "something: it is needed")


NEEDED = needed("").message


def accepted(refused: Refused) -> str:
    """What would have been taken."""
    say = page_language()
    return say.gettext(refused.message, **{name: _written(say, bound) for name, bound in refused.bounds.items()})


def plain(refused: Refused, called: Mapping[str, str]) -> str:
    """What would have been taken, of which field: by the name that it has on the page, in `called`."""
    field = called.get(refused.field, refused.field.replace("_", " ").capitalize())
    if refused.message == NEEDED:
        return str(gettext("%(field)s is needed.", field=field))
    return str(gettext("%(field)s: accepted is %(accepted)s.", field=field, accepted=accepted(refused)))


def _written(say: Language, bound: object) -> str:
    match bound:
        case date():
            return say.dated(bound)
        case float():
            return f"{bound:g}".replace(".", say.point)
        case Decimal():
            return say.as_given(bound)
        case tuple():
            return ", ".join(_written(say, one) for one in bound)
    return str(bound)
