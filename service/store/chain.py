"""The audit trail as a chain, one a clinic and one for what belongs to none: no line is changed or taken out unseen.

Promises that a line that was sealed cannot be changed, deleted, put elsewhere or slipped in without `verify` naming
it, by anybody who has no key, though they may write every row. No write waits for it: the worker seals the lines that
came since, within a minute or so, in the order in which it finds them, and of two workers one.

1. A line gets its number, and a code over the number and all that the line holds: ids, names of fields, counts, dates;
   by the trail's own rule no value and no name, so that an erased patient's lines stay as they are.
2. A day's lines stand under one row (`AuditSeal`): over their codes, and over the seal of the day before.
3. The last seal of each chain is a head. Heads are taken outside once a day (`service.health.heads`): who deletes
   the end of a chain together with its seals is found by them alone.
4. Whole days can be dropped (`drop_before`): one row with a seal stays in their place.

What it cannot tell: a line that was changed before it was sealed, or one that somebody inserted, which is sealed like
any other (its own time and its seal's then differ). Lines older than the chain have the number 0 and are unsealed.
"""

from __future__ import annotations

import hashlib
import hmac
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import Engine, Row, bindparam, delete, exists, func, select, update
from sqlalchemy.orm import Session

from service.domain.seals import HOLDS, Seal, Sealer
from service.store.audit import Act, Actor, note_outside_clinics
from service.store.guarded import Tally
from service.store.identity import new_id
from service.store.seals import UNREADABLE, plain, read, sealer_of
from service.store.session import Where, changes_one, read_session, rows, write_session
from service.store.tables import AuditLine, AuditSeal, Clinic
from service.store.upsert import insert_new

OUTSIDE = uuid.UUID(int=0)  # the chain of what belongs to no clinic
AT_ONCE = 1000  # lines to a transaction
NEAR = 1000  # so far from its place a line is looked for that was put elsewhere
NAMED_WELL = 20  # where more is wrong than that, it is not looked for
LATE = timedelta(hours=1)  # lines that were older than this when their chain began stay unsealed
LINE = (
    AuditLine.id, AuditLine.at, AuditLine.actor_kind, AuditLine.actor_id, AuditLine.action,
    AuditLine.subject_kind, AuditLine.subject_id, AuditLine.detail, AuditLine.patient_id,
)  # fmt: skip
SEALED = ("chain", "first", "last", "day", "sealed_at", "dropped_at", "follows", "lines")


class Wrong(StrEnum):
    """What can be wrong with a chain."""

    DELETED = "deleted"
    CHANGED = "changed"
    MOVED = "moved"
    ADDED = "added"
    SEAL = "seal"  # a seal of the chain itself is altered or missing
    UNKNOWN_KEY = "unknown_key"
    HEAD = "head"  # the chain is not what it was when its head was taken outside


@dataclass(frozen=True, slots=True)
class Flaw:
    """One thing that is wrong, in a sentence of ids, numbers and times."""

    wrong: Wrong
    clinic_id: uuid.UUID | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Head:
    """Where a chain stood when its head was taken outside."""

    chain: uuid.UUID
    last: int
    seal: str


# --- sealing ---------------------------------------------------------------------------------------


def seal_new(engine: Engine, now: datetime) -> Tally:
    """Seal every line that has no seal yet, a thousand to a transaction; those of another worker are its own."""
    done = Tally()
    with read_session(engine) as session:
        if not sealer_of(session).keys:
            return done
        # With their times, which the index of what is unsealed holds beside them: else SQLite reads whole chains.
        unsealed = select(AuditLine.clinic_id, func.min(AuditLine.at)).where(AuditLine.number.is_(None))
        unsealed = unsealed.group_by(AuditLine.clinic_id)
        waiting = list(session.scalars(unsealed))
        new = [clinic_id for clinic_id in waiting if _newest(session, clinic_id) is None]
    for clinic_id in new:
        _leave_older(engine, clinic_id, now)
    for clinic_id in waiting:
        while number := _seal_some(engine, clinic_id, now):
            done += Tally(done=number)
    return done


