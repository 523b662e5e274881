"""What messages say: the built-in wordings, on each kind of channel, and a clinic's own filled in.

Promises that no wording of ours names a person, a value, a diagnosis or a specialty: any of
them may light up on a locked screen beside a stranger. A clinic's wording may use only the
placeholders its kind has, and must keep what its reader cannot do without: the link, the
number to call, a way back. Lines that answer somebody who has just written to us repeat nothing they said.

By text message, ours fit one segment of the 7-bit alphabet for the longest name a clinic may sign with
and a link below a 40-character base address: where the full wording is too long, the brief one is used.
At an address of 33 characters and a short name the full one fits, in every language, and names the reading.
The first message that reaches somebody begins with who writes, what was agreed and how to be sure; it is longer.
Where a reply would not be read, nothing is said of replying, nor of STOP; where only a reading is missing,
no reply is asked for. A nudge does not spell out what 1 to 4 mean: "in hospital" is nobody's business on a
locked screen; the list comes when it is asked for. A notice on a phone shows no address, has the
sender's name as its title, and is tapped, not replied to. Does not send, and does not make links.
"""

from __future__ import annotations

import re
import string
import unicodedata
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from functools import cache

from service.domain import diary
from service.domain.diary import Answers
from service.domain.readings import to_kg
from service.domain.texting.vocabulary import plain
from service.domain.validation import Refused
from service.domain.vocabulary import MessageKind, WeightDoubt
from service.words.language import Language, load_parser

K = MessageKind
LONGEST = 459  # three segments: more than that and a telephone shows a wall of text
MOST_SEGMENTS = 3
NOON, EVENING = time(12), time(18)

# What each kind may fill in. {sender} is how the clinic signs, {link} an address of their own, {number} the
# local emergency number, {phone} the clinic's own line, {text} an answer in an exchange, {count} a number of
# tasks, {asked} what is missing that day, {greeting} a greeting for the hour where they are.
PLACEHOLDERS: Mapping[MessageKind, frozenset[str]] = {
    K.PROMPT: frozenset({"sender", "link", "asked", "greeting"}),
    K.REMINDER: frozenset({"sender", "link", "asked", "greeting"}),
    K.NUDGE: frozenset({"sender", "link"}),
    K.SAFETY: frozenset({"sender", "number", "phone"}),
    K.CALL_CLINIC: frozenset({"sender", "number", "phone"}),
    K.REPLY: frozenset({"sender", "text"}),
    K.STOPPED: frozenset({"sender", "phone"}),
    K.STARTED: frozenset({"sender", "phone"}),
    K.HELP: frozenset({"sender", "phone", "number"}),
    K.STRANGER: frozenset({"sender", "phone", "number"}),
    K.FROM_CLINIC: frozenset({"sender", "text"}),
    K.STAFF_TASK: frozenset({"sender", "link"}),
    K.DIGEST: frozenset({"sender", "link", "count"}),
    K.TEST: frozenset({"sender"}),
    K.INVITATION: frozenset({"sender", "link"}),
}
REQUIRED: Mapping[MessageKind, frozenset[str]] = {
    K.PROMPT: frozenset({"link"}),
    K.REMINDER: frozenset({"link"}),
    K.NUDGE: frozenset({"link"}),
    K.SAFETY: frozenset({"number"}),
    K.CALL_CLINIC: frozenset({"number", "phone"}),
    K.STRANGER: frozenset({"number", "phone"}),
    K.REPLY: frozenset({"text"}),
    K.FROM_CLINIC: frozenset({"sender", "text"}),
    K.INVITATION: frozenset({"sender", "link"}),
}
PHRASE = frozenset({"phone", "number"})  # what a wording for a message by hand may fill in; who writes stands before it
LONGEST_SENDER = 32
# Joiners shape letters and emoji. Every other sign that is not seen may hide or turn round what is:
# a direction override shows a telephone number backwards.
_UNSEEN_BUT_MEANT = frozenset("\n\u200c\u200d")
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})  # general categories, Unicode Standard, table 4-4


