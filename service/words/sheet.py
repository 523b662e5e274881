"""What stands on the paper of an invitation, in the language of whoever is invited.

Promises that it names nobody and says nothing of anybody's health: it may be found by somebody else.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from service.words.language import Language


@dataclass(frozen=True)
class Inviting:
    """Who invites, whom to call, and how long."""

    sender: str
    phone: str
    emergency: str
    until: date


def words(say: Language, inviting: Inviting, mark: str) -> dict[str, Any]:
    """The texts of the paper, by their place; `mark` tells it from other papers."""
    return {
        "language": say.code,
        "title": say.gettext("An invitation from %(sender)s", sender=inviting.sender),
        "sender": inviting.sender,
        "lead": say.gettext(
            "With this paper you open a page of your own. You read there what it is about, and decide."
        ),
        "how": say.gettext("How it works"),
        "steps": [
            say.gettext("Point the camera of your phone at the square, or type the address below it."),
            say.gettext("Answer the question at the beginning. It keeps others out."),
            say.gettext("Read in your own time, and say yes or no to each thing. You can go on another day."),
        ],
        "fair": [
            say.gettext("You need not take part. Your visits go on as before."),
            say.gettext("Nothing is sent to you before you have agreed and we have confirmed it with you."),
            say.gettext("We never ask for money or passwords."),
        ],
        "square": say.gettext("A square to point a phone's camera at. It holds the address below."),
        "until": say.gettext("It works until %(day)s.", day=say.full_day(inviting.until)),
        "questions": say.gettext("Questions, or no phone at hand? Call %(number)s.", number=inviting.phone),
        "emergency": say.gettext(
            "This is not an emergency service. If you feel very unwell, call %(number)s.", number=inviting.emergency
        ),
        "found": say.gettext(
            "Found it, and it is not yours? Please throw it away: without the answer it opens nothing."
        ),
        "mark": say.gettext("Paper %(mark)s", mark=mark),
    }