def _leave_older(engine: Engine, clinic_id: uuid.UUID | None, now: datetime) -> None:
    """Where the chain is still to begin, what is older than it stays unsealed: nobody knows what became of it."""
    older = select(AuditLine.id).where(_of(clinic_id), AuditLine.number.is_(None), AuditLine.at < now - LATE)
    some = update(AuditLine).where(AuditLine.id.in_(older.limit(AT_ONCE)), AuditLine.number.is_(None)).values(number=0)
    while True:
        with write_session(engine) as session:
            if _newest(session, clinic_id) is not None or rows(session).execute(some).rowcount == 0:
                return


def _seal_some(engine: Engine, clinic_id: uuid.UUID | None, now: datetime) -> int:
    """Seal the next lines of a chain. Returns how many; 0 too where another worker was first."""
    with read_session(engine) as session:
        sealer = sealer_of(session)
        before = _newest(session, clinic_id)
        new = select(AuditLine.id).where(_of(clinic_id), AuditLine.number.is_(None))
        ids = session.scalars(new.order_by(AuditLine.at, AuditLine.id).limit(AT_ONCE)).all()
        lines = _lines_of(session, ids)
    if not ids:
        return 0
    first = 1 if before is None else before.last + 1
    codes = [_code(sealer, clinic_id, number, lines[line_id]) for number, line_id in enumerate(ids, first)]
    numbered = [
        {"line": line_id, "place": number, "code": code}
        for number, (line_id, code) in enumerate(zip(ids, codes, strict=True), first)
    ]
    with write_session(engine) as session:
        if not _write_seal(session, clinic_id, before, codes, now):
            return 0
        its = (AuditLine.id == bindparam("line"), AuditLine.number.is_(None))
        rows(session).execute(
            update(AuditLine).where(*its).values(number=bindparam("place"), code=bindparam("code")), numbered
        )
    return len(numbered)


def _code(sealer: Sealer, clinic_id: uuid.UUID | None, number: int, line: Row[Any] | None) -> bytes:
    """Empty for what nobody can read: it gets a place, so that it keeps none from being sealed, and is told of."""
    try:
        return b"" if line is None else sealer.codes(_line(clinic_id, number, line))[0]
    except UNREADABLE:
        return b""


def _write_seal(
    session: Session, clinic_id: uuid.UUID | None, before: AuditSeal | None, codes: Sequence[bytes], now: datetime
) -> bool:
    """Let the day's row hold these lines too, or begin one. False where another worker has sealed meanwhile."""
    first = 1 if before is None else before.last + 1
    # A day that is over stays as it is, whatever the clock does: its head may have been taken outside.
    grows = before is not None and before.day == now.date() and before.dropped_at is None
    row = {
        "chain": clinic_id or OUTSIDE,
        "first": before.first if before is not None and grows else first,
        "last": first + len(codes) - 1,
        "day": now.date() if before is None else max(now.date(), before.day),
        "sealed_at": now,
        "dropped_at": None,
        "follows": "" if before is None else before.follows if grows else _head(before),
        "lines": _running(before.lines if before is not None and grows else "", codes),
    }
    row["seal"] = sealer_of(session).seal(_seal_fields(row))
    if before is not None and grows:
        stands = (AuditSeal.id == before.id, AuditSeal.seal == before.seal)
        return changes_one(session, update(AuditSeal).where(*stands).values(row))
    return insert_new(session, AuditSeal.__table__, [{"id": new_id(), **row}], ["chain", "first"]) == 1


def _newest(session: Session, clinic_id: uuid.UUID | None) -> AuditSeal | None:
    chain = select(AuditSeal).where(AuditSeal.chain == (clinic_id or OUTSIDE))
    return session.scalars(chain.order_by(AuditSeal.first.desc()).limit(1)).first()


def _head(row: AuditSeal) -> str:
    """What the next row follows."""
    return row.seal if row.dropped_at is None else row.follows


def _running(before: str, codes: Iterable[bytes]) -> str:
    for code in codes:
        before = hashlib.sha256(bytes.fromhex(before) + code).hexdigest()
    return before


def _of(clinic_id: uuid.UUID | None) -> Any:
    return AuditLine.clinic_id.is_(None) if clinic_id is None else AuditLine.clinic_id == clinic_id


