"""What erasing a patient takes out, and what stays and why: read before, and told after."""

from __future__ import annotations

from service.words.language import Language


def goes(say: Language) -> list[str]:
    """What is taken out for good."""
    return [
        say.gettext("the name, your number for them, the date of birth"),
        say.gettext("telephone numbers, mailboxes and phones for notices, also their caregivers’, with those names"),
        say.gettext("all text that was typed: notes and reasons, adjustments, names of medicines, words in tasks"),
        say.gettext("the words of messages and texts; links, invitations, drafts; the clinic’s files not yet taken in"),
        say.gettext("of signed reviews the sentences, notes and names; each is told as erased from then on"),
    ]


def stays(say: Language) -> list[tuple[str, str]]:
    """What stays under a name without meaning, each with why."""
    care = say.gettext("Records of care have to be kept for years in most places; how long, and which, your law says.")
    shown = say.gettext("It shows whether anybody was written to without consent, and whether alarms reached a person.")
    answers = say.gettext("It shows who answers for what was done; both hold ids alone.")
    return [
        (say.gettext("readings, and the figures and choices of check-ins, with their dates"), care),
        (say.gettext("planned days, silences, pauses, signals, references, limits and goals"), care),
        (say.gettext("events, results, doses, sex, height, implant; kind and date of adjustments"), care),
        (say.gettext("of signed reviews who signed, when, the outcome, the lane and the figures"), care),
        (say.gettext("consents: what, and when; messages and tasks: what kind, when, and how they ended"), shown),
        (say.gettext("who did what, and who opened what"), answers),
    ]


def reaches_not(say: Language) -> str:
    """Where erasing does not reach."""
    return say.gettext(
        "It cannot be undone. It does not reach backups that were made before, what was printed or handed out, or what"
        " another clinic signed."
    )
