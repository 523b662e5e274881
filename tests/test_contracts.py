"""What must hold of the whole tree, whoever wrote which part of it."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

from service.cli import COMMANDS
from service.config import Settings
from service.keeping import belonging, erasing
from service.store.tables import Base
from tests.filled import texts

ROOT = Path(__file__).resolve().parent.parent
SERVICE = ROOT / "service"
MODULES = sorted(SERVICE.rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("test_*.py"))
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "service", "tests", "fixtures", "deploy"}
LONGEST_MODULE = 600
LONGEST_FUNCTION = 60
# The tables are one list, and nobody reads it top-down; a migration is made once and stays.
LONG_LISTS = {"service/store/tables.py"}
MIGRATIONS = "service/store/migrations/"
FAMILY = 3
ADDRESS = re.compile(r"""https?://[^\s"'<>)`]+""")
LOCKS = [ROOT / "deploy" / "run.txt", ROOT / "deploy" / "test.txt"]


def tracked() -> list[str]:
    """What version control holds, or would hold: files of this machine's own are nobody's business."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return [name for name in listed.stdout.splitlines() if (ROOT / name).exists()]


@cache
def tree_of(path: Path) -> ast.Module:
    """A module as Python reads it; not while tests are gathered, which each process does."""
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def calls(path: Path) -> frozenset[str]:
    """The dotted names of everything that a module calls or reads an attribute of."""
    return frozenset(named(node) for node in ast.walk(tree_of(path)) if isinstance(node, ast.Attribute))


def named(node: ast.expr) -> str:
    """`os.environ.get`, and for what is an attribute of no name `?.get`."""
    if isinstance(node, ast.Attribute):
        return f"{named(node.value)}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else "?"


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def test_the_rooms_import_downward_only() -> None:
    done = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_top_level_holds_what_a_reader_expects_and_nothing_else() -> None:
    top = {name.split("/")[0] for name in tracked()}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


def test_only_the_clock_asks_the_machine_for_the_time() -> None:
    """And what makes ids, which puts rows beside each other by it and tells it nobody."""
    asking = re.compile(r"(^|\.)(datetime|date)\.(now|today|utcnow)$|^time\.(time|time_ns|localtime|gmtime)$")
    found = {f"{name_of(path)}: {call}" for path in MODULES for call in calls(path) if asking.search(call)}
    asked = {line for line in found if not line.startswith("service/clock.py:")}
    assert asked == {"service/store/identity.py: time.time_ns"}
    assert found - asked, "the clock itself asks; if it was not found, this test looks for the wrong thing"


def test_only_the_settings_read_the_environment() -> None:
    reading = re.compile(r"^os\.(environ|environb|getenv)\b")
    found = {name_of(path) for path in MODULES for call in calls(path) if reading.search(call)}
    assert found == {"service/config.py"}


def ours(path: Path) -> bool:
    return not name_of(path).startswith(MIGRATIONS)


def test_a_module_holds_one_idea_that_can_be_read_in_one_sitting() -> None:
    lengths = {name_of(path): len(path.read_text(encoding="utf-8").splitlines()) for path in MODULES if ours(path)}
    assert {name: lines for name, lines in lengths.items() if lines > LONGEST_MODULE and name not in LONG_LISTS} == {}


def test_a_function_fits_on_a_page() -> None:
    long = {
        f"{name_of(path)}: {node.name}": (node.end_lineno or 0) - node.lineno + 1
        for path in MODULES
        if ours(path)
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    }
    assert {name: lines for name, lines in long.items() if lines > LONGEST_FUNCTION} == {}


def test_a_family_of_modules_is_a_package() -> None:
    """`texts`, `texts_staff`, `texts_replies` side by side are one idea cut into files: a package says so."""
    families = []
    for folder in sorted({path.parent for path in MODULES if ours(path)}):
        siblings = {path.stem for path in folder.glob("*.py")} | {path.parent.name for path in folder.glob("*/*.py")}
        siblings.discard("__init__")
        for prefix in {name.partition("_")[0] for name in siblings}:
            family = sorted(name for name in siblings if name.startswith(prefix))
            if len(family) >= FAMILY:
                families.append(f"{name_of(folder)}: {', '.join(family)}")
    assert families == []


def test_no_module_serves_tests_alone() -> None:
    """Each is imported by the service itself; what nothing but a test uses is a test's own."""
    imported = {
        name
        for path in MODULES
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in imports_of(node)
        if name != dotted(path)
    }
    # Begun by the operating system, and by the table of commands.
    begun = {"service.cli", *(f"service.commands.{module}" for module, *_ in COMMANDS.values())}
    names = {dotted(path) for path in MODULES if ours(path) and path.stem != "__init__"}
    assert names - imported - begun == set()


def imports_of(node: ast.Import | ast.ImportFrom) -> set[str]:
    if isinstance(node, ast.Import):
        return {alias.name for alias in node.names}
    return {node.module or "", *(f"{node.module}.{alias.name}" for alias in node.names)}


def dotted(path: Path) -> str:
    return name_of(path).removesuffix(".py").removesuffix("/__init__").replace("/", ".")


def test_a_package_says_what_it_is_and_hands_nothing_on() -> None:
    """A reader who meets a name finds it in the module that it was imported from."""
    more = {
        name_of(path): len(tree_of(path).body) - 1
        for path in MODULES
        if path.stem == "__init__" and len(tree_of(path).body) > 1 and ours(path)
    }
    assert more == {}