# --- the built-in wordings ---------------------------------------------------------


@dataclass(frozen=True)
class Template:
    """A wording in parts: what can be read by itself, a word on replying, and one on STOP."""

    alone: str
    reply: str = ""
    stop: str = ""

    def joined(self, *, reply: bool, stop: bool) -> str:
        """The parts that are wanted, in order."""
        parts = (self.alone, self.reply if reply else "", self.stop if stop else "")
        return " ".join(part for part in parts if part)


def wording(language: Language, kind: MessageKind) -> str:
    """The built-in wording in full, as it stands without a word on replying."""
    return _full(language)[kind].joined(reply=False, stop=True)


def alone(language: Language, kind: MessageKind) -> str:
    """The wording for a channel on which nobody reads a reply."""
    return _full(language)[kind].alone


def by_text(language: Language, kind: MessageKind, asks: Collection[str]) -> tuple[str, ...]:
    """The wordings where a reply is read, the fullest first. `asks` is what is missing: "reading", "checkin"."""
    brief = _brief(language).get(kind)
    if brief is None:
        return (wording(language, kind),)
    may_reply = kind is K.NUDGE or "checkin" in asks
    return tuple(template.joined(reply=may_reply, stop=True) for template in (_full(language)[kind], brief))


def written(
    language: Language,
    kind: MessageKind,
    values: Mapping[str, str],
    *,
    hears_replies: bool,
    asks: Collection[str] = (),
    cannot_wait: bool = False,
) -> str:
    """Our own wording filled in: the fullest that fits one segment, or the briefest there is."""
    if cannot_wait and kind is K.STAFF_TASK:
        return render(_cannot_wait(language), kind, values)
    if not hears_replies:
        return render(alone(language, kind), kind, values)
    text = ""
    for body in by_text(language, kind, asks):
        text = render(body, kind, values)
        if length(text).segments == 1:
            break
    return text


def notice(language: Language, kind: MessageKind, own_wording: str | None, values: Mapping[str, str]) -> str:
    """A notice on a phone. A clinic's own wording is used with its link left out; `values` as for a text message."""
    ours = _notices(language).get(kind)
    if own_wording is None and ours is not None:
        return ours.format_map(values)
    body = own_wording or wording(language, kind)
    lines = render(body, kind, {**values, "link": ""}).splitlines()
    return "\n".join(" ".join(line.split()) for line in lines).strip()


@cache
def _full(language: Language) -> Mapping[MessageKind, Template]:
    pgettext = language.pgettext
    reply = pgettext("text message", "Or just reply.")
    return {
        K.PROMPT: Template(
            pgettext("text message", "{sender}: {greeting}. Time for {asked}: {link}"),
            reply,
            pgettext("text message", "STOP to stop."),
        ),
        K.REMINDER: Template(pgettext("text message", "{sender}: there is still time for {asked}: {link}"), reply),
        K.NUDGE: Template(
            pgettext("text message", "{sender}: no reading has come today. Do you know why? {link}"),
            pgettext("text message", "Or reply 1-4; 0 for what they mean."),
        ),
        K.SAFETY: Template(
            pgettext("text message", "{sender}: please call {number} now. Do not wait for an answer from us.")
        ),
        K.CALL_CLINIC: Template(
            pgettext(
                "text message",
                "{sender}: please call us today: {phone}. If you feel unwell or it comes again, call {number} now.",
            )
        ),
        K.REPLY: Template(pgettext("text message", "{sender}: {text}")),
        K.STOPPED: Template(
            pgettext(
                "text message",
                "{sender}: you will get no more of these messages. START begins them again. Questions: {phone}",
            )
        ),
        K.STARTED: Template(
            pgettext(
                "text message",
                "{sender}: messages are on again, one or two a day. STOP ends them. Questions: {phone}",
            )
        ),
        K.HELP: Template(
            pgettext(
                "text message",
                "{sender}: one or two messages a day. STOP ends them. Questions: {phone}. Emergency: {number}.",
            )
        ),
        K.STRANGER: Template(
            pgettext(
                "text message",
                "{sender}: we do not know this number. If this is an emergency call {number} now. "
                "Anything else: call {phone}.",
            )
        ),
        K.FROM_CLINIC: Template(pgettext("text message", "{sender}: {text}")),
        K.STAFF_TASK: Template(pgettext("text message", "{sender}: something waits in the inbox. {link}")),
        K.DIGEST: Template(pgettext("text message", "{sender}: waiting in the inbox: {count}. {link}")),
        K.TEST: Template(
            pgettext("text message", "{sender}: this is a test message. It has arrived. Nothing needs to be done.")
        ),
        K.INVITATION: Template(
            pgettext("text message", "{sender}: here is the page we spoke of: {link} Unexpected? Just ignore it.")
        ),
    }


