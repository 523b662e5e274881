"""What messages say: the built-in wordings, on each kind of channel, and a clinic's own filled in.

Promises that no wording of ours names a person, a value, a diagnosis or a specialty: any of
them may light up on a locked screen beside a stranger. A clinic's wording may use only the
placeholders its kind has, and must keep what its reader cannot do without: the link, the
number to call, a way back.

By text message, ours fit one segment of the 7-bit alphabet for the longest name a clinic may sign with
and a link below a 40-character base address: where the full wording is too long, the brief one is used.
Where a reply would not be read, nothing is said of replying, nor of STOP; where only a reading is missing,
no reply is asked for. A nudge does not spell out what 1 to 4 mean: "in hospital" is nobody's business on a
locked screen; the list comes when it is asked for. A notice on a phone shows no signed address, has the
sender's name as its title, and is tapped, not replied to. Does not send, and does not make links.
"""

from __future__ import annotations

import re
import string
import unicodedata
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache

from service.domain.segments import length, name_of
from service.domain.texting.vocabulary import plain
from service.domain.validation import Refused
from service.domain.vocabulary import MessageKind
from service.words.language import Language
from service.words.texting import load_parser

K = MessageKind
LONGEST = 459  # three segments: more than that and a telephone shows a wall of text
MOST_SEGMENTS = 3

# What each kind may fill in. {sender} is how the clinic signs, {link} a signed address, {number} the
# local emergency number, {phone} the clinic's own line, {text} an answer in an exchange, {count} a number of tasks.
PLACEHOLDERS: Mapping[MessageKind, frozenset[str]] = {
    K.PROMPT: frozenset({"sender", "link"}),
    K.REMINDER: frozenset({"sender", "link"}),
    K.NUDGE: frozenset({"sender", "link"}),
    K.SAFETY: frozenset({"sender", "number", "phone"}),
    K.REPLY: frozenset({"sender", "text"}),
    K.STOPPED: frozenset({"sender", "phone"}),
    K.STARTED: frozenset({"sender", "phone"}),
    K.HELP: frozenset({"sender", "phone", "number"}),
    K.STAFF_TASK: frozenset({"sender", "link"}),
    K.DIGEST: frozenset({"sender", "link", "count"}),
}
REQUIRED: Mapping[MessageKind, frozenset[str]] = {
    K.PROMPT: frozenset({"link"}),
    K.REMINDER: frozenset({"link"}),
    K.NUDGE: frozenset({"link"}),
    K.SAFETY: frozenset({"number"}),
    K.REPLY: frozenset({"text"}),
}
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
    reply = pgettext("text message", "Or just reply here.")
    return {
        K.PROMPT: Template(
            pgettext("text message", "{sender}: hello, your quiet minutes are due. {link}"),
            reply,
            pgettext("text message", "STOP ends these."),
        ),
        K.REMINDER: Template(
            pgettext("text message", "{sender}: still time for your few minutes today. {link}"), reply
        ),
        K.NUDGE: Template(
            pgettext("text message", "{sender}: no news today. What happened? {link}"),
            pgettext("text message", "Or reply 1-4; 0 for what they mean."),
        ),
        K.SAFETY: Template(
            pgettext("text message", "{sender}: please call {number} now. Do not wait for an answer from us.")
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
        K.STAFF_TASK: Template(pgettext("text message", "{sender}: something waits in the inbox. {link}")),
        K.DIGEST: Template(pgettext("text message", "{sender}: waiting in the inbox: {count}. {link}")),
    }


@cache
def _brief(language: Language) -> Mapping[MessageKind, Template]:
    """For the longest names and links."""
    pgettext = language.pgettext
    reply = pgettext("text message", "Or reply.")
    return {
        K.PROMPT: Template(
            pgettext("text message", "{sender}: quiet time. {link}"), reply, pgettext("text message", "STOP ends.")
        ),
        K.REMINDER: Template(pgettext("text message", "{sender}: still time today. {link}"), reply),
        K.NUDGE: Template(
            pgettext("text message", "{sender}: no news. {link}"), pgettext("text message", "Or reply 1-4 (0: list).")
        ),
    }


def _cannot_wait(language: Language) -> str:
    """A notice to staff of a possible emergency, at whatever hour."""
    return language.pgettext("text message", "{sender}: please look in the inbox now, this cannot wait. {link}")


@cache
def _notices(language: Language) -> Mapping[MessageKind, str]:
    pgettext = language.pgettext
    return {
        K.PROMPT: pgettext("notice", "Hello, your quiet minutes are due. Tap to begin."),
        K.REMINDER: pgettext("notice", "Still time for your few minutes today. Tap to begin."),
        K.NUDGE: pgettext("notice", "No news today. What happened? Tap to answer."),
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
        raise Refused("values", sorted(values), f"a value for {{{missing.args[0]}}}") from None


def checked_wording(body: str, kind: MessageKind) -> str:
    """`body` itself. Raises Refused for signs that are not seen, unknown placeholders, what is missing, and length.

    Placeholders count as nothing here: how long they become depends on the clinic, and `preview` tells that.
    """
    for sign in body:
        if unicodedata.category(sign) in _UNSEEN and sign not in _UNSEEN_BUT_MEANT:
            raise Refused("body", sign, f"text that can be seen; this is {name_of(sign)}")
    used = placeholders(body)
    allowed = PLACEHOLDERS[kind]
    for name in used:
        if name not in allowed:
            raise Refused("body", "{" + name + "}", f"placeholders {in_braces(allowed)}")
    for name in sorted(REQUIRED.get(kind, frozenset())):
        if name not in used:
            raise Refused("body", body, "a wording with {" + name + "} in it")
    if kind is K.STOPPED and "phone" not in used and not load_parser().words.start & set(said(body)):
        raise Refused("body", body, "a wording that leaves a way back: the word START, or {phone}")
    if not body.strip() or len(body) > LONGEST:
        raise Refused("body", body, f"text of 1 to {LONGEST} characters")
    if length(literal(body)).segments > MOST_SEGMENTS:
        accepted = f"at most {MOST_SEGMENTS} segments: {LONGEST} characters of the GSM-7 alphabet, or 201 of others"
        raise Refused("body", body, accepted)
    return body


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