def _line(clinic_id: uuid.UUID | None, number: int, line: Row[Any]) -> list[Any]:
    values = [plain(value) for value in line[: len(LINE)]]
    return ["audit_lines", number, None if clinic_id is None else str(clinic_id), *values]


def _seal_fields(row: Mapping[str, Any]) -> list[Any]:
    return ["audit_seals", *(plain(row[name]) for name in SEALED)]


# --- dropping --------------------------------------------------------------------------------------


def drop_before(engine: Engine, clinic_id: uuid.UUID | None, before: datetime, now: datetime, actor: Actor) -> int:
    """Drop the clinic's lines of before that instant, a day of the chain to a transaction, which writes its own line.

    One row with a seal stays in their place, so that what is left is verified as before. Days are dropped from the
    beginning on, and no further than the first of which something is wrong: that stays for whoever looks into it.
    Lines that are older than the chain go too. Returns how many lines were dropped.
    """
    dropped = 0
    for drop in (_drop_older, _drop_day):
        while number := drop(engine, clinic_id, before, now, actor):
            dropped += number
    return dropped


def droppable(session: Session, clinic_id: uuid.UUID | None, before: datetime) -> int:
    """How many lines are of before that instant; `drop_before` keeps those of a day that is not all before it."""
    old = select(func.count()).where(_of(clinic_id), AuditLine.at < before, AuditLine.number.is_not(None))
    return session.scalar(old) or 0


def _drop_older(engine: Engine, clinic_id: uuid.UUID | None, before: datetime, now: datetime, actor: Actor) -> int:
    older = select(AuditLine.id).where(_of(clinic_id), AuditLine.number == 0, AuditLine.at < before).limit(AT_ONCE)
    with write_session(engine) as session:
        number = rows(session).execute(delete(AuditLine).where(AuditLine.id.in_(older))).rowcount
        if number:
            _note_dropped(session, clinic_id, actor, now, number, 0)
        return number


def _drop_day(engine: Engine, clinic_id: uuid.UUID | None, before: datetime, now: datetime, actor: Actor) -> int:
    with write_session(engine) as session:
        chain = select(AuditSeal).where(AuditSeal.chain == (clinic_id or OUTSIDE)).order_by(AuditSeal.first)
        found = session.scalars(chain.limit(2).with_for_update()).all()
        stone = found[0] if found and found[0].dropped_at is not None else None  # what was dropped before
        days = found if stone is None else found[1:]
        if not days or days[0].day >= now.date():
            return 0
        day = days[0]
        its = (_of(clinic_id), AuditLine.number.between(day.first, day.last))
        if session.scalar(select(exists().where(*its, AuditLine.at >= before))):
            return 0
        look = _Look(session, day.chain)
        look.walk([day] if stone is None else [stone, day])
        if look.flaws:
            return 0
        number = rows(session).execute(delete(AuditLine).where(*its)).rowcount
        gone = {"first": 1, "last": day.last, "day": (stone or day).day, "sealed_at": now, "dropped_at": now}
        row = {"chain": day.chain, **gone, "follows": day.seal, "lines": ""}
        if stone is not None:
            session.delete(day)
            session.flush()
        session.execute(
            update(AuditSeal)
            .where(AuditSeal.id == (stone or day).id)
            .values({**row, "seal": look.sealer.seal(_seal_fields(row))})
        )
        _note_dropped(session, clinic_id, actor, now, number, day.last)
        return number


def _note_dropped(
    where: Where, clinic_id: uuid.UUID | None, actor: Actor, now: datetime, number: int, last: int
) -> None:
    if clinic_id is None:
        note_outside_clinics(where, actor, "audit.drop", ("audit_lines", OUTSIDE), now)
    else:
        Act(where, actor, clinic_id, now).note("audit.drop", ("clinic", clinic_id), lines=number, up_to=last)


# --- verifying -------------------------------------------------------------------------------------


@dataclass(slots=True)
class ChainRead:
    """What was found of one chain."""

    clinic_id: uuid.UUID | None
    sealed: int  # lines whose seal was compared
    last: int  # the number of the last one
    waiting: int  # lines that the worker has not come to yet
    older: int  # lines that are older than the chain, and unsealed
    dropped: int  # the number up to which they were dropped
    flaws: list[Flaw]