@cache
def _brief(language: Language) -> Mapping[MessageKind, Template]:
    """For the longest names and links."""
    pgettext = language.pgettext
    reply = pgettext("text message", "Or reply.")
    return {
        K.PROMPT: Template(
            pgettext("text message", "{sender}: time for {asked}. {link}"),
            reply,
            pgettext("text message", "STOP ends."),
        ),
        K.REMINDER: Template(pgettext("text message", "{sender}: still time for {asked}. {link}"), reply),
        K.NUDGE: Template(
            pgettext("text message", "{sender}: no reading today. {link}"),
            pgettext("text message", "Or reply 1-4 (0: list)."),
        ),
    }


def of_the_day(language: Language, asks: Collection[str], wall: time) -> dict[str, str]:
    """What a message says of the day it is sent: what is missing ("reading", "checkin"), and the greeting at `wall`."""
    pgettext = language.pgettext
    if wall < NOON:
        greeting = pgettext("text message", "good morning")
    elif wall < EVENING:
        greeting = pgettext("text message", "good afternoon")
    else:
        greeting = pgettext("text message", "good evening")
    if "checkin" not in asks and asks:
        asked = pgettext("text message", "today's reading")
    elif "reading" not in asks and asks:
        asked = pgettext("text message", "today's check-in")
    else:
        asked = pgettext("text message", "today's reading and check-in")
    return {"greeting": greeting, "asked": asked}


def of_several(language: Language) -> dict[str, str]:
    """Who writes to a stranger, and whom to call, where it is not known which clinic they meant."""
    pgettext = language.pgettext
    return {"sender": pgettext("text message", "Automatic reply"), "phone": pgettext("text message", "your clinic")}


def introduction(language: Language, kind: MessageKind, values: Mapping[str, str]) -> str:
    """Before the first message of all: who writes, what was agreed, and how to be sure that it is safe."""
    if kind is K.NUDGE:
        words = language.pgettext(
            "text message",
            "{sender} here, as agreed with you: we write when an expected reading has not come. "
            "We never ask for money or passwords. To check that it is us, call {phone}.",
        )
    else:
        words = language.pgettext(
            "text message",
            "{sender} here, as agreed with you: we write when a reading is due. "
            "We never ask for money or passwords. To check that it is us, call {phone}.",
        )
    return words.format_map(values)


def first_phrases(language: Language) -> tuple[str, ...]:
    """What a new clinic can send by hand, until it words that itself."""
    pgettext = language.pgettext
    return (
        pgettext("text message", "We have seen your answers. We will call you this afternoon."),
        pgettext("text message", "We have seen your answers. We will call you tomorrow."),
        pgettext("text message", "Please call us today, when it suits you: {phone}"),
    )


def _cannot_wait(language: Language) -> str:
    """A notice to staff of a possible emergency, at whatever hour."""
    return language.pgettext("text message", "{sender}: please look in the inbox now, this cannot wait. {link}")


@cache
def _notices(language: Language) -> Mapping[MessageKind, str]:
    pgettext = language.pgettext
    return {
        K.PROMPT: pgettext("notice", "Time for {asked}. Tap to begin."),
        K.REMINDER: pgettext("notice", "There is still time for {asked}. Tap to begin."),
        K.NUDGE: pgettext("notice", "No reading has come today. Do you know why? Tap to answer."),
        K.STAFF_TASK: pgettext("notice", "Something waits in the inbox."),
        K.DIGEST: pgettext("notice", "Waiting in the inbox: {count}."),
    }


