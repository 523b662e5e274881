"""Windows, silences and the outbox as one machine, to which anything may happen at any time.

Hypothesis chooses what happens and in which order; `picture.py` says what ought to be
so, `holding.py` checks it after every step. `test_model.py` runs some machines in the
suite; more: `python -m tests.crash.model 2000`.
"""

from __future__ import annotations

import random
import sys
import tempfile
import uuid
from collections.abc import Callable
from datetime import datetime, timedelta
from itertools import count
from unittest.mock import patch

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    invariant,
    rule,
    run_state_machine_as_test,
)
from sqlalchemy import Engine

from service.delivery.sending import Boundary
from service.domain.vocabulary import CaregiverAnswer, PauseCause
from service.store import migrate
from service.store.due import next_due
from service.store.session import open_engine, read_session
from tests.crash import holding
from tests.crash.happenings import A_MINUTE, AN_HOUR, Happenings
from tests.crash.household import forget
from tests.crash.picture import DAY

CHANCE = random.Random(1)
PASSES = [
    *(minutes * A_MINUTE for minutes in (0, 1, 3, 20, 90)),
    *(hours * AN_HOUR for hours in (5, 9, 26, 80)),
    *(AN_HOUR, -AN_HOUR),  # as when a clock is set
]


class Lives(Happenings):
    """See the module. `engine` is set by whoever runs it."""

    cuts = 0

    def __init__(self) -> None:
        super().__init__()
        forget(self.engine)
        CHANCE.seed(1)
        self.numbers = count(1)
        self.seen: holding.Seen = {}
        self.whole_since: datetime | None = None  # when the pass began that has just come to its end

    # --- time and power ---------------------------------------------------------------

    @rule(times=st.integers(1, 8))
    def lives_on(self, times: int) -> None:
        """The worker is up and passes whenever something falls due."""
        for _ in range(times):
            self._goes_to_what_is_due()
            self._ticks()

    @rule()
    def lives_a_day(self) -> None:
        tomorrow = self.home.now + DAY
        for _ in range(20):
            if self.home.now < tomorrow:
                self._goes_to_what_is_due()
                self._ticks()

    @rule(by=st.sampled_from(PASSES), ticks=st.booleans())
    def time_passes(self, by: timedelta, ticks: bool) -> None:
        """With no worker there, or the clock is set; then it is there, or not yet."""
        self._goes_on(by)
        if ticks:
            self._ticks()

    @rule()
    def clock_is_set_back(self) -> None:
        """Right after something was done."""
        self._goes_to_what_is_due()
        self._ticks()
        self.all_holds()
        self._goes_on(-AN_HOUR)

    @rule(statement=st.integers(1, 15))
    def loses_power_while_writing(self, statement: int) -> None:
        """In any part of a pass."""
        self._goes_to_what_is_due()
        self._cut(lambda: self.home.tick_cut_while_writing(statement))

    @rule(boundary=st.sampled_from(list(Boundary)), minutes=st.sampled_from([0, 3, 3]))
    def loses_power_while_delivering(self, boundary: Boundary, minutes: int) -> None:
        """The next worker comes at once, or when the lease is over."""
        self._goes_to_what_is_due()
        self._cut(lambda: self.home.tick_cut_at(boundary))
        self.all_holds()
        self._goes_on(minutes * A_MINUTE)
        self._ticks()

    @rule(boundary=st.sampled_from([Boundary.BEFORE_CLAIM, *[Boundary.CLAIMED] * 3]), data=st.data())
    def something_happens_meanwhile(self, boundary: Boundary, data: st.DataObject) -> None:
        """Before the last look at what is about to leave; after it, it leaves."""
        happens: Callable[[], None] = data.draw(
            st.sampled_from(
                [
                    lambda: self.consent_changes("ben allowed", False),
                    self._everybody(lambda who: self.consent_changes(["asha", "cato"][who], False)),
                    self._everybody(lambda who: self.reading_arrives(who, A_MINUTE)),
                    self._everybody(lambda who: self.reading_arrives(who, 6 * AN_HOUR)),
                    self._everybody(lambda who: self.checkin_arrives(who, 0, 3, False)),
                    self._everybody(lambda who: self.pause_begins(who, 0, 1, PauseCause.AWAY)),
                    lambda: self.caregiver_answers(CaregiverAnswer.SPOKE),
                    lambda: self._goes_on(AN_HOUR),
                ]
            )
        )
        self._goes_to_what_is_due()
        began = self.home.now
        self.home.tick_meanwhile(boundary, happens)
        self.whole_since = began

    # --- what must hold ------------------------------------------------------------------------

    @invariant()
    def all_holds(self) -> None:
        holding.check(self.home, self.seen, self.whole_since)
        self.whole_since = None

    def teardown(self) -> None:
        """Days later, the provider well again, nothing is left over."""
        if not hasattr(self, "home"):
            return
        self.home.provider.moods.clear()
        before = self.home.now
        for _ in range(3):
            self._goes_on(26 * AN_HOUR)
            self._ticks()
        self.all_holds()
        holding.check_end(self.home, before)

    # --- helpers -------------------------------------------------------------------------------

    def _ticks(self) -> None:
        began = self.home.now
        self.home.tick()
        self.whole_since = began

    def _goes_to_what_is_due(self) -> None:
        with read_session(self.engine) as session:
            due = next_due(session, after=self.home.now)
        if due is not None:
            self._goes_on(due.at - self.home.now)

    def _everybody(self, does: Callable[[int], None]) -> Callable[[], None]:
        def happens() -> None:
            for who in range(len(self.home.people)):
                does(who)

        return happens

    def _cut(self, tick: Callable[[], bool]) -> None:
        began = self.home.now
        if tick():
            type(self).cuts += 1
        else:
            self.whole_since = began


def run(engine: Engine, examples: int, steps: int, *, derandomize: bool = False, shrinks: bool = True) -> int:
    """So many machines, each of so many steps, in one database. Returns how often power was lost; raises what fails."""
    on_this = type("Lives", (Lives,), {"engine": engine})
    phases = set(Phase) - (set() if shrinks else {Phase.shrink, Phase.explain})
    # Ids decide the order of equals: the same choices must come to the same.
    with patch("uuid.uuid4", lambda: uuid.UUID(int=CHANCE.getrandbits(128), version=4)):
        run_state_machine_as_test(
            on_this,
            settings=settings(
                max_examples=examples,
                stateful_step_count=steps,
                derandomize=derandomize,
                database=None,
                deadline=None,
                phases=phases,
                suppress_health_check=list(HealthCheck),
            ),
        )
    return on_this.cuts  # type: ignore[attr-defined, no-any-return]


def main(examples: int) -> None:
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        engine = open_engine(f"sqlite:///{folder}/model.sqlite3")
        migrate.upgrade(engine)
        cuts = run(engine, examples, 60)
        engine.dispose()
    print(f"{examples} machines of up to 60 steps, {cuts} power cuts: all held")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
