"""The tables beside this file: each line has its state, and each test that it names is there."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

HERE = Path(__file__).parent
STATES = {"met", "by reading", "by the operator", "not applicable", "not met"}
HAZARDS = (
    "False reassurance", "Wrong patient", "Message to the wrong person", "Missed silence", "Alarm at night unseen",
    "Unit slip", "Stale page signed", "Time-zone error", "Flood of alerts", "Silent gateway", "Altered record",
    "Locked-out staff",
)  # fmt: skip


def rows(name: str) -> list[list[str]]:
    lines = [line for line in (HERE / name).read_text("utf-8").splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


@cache
def functions_in(file: str) -> frozenset[str]:
    tree = ast.parse((HERE.parent / file).read_text("utf-8"))
    return frozenset(one.name for one in ast.walk(tree) if isinstance(one, ast.FunctionDef))


def named(cell: str) -> list[str]:
    """The tests that a cell names; each must be there."""
    found = re.findall(r"`([\w/]+\.py)::(test_\w+)`", cell)
    assert cell.count("::") == len(found), cell
    missing = [f"{file}::{name}" for file, name in found if name not in functions_in(file)]
    assert missing == []
    return [name for _, name in found]


def test_every_hazard_has_cause_control_a_test_and_what_is_left() -> None:
    table = rows("HAZARDS.md")
    for hazard, cause, control, shown, left in table:
        assert all((hazard, cause, control, left)), hazard
        assert named(shown), hazard
    assert set(HAZARDS) <= {row[0] for row in table}


def test_every_line_of_the_standard_has_a_state_and_what_shows_it() -> None:
    seen: list[tuple[int, ...]] = []
    for numbers, what, state, shown in rows("ASVS.md"):
        assert what, numbers
        assert state in STATES, numbers
        assert bool(named(shown)) is (state == "met"), numbers
        assert shown or state in {"not applicable", "by the operator"}, numbers
        for number in numbers.split(", "):
            assert re.fullmatch(r"\d{1,2}\.\d{1,2}\.\d{1,2}", number)
            seen.append(tuple(int(part) for part in number.split(".")))
    assert len(set(seen)) == len(seen) > 200
    assert {chapter for chapter, _, _ in seen} == set(range(1, 17))  # its seventeenth, WebRTC, is of no use here
