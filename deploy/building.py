"""What the package is built with besides what pyproject.toml says, which names the two classes below.

Wheel and sdist carry the commit that they were made from (service/build.py), and nothing is written into the checkout.
The sdist carries this file as well, since a wheel may be built from it.
"""

import runpy
import shutil
from pathlib import Path

from setuptools.command.build_py import build_py
from setuptools.command.sdist import sdist

PACKAGE = Path(__file__).resolve().parent.parent / "service"
BUILD = runpy.run_path(str(PACKAGE / "build.py"))


def leave_commit(folder: Path) -> None:
    """Put the commit, where it is known, into the copy of our code in `folder`."""
    if commit := BUILD["commit_of"](PACKAGE):
        (folder / BUILD["CARRIED"]).write_text(commit, encoding="ascii")


class Wheel(build_py):
    def run(self) -> None:
        super().run()
        if not self.editable_mode:  # a checkout goes on to another commit; it is asked anew
            leave_commit(Path(self.build_lib) / "service")


class Sources(sdist):
    def make_release_tree(self, base_dir: str, files: list[str]) -> None:
        super().make_release_tree(base_dir, files)
        (Path(base_dir) / "deploy").mkdir(exist_ok=True)
        shutil.copy(__file__, Path(base_dir) / "deploy")
        leave_commit(Path(base_dir) / "service")