def test_no_two_classes_share_a_name() -> None:
    named: dict[str, list[str]] = {}
    for path in MODULES:
        for node in tree_of(path).body:
            if isinstance(node, ast.ClassDef):
                named.setdefault(node.name, []).append(name_of(path))
    assert {name: places for name, places in named.items() if len(places) > 1} == {}


def test_every_module_begins_by_saying_what_it_is_for() -> None:
    silent = [
        name_of(path)
        for path in MODULES
        if path.read_text(encoding="utf-8").strip() and ast.get_docstring(tree_of(path)) is None
    ]
    assert silent == []


def test_pages_load_nothing_from_elsewhere() -> None:
    """No template, style sheet or script of ours names an address that a browser would fetch."""
    fetched = re.compile(
        r"""(?:\b(?:src|href|action|data|poster|srcset)\s*=\s*["']?|url\(\s*["']?|@import\s+["']?|fetch\(\s*["']|import\s*\(?\s*["'])\s*(?:https?:)?//""",
        re.IGNORECASE,
    )
    pages = [
        path
        for folder in (SERVICE / "web" / "templates", SERVICE / "web" / "static")
        for path in folder.rglob("*")
        if path.suffix in {".html", ".css", ".js", ".svg", ".txt"}
    ]
    assert len(pages) > 10
    assert [name_of(path) for path in pages if fetched.search(path.read_text(encoding="utf-8"))] == []


def test_the_locks_hold_hashes_and_no_address_to_download_from() -> None:
    for lock in LOCKS:
        text = lock.read_text(encoding="utf-8")
        assert ADDRESS.findall(text) == []
        assert not re.search(r"^\s*(-i|--index-url|--extra-index-url|--find-links|-f)\b", text, re.MULTILINE)
        pinned = re.findall(r"^([A-Za-z0-9._-]+(?:\[[^\]]+\])?)==", text, re.MULTILINE)
        hashed = re.findall(
            r"^[A-Za-z0-9._-]+(?:\[[^\]]+\])?==[^\n]*\\\n(?:    --hash=sha256:[0-9a-f]{64})", text, re.MULTILINE
        )
        assert len(pinned) == len(hashed) > 20


def test_the_test_lock_agrees_with_the_run_lock() -> None:
    versions = [
        dict(re.findall(r"^([a-z0-9._-]+(?:\[[^\]]+\])?)==([^\s;]+)", lock.read_text(encoding="utf-8"), re.MULTILINE))
        for lock in LOCKS
    ]
    run, test = versions
    assert {name: test.get(name) for name in run} == run


def test_servers_listen_on_this_machine_only_unless_told_otherwise(tmp_path: Path) -> None:
    assert Settings.from_env({"NEAPTIDE_DATA": str(tmp_path)}).host == "127.0.0.1"
    everywhere = re.compile(r"(?<![\d.])0\.0\.0\.0(?![\d.])|\[::\]:|--host[ =]\*")
    # Inside a container's own network, with its port published on 127.0.0.1 (test_deploy); and the proxy that faces people.
    excepted = {"deploy/compose.yaml", "deploy/nginx.conf"}
    shipped = [name for name in tracked() if name.startswith(("service/", "deploy/", ".ci/")) and name not in excepted]
    assert [name for name in shipped if everywhere.search(read(name))] == []


def test_no_test_decides_by_how_long_something_took() -> None:
    """Speed is measured by deploy/bench, as ratios. A test that times itself fails on a busy machine."""
    clocks = re.compile(r"^time\.(perf_counter|monotonic|process_time|time)(_ns)?$")
    found = [
        name_of(path)
        for path in TESTS
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Assert)
        and any(isinstance(part, ast.Attribute) and clocks.match(named(part)) for part in ast.walk(node))
    ]
    assert found == []


def test_every_test_module_asserts_something() -> None:
    for path in TESTS:
        tests = [
            node
            for node in ast.walk(tree_of(path))
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
        ]
        assert tests, f"{name_of(path)} holds no test"


def test_no_secret_and_no_data_is_kept_in_version_control() -> None:
    kept = [name for name in tracked() if re.search(r"\.(sqlite3?|db|pem|key)$|(^|/)(secret-key|\.env)$", name)]
    assert kept == []


def test_the_scripts_can_be_run_as_they_are() -> None:
    scripts = [ROOT / "deploy" / name for name in ("install", "demo", "test", "bench")] + [ROOT / ".ci" / "run"]
    assert [name_of(path) for path in scripts if not os.access(path, os.X_OK)] == []
    for path in scripts:
        subprocess.run(["bash", "-n", path], check=True)


def read(name: str) -> str:
    try:
        return (ROOT / name).read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return ""


def test_of_every_table_it_is_said_whether_it_holds_a_patients_rows() -> None:
    """Else a patient is handed less than everything (service/keeping/belonging.py)."""
    said = [*belonging.TIED, *belonging.NOBODYS, *belonging.LOOSE]
    assert sorted(said) == sorted(Base.metadata.tables)


def test_of_every_text_of_a_patient_it_is_said_what_erasing_makes_of_it() -> None:
    """Else a name outlives its person's wish (service/keeping/erasing.py)."""
    assert set(erasing.FATES) == belonging.TIED
    for name, fate in erasing.FATES.items():
        table = Base.metadata.tables[name]
        said = {*fate.blank, *fate.coded.split()}
        assert said <= set(table.columns.keys()), name
        if not fate.goes:
            assert {column.name for column in texts(table)} <= said, name
