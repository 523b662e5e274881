"""Everything that is said of the package stands in pyproject.toml. Here is only what it is built with besides:
wheel and sdist carry the commit that they were made from (service/build.py), and nothing is written into the checkout.
"""

import runpy
from pathlib import Path

from setuptools import setup
from setuptools.command.build_py import build_py
from setuptools.command.sdist import sdist

BUILD = runpy.run_path(str(Path(__file__).with_name("service") / "build.py"))


def leave_commit(folder: Path) -> None:
    """Put the commit, where it is known, into the copy of our code in `folder`."""
    if commit := BUILD["commit_of"](Path(__file__).with_name("service")):
        (folder / BUILD["CARRIED"]).write_text(commit, encoding="ascii")


class Wheel(build_py):
    def run(self) -> None:
        super().run()
        if not self.editable_mode:  # a checkout goes on to another commit; it is asked anew
            leave_commit(Path(self.build_lib) / "service")


class Sources(sdist):
    def make_release_tree(self, base_dir: str, files: list[str]) -> None:
        super().make_release_tree(base_dir, files)
        leave_commit(Path(base_dir) / "service")


setup(cmdclass={"build_py": Wheel, "sdist": Sources})