def verify(engine: Engine, heads: Sequence[Head] = ()) -> Iterator[ChainRead]:
    """Every chain, read to its end, and compared with the heads that were taken outside. Changes nothing."""
    with read_session(engine) as session:
        known = {*session.scalars(select(AuditSeal.chain)), *session.scalars(select(Clinic.id)), OUTSIDE}
    for chain in sorted(known | {head.chain for head in heads}):
        with read_session(engine) as session:
            if engine.dialect.name == "postgresql":  # one picture of it, while the worker seals on; SQLite's always is
                session.connection(execution_options={"isolation_level": "REPEATABLE READ"})
            yield _Look(session, chain).told([head for head in heads if head.chain == chain])


class _Look:
    """One chain, as it is read."""

    def __init__(self, session: Session, chain: uuid.UUID) -> None:
        self.session, self.sealer, self.chain = session, sealer_of(session), chain
        self.clinic_id = None if chain == OUTSIDE else chain
        self.flaws: list[Flaw] = []

    def told(self, heads: Sequence[Head]) -> ChainRead:
        """All that is known of it; where a seal is nothing that anybody can read, that."""
        try:
            return self.verified(heads)
        except UNREADABLE:
            self._tell(Wrong.SEAL, "a seal, or a line outside of them, holds what nobody can read")
            return ChainRead(self.clinic_id, 0, 0, 0, 0, 0, self.flaws)

    def verified(self, heads: Sequence[Head]) -> ChainRead:
        """All that is known of it."""
        counts = self._counts()
        seals = self.session.scalars(
            select(AuditSeal).where(AuditSeal.chain == self.chain).order_by(AuditSeal.first)
        ).all()
        dropped = seals[0].last if seals and seals[0].dropped_at is not None else 0
        sealed = self.walk(seals)
        last = seals[-1].last if seals else 0
        for line in self._loose(dropped, seals):
            self._tell(Wrong.ADDED, f"line {line.id} of {_when(line.at)} has no place in the chain, and claims one")
        for head in heads:
            if head.last > dropped and head.seal not in {row.seal for row in seals if row.last == head.last}:
                self._tell(Wrong.HEAD, f"at line {head.last} it is not as it was when its head was taken outside")
        return ChainRead(self.clinic_id, sealed, last, counts[None], counts[0], dropped, self.flaws)

    def walk(self, seals: Sequence[AuditSeal]) -> int:
        """Compare every seal, and every line under it. Returns how many lines."""
        expected, follows, sealed = 1, "", 0
        for row in seals:
            found = self.sealer.judge(row.seal, _seal_fields(vars(row)))
            if found is Seal.UNKNOWN_KEY:
                self._tell(Wrong.UNKNOWN_KEY, f"lines {row.first} to {row.last} are sealed with a key not known here")
            elif found not in HOLDS:
                self._tell(Wrong.SEAL, f"the seal of lines {row.first} to {row.last} is altered")
            if row.first > expected:
                self._tell(Wrong.SEAL, f"the seal of lines {expected} to {row.first - 1} is missing")
            elif row.first < expected or (row.dropped_at is None and row.follows != follows):
                self._tell(Wrong.SEAL, f"the seal before line {row.first} is not the one that it followed")
            if row.dropped_at is None and found is not Seal.UNKNOWN_KEY:
                sealed += self._lines(row)
            expected, follows = row.last + 1, _head(row)
        return sealed

    def _lines(self, row: AuditSeal) -> int:
        """Compare every line that stands under this seal. Returns how many do."""
        before, running, flaws, seen = row.first - 1, "", len(self.flaws), 0
        neighbour: uuid.UUID | None = None
        for line in each_sealed(self.session, self.clinic_id, row.first, row.last):
            if line.number > before + 1:
                self._gone(before + 1, line.number - 1, neighbour)
            if line.number == before:
                self._tell(Wrong.ADDED, f"line {line.id} claims the place of line {line.number}")
            elif isinstance(line, _Unread):
                self._tell(Wrong.CHANGED, f"line {line.number} ({line.id}) holds what nobody can read")
            elif not self._is(line, line.number):
                self._changed(row, line)
            running = _running(running, [bytes(line.code or b"")])
            before, neighbour, seen = line.number, line.id, seen + 1
        if before < row.last:
            self._gone(before + 1, row.last, neighbour)
        if len(self.flaws) == flaws and running != row.lines:
            self._tell(Wrong.SEAL, f"lines {row.first} to {row.last} are not those that were sealed together")
        return seen

    def _is(self, line: Row[Any], number: int) -> bool:
        try:
            codes = self.sealer.codes(_line(self.clinic_id, number, line))
        except UNREADABLE:
            return False
        return any(hmac.compare_digest(code, line.code or b"") for code in codes)

    def _changed(self, row: AuditSeal, line: Row[Any]) -> None:
        named = f"line {line.number} ({line.id}, {line.action}, {_when(line.at)})"
        near = range(max(row.first, line.number - NEAR), min(row.last, line.number + NEAR) + 1)
        looked_for = near if len(self.flaws) < NAMED_WELL else ()
        was = next((number for number in looked_for if self._is(line, number)), None)
        if was is not None:
            self._tell(Wrong.MOVED, f"{named} was sealed as line {was}")
        else:
            self._tell(Wrong.CHANGED, f"{named} is not as it was sealed")

    def _gone(self, first: int, last: int, neighbour: uuid.UUID | None) -> None:
        which = f"line {first} is" if first == last else f"lines {first} to {last} are"
        after = f", after line {neighbour}" if neighbour else ""
        self._tell(Wrong.DELETED, f"{which} deleted{after}")

    def _loose(self, dropped: int, seals: Sequence[AuditSeal]) -> Sequence[Any]:
        """Lines with a number that no seal holds, and those with the 0 of the older ones that came after the first."""
        last = seals[-1].last if seals else 0
        loose = (AuditLine.number > last) | ((AuditLine.number > 0) & (AuditLine.number <= dropped))
        if seals:
            day_after = datetime.combine(seals[0].day, time(0), UTC) + timedelta(days=1)
            loose |= (AuditLine.number == 0) & (AuditLine.at >= day_after)
        query = select(AuditLine.id, AuditLine.at).where(_of(self.clinic_id), loose)
        return self.session.execute(query.order_by(AuditLine.at, AuditLine.id)).all()

    def _counts(self) -> dict[int | None, int]:
        waiting = select(func.count()).where(_of(self.clinic_id), AuditLine.number.is_(None))
        older = select(func.count()).where(_of(self.clinic_id), AuditLine.number == 0)
        return {None: self.session.scalar(waiting) or 0, 0: self.session.scalar(older) or 0}

    def _tell(self, wrong: Wrong, sentence: str) -> None:
        self.flaws.append(Flaw(wrong, self.clinic_id, sentence))