# --- any wording -------------------------------------------------------------------


def render(body: str, kind: MessageKind, values: Mapping[str, str]) -> str:
    """Fill a wording in. Raises Refused for one that `checked_wording` refuses, and for a value that is not given."""
    checked_wording(body, kind)
    try:
        return body.format_map(values)
    except KeyError as missing:
        raise Refused("values", sorted(values), "a value for %(name)s", name=in_braces([missing.args[0]])) from None


def checked_wording(body: str, kind: MessageKind) -> str:
    """`body` itself. Raises Refused for signs that are not seen, unknown placeholders, what is missing, and length.

    Placeholders count as nothing here: how long they become depends on the clinic, and `preview` tells that.
    """
    _check(body, PLACEHOLDERS[kind], REQUIRED.get(kind, frozenset()))
    if kind is K.STOPPED and "phone" not in placeholders(body) and not load_parser().words.start & set(said(body)):
        raise Refused("body", body, "a wording that leaves a way back: the word START, or {phone}")
    return body


def checked_phrase(body: str) -> str:
    """A wording for a message by hand, as `checked_wording`; who writes is put before it. Raises Refused."""
    _check(body, PHRASE, frozenset(), before="x" * LONGEST_SENDER + ": ")
    return body


def _check(body: str, allowed: Collection[str], needed: Collection[str], before: str = "") -> None:
    for sign in body:
        if unicodedata.category(sign) in _UNSEEN and sign not in _UNSEEN_BUT_MEANT:
            raise Refused("body", sign, "text that can be seen; this is %(sign)s", sign=sign_name(sign))
    used = placeholders(body)
    for name in used:
        if name not in allowed:
            raise Refused("body", "{" + name + "}", "placeholders %(names)s", names=in_braces(allowed))
    for name in sorted(needed):
        if name not in used:
            raise Refused("body", body, "a wording with %(name)s in it", name=in_braces([name]))
    if not body.strip() or len(body) > LONGEST:
        raise Refused("body", body, "text of %(least)s to %(most)s characters", least=1, most=LONGEST)
    if length(before + literal(body)).segments > MOST_SEGMENTS:
        raise Refused(
            "body",
            body,
            "at most %(segments)s text messages: %(most)s characters, or 201 where one is not plain",
            segments=MOST_SEGMENTS,
            most=LONGEST,
        )


def placeholders(body: str) -> list[str]:
    """The names in braces, in order. Raises Refused where the braces cannot be read."""
    return [name for _, name in _parts(body) if name is not None]


def literal(body: str, between: str = "") -> str:
    """The wording without its placeholders. Raises Refused where the braces cannot be read."""
    return between.join(text for text, _ in _parts(body))


def said(body: str) -> list[str]:
    """The words of a wording, in small letters and without accents."""
    return re.findall(r"[^\W\d_]+", plain(literal(body, " ")))


def in_braces(names: Iterable[str]) -> str:
    """`{link}, {sender}`."""
    return ", ".join("{" + name + "}" for name in sorted(names))


def _parts(body: str) -> list[tuple[str, str | None]]:
    """Literal text and the name after it, None after the last."""
    try:
        parts = list(string.Formatter().parse(body))
    except ValueError:
        raise Refused("body", body, "placeholders in single braces, such as {link}") from None
    for _, name, spec, conversion in parts:
        if name is not None and (spec or conversion or not name.isidentifier()):
            raise Refused("body", "{" + name + "}", "plain placeholders such as {link}")
    whole = "".join(
        text.replace("{", "{{").replace("}", "}}") + ("" if name is None else "{" + name + "}")
        for text, name, _, _ in parts
    )
    if whole != body:  # an empty format, as in {link:}, leaves no other trace
        raise Refused("body", body, "plain placeholders such as {link}")
    return [(text, name) for text, name, _, _ in parts]


