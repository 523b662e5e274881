"""Who may do what: the one table of rights, which pages and API alike go by.

Promises that a role carries no more than its work needs (45 CFR 164.502(b), minimum necessary; which
rights make up which role is ours): administration alone opens no patient's record, reading changes
nothing, limits, goals, references and *accepted* are a physician's, or of a nurse whom the clinic
authorises by name, and files that hold many patients leave by the hand of who was given that right.
One person may hold several roles.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from enum import StrEnum

from service.domain.validation import Refused
from service.domain.vocabulary import Role, Scope


class Right(StrEnum):
    OWN = "own"  # one's own account
    READ = "read"  # patients, the review, the inbox
    CARE = "care"  # sign, take and close tasks, adjust, write the record
    ENROL = "enrol"  # patients, caregivers, contacts, consents, plans, pauses
    DECIDE = "decide"  # limits, goals, references, accepted
    EXPORT = "export"  # files of many patients, or for another program
    ADMINISTER = "administer"  # settings, wordings, colleagues, keys, the audit trail


ROLES: dict[Role, frozenset[Right]] = {
    Role.NURSE: frozenset({Right.OWN, Right.READ, Right.CARE, Right.ENROL}),
    Role.PHYSICIAN: frozenset({Right.OWN, Right.READ, Right.CARE, Right.ENROL, Right.DECIDE}),
    Role.ADMINISTRATOR: frozenset({Right.OWN, Right.ADMINISTER}),
    Role.READ_ONLY: frozenset({Right.OWN, Right.READ}),
}
# What a code on paper opens for a bounded time (`accounts.emergency`): the record, and nothing of how it is kept.
EMERGENCY = frozenset({Right.READ, Right.CARE})
CHANGES_CARE = frozenset({Right.CARE, Right.ENROL, Right.DECIDE})
# What the clinic may give one person beyond their roles, and which right it builds on.
GRANTED: dict[Right, Right] = {Right.DECIDE: Right.CARE, Right.EXPORT: Right.READ}

# What a person needs for what a machine's key of this scope may write. To read, a person needs READ.
SCOPES: dict[Scope, Right] = {
    Scope.ENROL: Right.ENROL,
    Scope.CONTACTS: Right.ENROL,
    Scope.READINGS: Right.CARE,
    Scope.CHECKINS: Right.CARE,
    Scope.RESULTS: Right.CARE,
    Scope.REVIEW: Right.READ,
}


def rights_of(roles: Iterable[str], grants: Iterable[str] = ()) -> frozenset[Right]:
    """All that somebody with these roles and grants may do."""
    by_role = frozenset[Right]().union(*(ROLES[Role(role)] for role in roles))
    return by_role | {Right(one) for one in grants if GRANTED[Right(one)] in by_role}


def checked_roles(roles: Collection[Role]) -> list[str]:
    """The roles as they are kept. Raises Refused where there is none."""
    if not roles:
        raise Refused("roles", [], "at least one of %(words)s", words=tuple(Role))
    return [role.value for role in Role if role in roles]


def checked_grants(roles: Collection[Role], grants: Collection[Right]) -> list[str]:
    """The grants as they are kept. Raises Refused for one that these roles cannot carry."""
    held = rights_of(roles)
    for right in grants:
        if right not in GRANTED:
            raise Refused("grants", right.value, "one of %(words)s", words=tuple(GRANTED))
        if GRANTED[right] not in held:
            carriers = tuple(role.value for role, rights in ROLES.items() if GRANTED[right] in rights)
            accepted = {"right": right.value, "roles": carriers}
            raise Refused("grants", right.value, "%(right)s beside one of the roles %(roles)s", None, **accepted)
    return [right.value for right in GRANTED if right in grants]
