"""What a seal tells of a record: beside each one that is shown, on page and paper.

Promises that a record is called checked only where its seal was compared and holds, and that every other one says so
in words.
"""

from __future__ import annotations

from service.domain.seals import Seal
from service.words.language import Language


def warning(say: Language, seal: Seal) -> str:
    """What whoever reads the record must know of it; empty for one that is as it was written."""
    return {
        Seal.INTACT: "",
        Seal.ERASED: say.gettext("The text was erased; what is left is as it was left then."),
        Seal.ALTERED: say.gettext("Altered: this is not as it was written. Do not rely on it."),
        Seal.UNSEALED: say.gettext("Without a seal: whether this is as it was written is not known."),
        Seal.UNKNOWN_KEY: say.gettext(
            "Sealed with a key that is not known here: whether this is as it was written is not known."
        ),
    }[seal]


def checked(say: Language, seal: Seal) -> str:
    """The warning, or that the record was checked as this was made."""
    return warning(say, seal) or say.gettext("Seal checked: as it was written.")