# --- how networks count a text -------------------------------------------------------

# The GSM 7-bit default alphabet and its extension (3GPP TS 23.038, section 6.2.1).
_GSM_BASIC = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§"
    "¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
_GSM_EXTENDED = frozenset("^{}\\[~]|€\f")


@dataclass(frozen=True)
class Length:
    """How a text travels: alphabet (GSM-7 or UCS-2), units in it, and segments."""

    alphabet: str
    units: int
    segments: int


def length(text: str) -> Length:
    """How networks count and cut a text (3GPP TS 23.038, and TS 23.040 9.2.3.24.1).

    160 septets alone or 153 in each joined segment; 70 or 67 UCS-2 units where one sign
    is outside the 7-bit alphabet. A sign that takes two is never cut in the middle: the
    segment before it stays one short.
    """
    if not outside_gsm(text):
        sizes = [2 if sign in _GSM_EXTENDED else 1 for sign in text]
        return Length("GSM-7", sum(sizes), _segments(sizes, 160, 153))
    sizes = [2 if ord(sign) > 0xFFFF else 1 for sign in text]
    return Length("UCS-2", sum(sizes), _segments(sizes, 70, 67))


def outside_gsm(text: str) -> list[str]:
    """The signs of `text` that the 7-bit alphabet lacks, each once, in order."""
    return [sign for sign in dict.fromkeys(text) if sign not in _GSM_BASIC and sign not in _GSM_EXTENDED]


def sign_name(sign: str) -> str:
    """`U+00E1 LATIN SMALL LETTER A WITH ACUTE`."""
    return f"U+{ord(sign):04X} {unicodedata.name(sign, '')}".rstrip()


def _segments(sizes: Iterable[int], alone: int, joined: int) -> int:
    sizes = list(sizes)
    if sum(sizes) <= alone:
        return 1
    segments, room = 1, joined
    for size in sizes:
        if size > room:
            segments, room = segments + 1, joined
        room -= size
    return segments


# --- what we write back in a check-in by text message --------------------------------

THANKS = "thanks"
NOTED = "noted"
CAREGIVER_ASK = "caregiver_ask"
CAREGIVER_THANKS = "caregiver_thanks"
CAREGIVER_GOES_ON = "caregiver_goes_on"
NOTHING_ASKED = "nothing_asked"
READ_LATER = "read_later"
STILL_CALL = "still_call"


def line(language: Language, key: str, *, again: bool = False) -> str:
    """The line for a question, by its key, or for an answer of ours."""
    text = lines(language)[key]
    if not again or key == "safety_signs":  # that one is long enough; it is asked in the same words
        return text
    return _sorry(language, text)


def weights(language: Language, answers: Answers) -> tuple[str, str, str]:
    """`154 kg`, `154 lb`, `69.9 kg`: a weight as given, its figure in the other unit, and that in the first."""
    other = diary.in_other_unit(answers)
    unit, other_unit = (diary.WEIGHT_RANGES[one.weight_unit][2] for one in (answers, other))
    figure = language.figure(answers.weight or 0.0, 2)
    converted = (other.weight_kg or 0.0) / to_kg(1.0, answers.weight_unit)
    return f"{figure} {unit}", f"{figure} {other_unit}", f"{language.figure(converted)} {unit}"


def line_weight(language: Language, answers: Answers, doubt: WeightDoubt) -> str:
    """The line that asks whether a weight is right: a reply may repeat what somebody has just written."""
    given, other, converted = weights(language, answers)
    if doubt is WeightDoubt.FAR:
        return language.pgettext("text message", "%(given)s: is that right? Send yes, or it once more.", given=given)
    return language.pgettext(
        "text message", "%(given)s? Or %(other)s, %(converted)s? Please send kg or lb.",
        given=given, other=other, converted=converted,
    )  # fmt: skip


