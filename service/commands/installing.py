"""What `neaptide setup` leaves on a machine: user, folder for data, file of settings, wrapper, units.

Promises that a file is whole or not there, that settings and data are read by nobody else, and that
nothing is written over that another hand made. Root makes all of it; whoever is not root makes
the same for themselves, without user and units.
"""

from __future__ import annotations

import grp
import os
import pickle
import pwd
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

from service import config
from service.domain.validation import Refused

T = TypeVar("T")
PROGRAM = Path(sys.executable).with_name("neaptide")
CHECKOUT = Path(__file__).resolve().parents[2]
UNITS = ("neaptide-web.service", "neaptide-staff.service", "neaptide-worker.service")
SYSTEM_UNITS = Path("/etc/systemd/system")
SYSTEMD_RUNS = Path("/run/systemd/system")  # there while it does: sd_booted(3)
MARK = "Written by `neaptide setup`"
WRAPPER = """\
#!/bin/sh
# {mark}: Neaptide as the user it runs as, with its settings.
set -eu
{sudo}exec {program} --settings {settings} --user {user} "$@"
"""
SUDO = """if [ "$(id -u)" != 0 ]; then exec sudo -- {wrapper} "$@"; fi
"""


def is_root() -> bool:
    return os.geteuid() == 0


def as_user(user: str, work: Callable[[], T]) -> T:
    """`work` done in a process of that user's, where this is root's and there is such a user. Raises what it raises."""
    if not is_root() or user == "root" or not exists(user):
        return work()
    reads, writes = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            config.become(user)
            outcome = pickle.dumps((True, work()))
        except (Refused, click.ClickException) as refusal:
            outcome = pickle.dumps((False, refusal))
        except BaseException as error:
            outcome = pickle.dumps((False, click.ClickException(f"as {user}: {type(error).__name__}: {error}")))
        with os.fdopen(writes, "wb") as told:
            told.write(outcome)
        os._exit(0)
    os.close(writes)
    with os.fdopen(reads, "rb") as heard:
        raw = heard.read()
    os.waitpid(child, 0)
    is_done, said = pickle.loads(raw)  # noqa: S301 - our own child wrote it
    if not is_done:
        raise said
    return said  # type: ignore[no-any-return]


def exists(user: str) -> bool:
    try:
        return bool(pwd.getpwnam(user))
    except KeyError:
        return False


def make_user(user: str, home: Path) -> None:
    """A system user who cannot sign in. Raises Refused."""
    command = ["useradd", "--system", "--home-dir", str(home), "--no-create-home", "--shell", "/usr/sbin/nologin", user]
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - adduser(8)'s own
    if done.returncode:
        raise Refused("user", user, f"a name for a system user ({done.stderr.strip()})")


def make_data_folder(folder: Path, user: str) -> None:
    """The folder, the user's alone; one that is there stays as it is."""
    if not folder.exists():
        _make_folder(folder, 0o700)
        give(folder, user)


def _make_folder(folder: Path, mode: int) -> None:
    """Those above it let everybody through, as elsewhere on the machine: the service's user has to get there."""
    was = os.umask(0o022)
    try:
        folder.mkdir(mode, parents=True, exist_ok=True)
    finally:
        os.umask(was)


def give(path: Path, user: str) -> None:
    if is_root():
        account = pwd.getpwnam(user)
        os.chown(path, account.pw_uid, account.pw_gid)


def write(key: str, file: Path, text: str, mode: int) -> None:
    """A whole file or none, of whoever runs this. Raises Refused, naming the answer `key`."""
    part = file.with_name(f".{file.name}.{os.getpid()}")
    try:
        _make_folder(file.parent, 0o700 if mode == 0o600 else 0o755)
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as opened:
            opened.write(text)
            os.fchmod(opened.fileno(), mode)
            os.fsync(opened.fileno())
        part.replace(file)
    except OSError as error:
        raise Refused(key, str(file), f"a place that can be written ({error.strerror})") from None
    finally:
        part.unlink(missing_ok=True)


def checked_place(key: str, place: Path) -> None:
    """Raises Refused unless a file or folder can be made there, or is there and can be written."""
    if not place.is_absolute():
        raise Refused(key, str(place), "an absolute path")
    there = next(one for one in (place, *place.parents) if os.path.lexists(one))
    if not os.access(there, os.W_OK) or not (there.is_dir() or there == place):
        raise Refused(key, str(place), f"a place where {config.user_name(os.geteuid())} may write; {there} is none")


def checked_free(key: str, file: Path) -> None:
    """Raises Refused for a file that another hand made."""
    checked_place(key, file)
    if file.exists() and MARK not in file.read_text(encoding="utf-8", errors="replace"):
        raise Refused(key, str(file), "a path where nothing lies yet, or what an earlier setup wrote")


def wrapper(file: Path, settings: Path, user: str) -> str:
    """The script on PATH that stands for `neaptide`."""
    quoted = {"program": PROGRAM, "settings": settings, "user": user, "wrapper": file}
    words = {name: shlex.quote(str(value)) for name, value in quoted.items()}
    return WRAPPER.format(mark=MARK, sudo=SUDO.format(**words) if is_root() else "", **words)


def unit(name: str, settings: Path, user: str, data: Path) -> str:
    """The unit of the checkout, for this installation's own paths and user. Raises Refused."""
    source = CHECKOUT / "deploy" / "systemd" / name
    if not source.exists():
        raise Refused("units", "yes", "no: the units are part of a checkout, and this is an installed package")
    for path in (CHECKOUT, data, settings):
        if re.search(r"\s", str(path)):
            raise Refused("units", "yes", f"no, or a path without blanks in place of {str(path)!r}")
        if path.is_relative_to("/home") or path.is_relative_to("/root"):
            raise Refused("units", "yes", f"no, or another place than {path}: services see no homes of people")
    text = source.read_text(encoding="utf-8")
    if data != Path("/var/lib/neaptide"):
        text = text.replace("StateDirectory=neaptide\nStateDirectoryMode=0700\n", f"ReadWritePaths={data}\n")
    group = grp.getgrgid(pwd.getpwnam(user).pw_gid).gr_name if exists(user) else user
    ours = {
        "/opt/neaptide/.venv/bin/neaptide": PROGRAM,
        "/opt/neaptide": CHECKOUT,
        "/etc/neaptide/neaptide.env": settings,
        "User=neaptide": f"User={user}",
        "Group=neaptide": f"Group={group}",
    }
    # In one pass: a path that was put in may begin as the next one looked for.
    text = re.sub("|".join(map(re.escape, ours)), lambda found: str(ours[found[0]]), text)
    return f"# {MARK}\n{text}"


def start_units() -> str:
    """Start the units, now and at each boot, and say how it went."""
    if not SYSTEMD_RUNS.exists():
        return "not started: systemd does not run here"
    # Started anew where they run: the settings may be others now.
    for words in (("daemon-reload",), ("enable", *UNITS), ("restart", *UNITS)):
        done = subprocess.run(["systemctl", *words], capture_output=True, text=True, check=False)  # noqa: S603, S607
        if done.returncode:
            return f"not started: systemctl {words[0]}: {done.stderr.strip()}"
    return "started"