@dataclass(frozen=True, slots=True)
class _Unread:
    """A line that nobody can read."""

    number: int
    id: uuid.UUID
    code: bytes = b""


def each_sealed(session: Session, clinic_id: uuid.UUID | None, first: int, last: int) -> Iterator[Row[Any] | _Unread]:
    """The lines with these numbers, in their order, a thousand at a time, however far `last` is from the last one."""
    order, number, after = (AuditLine.number, AuditLine.id), first, OUTSIDE
    while True:
        beyond = (AuditLine.number > number) | (AuditLine.id > after)
        these = (_of(clinic_id), AuditLine.number.between(number, last), beyond)
        places = session.execute(select(*order).where(*these).order_by(*order).limit(AT_ONCE)).all()
        lines = _lines_of(session, [line_id for _, line_id in places])
        for place, line_id in places:
            number, after = place or number, line_id
            yield lines[line_id] or _Unread(number, line_id)
        if not places:
            return


def _lines_of(session: Session, ids: Sequence[uuid.UUID]) -> dict[uuid.UUID, Row[Any] | None]:
    query = select(*LINE, AuditLine.number, AuditLine.code)
    return read(lambda some: session.execute(query.where(AuditLine.id.in_(some))), ids)


def _when(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d %H:%M:%SZ}"