def line_until(language: Language, last: date | None) -> str:
    """The line that thanks a caregiver and says to which day their answer holds; None is open-ended."""
    if last is None:
        return language.pgettext(
            "text message", "Thank you, noted until we hear otherwise. If you know the last day, just send it."
        )
    return language.pgettext(
        "text message",
        "Thank you, noted up to %(day)s. If the last day is another, just send it.",
        day=language.day(last),
    )


def line_phone(language: Language, number: str) -> str:
    """That a phone was set up for notices, with the clinic's line to call if it was somebody else's."""
    return language.pgettext(
        "text message",
        "our notices come to a phone that was set up just now. If that was not you, please call %(number)s.",
        number=number,
    )


def line_emergency(language: Language) -> str:
    """To administrators, at any hour: somebody came in with a code on paper."""
    return language.pgettext(
        "text message",
        "emergency access was opened just now with a code on paper. Sign in and look: you can end it there.",
    )


def line_code(language: Language, code: str) -> str:
    """The code by which somebody shows, on the page they have open, that they read what comes to this address."""
    return language.pgettext(
        "text message",
        "%(code)s is the code for the page you have open. Nobody will ask you for it by telephone.",
        code=code,
    )


def line_which(language: Language, names: Sequence[str], *, again: bool = False) -> str:
    """The question which of these senders is meant, each by a number; 0 is none of them."""
    offered = ", ".join(f"{place} {name}" for place, name in enumerate(names, 1))
    asked = language.pgettext(
        "text message", "Who is your message for? %(names)s, 0 nobody of these. Send the number.", names=offered
    )
    return _sorry(language, asked) if again else asked


def _sorry(language: Language, asked: str) -> str:
    sorry = language.pgettext("text message", "Sorry, that was not clear to us.")
    return f"{sorry} {asked}"


@cache
def lines(language: Language) -> Mapping[str, str]:
    """Every line, by the key of its question or its name."""
    pgettext = language.pgettext
    return {
        "safety_signs": pgettext(
            "text message",
            "Now: 1 breathless at rest 2 chest pain 3 faint 4 pink spit 5 confused 6 racing pulse "
            "7 shock, well 8 more, or unwell? 0: none.",
        ),
        "weight": pgettext("text message", "Your weight this morning? The number is enough."),
        "breathlessness": pgettext(
            "text message", "Breathing since yesterday, at its hardest: 0 easy to 10 hardly any air?"
        ),
        "extra_pillows": pgettext("text message", "How many more pillows than usual last night? 0 is as usual."),
        "woke_breathless": pgettext("text message", "Did shortness of breath wake you last night? Yes or no."),
        "slept_in_chair": pgettext("text message", "Did you sleep in a chair or sitting up last night? Yes or no."),
        "swelling": pgettext("text message", "Swollen legs: 0 none, 1 ankle, 2 shin, 3 knee or higher?"),
        "full_belly": pgettext("text message", "Belly swollen, or full after a few bites? Yes or no."),
        "light_headed": pgettext("text message", "Light-headed since yesterday? Yes or no."),
        "tiredness": pgettext("text message", "How worn out since yesterday: 0 wide awake to 10 cannot get up?"),
        "missed_medicines": pgettext("text message", "Missed any of your medicines since yesterday? Yes or no."),
        THANKS: pgettext("text message", "That is all for today. If you feel worse, do not wait for a message: call."),
        NOTED: pgettext("text message", "Thank you, we have kept that."),
        CAREGIVER_ASK: pgettext(
            "text message", "Please send 1 spoke to them, 2 in hospital, 3 away, 4 equipment trouble."
        ),
        CAREGIVER_THANKS: pgettext("text message", "Thank you, the clinic sees your answer."),
        CAREGIVER_GOES_ON: pgettext("text message", "Thank you, the clinic sees your answer. Reminders go on."),
        STILL_CALL: pgettext("text message", "Please call as we wrote, if you have not yet."),
        READ_LATER: pgettext(
            "text message", "Nobody reads texts at once; the clinic will see this one. If it cannot wait: call."
        ),
        NOTHING_ASKED: pgettext(
            "text message", "Thank you. Nothing is asked just now; for anything else, please call."
        ),
    }
