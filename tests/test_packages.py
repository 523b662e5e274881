"""What is handed on as a package: wheel and sdist carry all of the service, and it runs from the wheel alone."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from importlib import metadata
from pathlib import Path

import pytest

from service import build

ROOT = Path(__file__).resolve().parent.parent
BUILDS = """
import sys
from setuptools import build_meta
folder = sys.argv[1]  # which what builds writes over
build_meta.build_sdist(folder)
build_meta.build_wheel(folder)
"""
# As a web server makes it: pages, style, description of the API and the words of both languages are there.
RUNS = """
import sys
from pathlib import Path
import service
assert Path(service.__file__).is_relative_to(sys.argv[1]), service.__file__
from service.commands.serve import wsgi
client = wsgi().test_client()
assert client.get("/healthz").get_json()["commit"] == sys.argv[2]
assert sys.argv[2][:12] in client.get("/signin").get_data(as_text=True)
for path in ("/signin", "/openapi.json", "/docs"):
    answer = client.get(path)
    assert answer.status_code == 200, (path, answer.status_code)
spanish = client.get("/signin", headers={"Accept-Language": "es"}).get_data(as_text=True)
assert 'lang="es"' in spanish
print("runs")
"""


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with sdist and wheel, made from what version control holds."""
    source, folder = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("built")
    for name in tracked("service", "deploy/LICENSE", "deploy/building.py", "pyproject.toml", "README.md"):
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        (source / name).write_bytes((ROOT / name).read_bytes())
    (folder / "made-from").write_text(commit(source), encoding="ascii")
    subprocess.run([sys.executable, "-c", BUILDS, folder], cwd=source, check=True, capture_output=True, text=True)
    return folder


def commit(checkout: Path) -> str:
    """What git itself calls a new commit in `checkout`, a repository of its own from now on."""
    git(checkout, "init", "--quiet")
    who = ("-c", "user.name=Odalys", "-c", "user.email=odalys@fernmoor.example")
    git(checkout, *who, "commit", "--quiet", "--allow-empty", "--message", "Begin anew")
    return git(checkout, "rev-parse", "HEAD")


def git(checkout: Path, *asked: str) -> str:
    done = subprocess.run(["git", *asked], cwd=checkout, check=True, capture_output=True, text=True)
    return done.stdout.strip()


def tracked(*paths: str) -> set[str]:
    listed = subprocess.run(["git", "ls-files", *paths], cwd=ROOT, check=True, capture_output=True, text=True)
    return {name for name in listed.stdout.splitlines() if (ROOT / name).exists()}


def test_wheel_and_sdist_carry_the_service_its_licence_and_nothing_else(built: Path) -> None:
    ours = tracked("service")
    (wheel,), (sdist,) = built.glob("*.whl"), built.glob("*.tar.gz")
    # PEP 639: licence files lie below .dist-info/licenses under the path that they had.
    meant = f"neaptide-{metadata.version('neaptide')}.dist-info/"
    inside = set(zipfile.ZipFile(wheel).namelist())
    assert {name for name in inside if not name.startswith(meant)} == ours | {"service/commit.txt"}
    assert meant + "licenses/deploy/LICENSE" in inside
    with tarfile.open(sdist) as packed:
        carried = {each.name.partition("/")[2] for each in packed.getmembers() if each.isfile()}
    assert carried >= ours | {
        "pyproject.toml",
        "README.md",
        "deploy/LICENSE",
        "deploy/building.py",
        "service/commit.txt",
    }


def test_a_checkout_tells_its_commit_as_git_does_and_another_folder_none(tmp_path: Path) -> None:
    package = tmp_path / "service"
    package.mkdir()
    assert build.commit_of(package) == ""
    told = commit(tmp_path)
    assert build.commit_of(package) == told
    git(tmp_path, "pack-refs", "--all")  # its branch is a line of one file from now on
    assert build.commit_of(package) == told
    git(tmp_path, "checkout", "--quiet", "--detach")
    assert build.commit_of(package) == told
    (package / build.CARRIED).write_text("a1" * 20 + "\n", encoding="ascii")
    assert build.commit_of(package) == "a1" * 20  # what was built says itself what from


def test_the_service_runs_from_its_wheel_and_knows_its_commit(built: Path, tmp_path: Path) -> None:
    (wheel,) = built.glob("*.whl")
    place = tmp_path / "installed"
    made_from = (built / "made-from").read_text(encoding="ascii")
    shutil.unpack_archive(wheel, place, "zip")
    given = {name: value for name, value in os.environ.items() if not name.startswith("NEAPTIDE_")}
    given |= {
        "PYTHONPATH": str(place),
        "NEAPTIDE_DATA": str(tmp_path / "data"),
        "NEAPTIDE_BASE_URL": "http://127.0.0.1:8000",
    }
    for asked, told in (
        (
            ["-c", "from service.cli import main; main()", "--version"],
            f"{metadata.version('neaptide')} ({made_from[:12]})",
        ),
        (["-c", "from service.cli import main; main()", "migrate"], ""),
        (["-c", RUNS, str(place), made_from], "runs"),
    ):
        done = subprocess.run(
            [sys.executable, *asked], cwd=tmp_path, env=given, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr
        assert told in done.stdout


def test_no_other_package_is_imported_by_our_name() -> None:
    """The registries have a package `service` too. Beside ours it would write into the same folder, without a word."""
    assert set(metadata.packages_distributions()["service"]) == {"neaptide"}
