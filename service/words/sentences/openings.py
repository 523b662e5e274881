"""Who opened what, in words: what stands out, as facts; and who somebody is, in a person's own language."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from service.domain.openings import Noticed, Striking
from service.domain.vocabulary import ActorKind, Role
from service.words.labels import label, title
from service.words.language import Language


def noticed(say: Language, one: Noticed, name: str) -> str:
    """What stands out, with what it is measured against."""
    told: dict[str, object] = {"name": name, "day": say.day(one.day), "usual": one.usual}
    match one.what:
        case Striking.NIGHT:
            said = say.ngettext(
                "%(name)s opened %(num)d record in the clinic's quiet hours on the night of %(day)s.",
                "%(name)s opened %(num)d records in the clinic's quiet hours on the night of %(day)s.",
                one.number, **told,
            )  # fmt: skip
            past = say.ngettext(
                "Nights of the six weeks before with a record opened: %(num)d.",
                "Nights of the six weeks before with a record opened: %(num)d.",
                one.usual,
            )
        case Striking.MANY:
            hour = one.hour or 0
            told |= {"first": f"{hour:02d}:00", "last": f"{(hour + 1) % 24:02d}:00"}
            said = say.ngettext(
                "%(name)s opened %(num)d record from %(first)s to %(last)s on %(day)s.",
                "%(name)s opened %(num)d different records from %(first)s to %(last)s on %(day)s.",
                one.number, **told,
            )  # fmt: skip
            past = say.gettext("In the busiest hour of the six weeks before: %(usual)d.", **told)
        case Striking.AGAIN:
            told["last"] = say.day(one.day + timedelta(days=6))
            said = say.ngettext(
                "%(name)s opened one record on %(num)d occasion from %(day)s to %(last)s.",
                "%(name)s opened one record on %(num)d occasions from %(day)s to %(last)s.",
                one.number, **told,
            )  # fmt: skip
            told["changes"] = one.changed
            past = say.gettext("The next most: %(usual)d. Changes made in it: %(changes)d.", **told)
        case Striking.APART:
            said = say.ngettext(
                "%(name)s opened %(num)d record, on %(day)s, in which they changed, signed or took on nothing.",
                "%(name)s opened %(num)d records, from %(day)s on, in which they changed, signed or took on nothing.",
                one.number, **told,
            )  # fmt: skip
            past = say.gettext("Others that they opened, and did: %(usual)d.", **told)
    return f"{said} {past}"


def who(say: Language, actor: ActorKind | None, name: str, roles: Sequence[Role], *, is_known: bool = True) -> str:
    """`Ana Ruiz, nurse`; a machine by the name of its key; nobody as nobody.

    Where it `is_known` only whose account was aimed at, that is said: it may have been anybody.
    """
    if actor is None:
        return say.gettext("not known who")
    if not is_known:
        return say.gettext("not known who, at the account of %(name)s", name=name)
    if not name:
        return title(say, actor)
    if roles:
        return ", ".join((name, *(label(say, role) for role in roles)))
    return f"{name}, {label(say, actor)}"
