"""The file that a backup is: what it holds, and the secrets in it.

A zip archive (APPNOTE 6.3, with its 64-bit lengths) of `manifest.json`, which says what is in it; the database, as its
own tools write it; and, where they were asked for, `secrets.json`: sealed with AES-256-GCM (NIST SP 800-38D) under a
key that scrypt (RFC 7914) makes of a passphrase.

Promises that a manifest never holds a secret; that it stands under a seal (`domain.seals`) by a key that is not in
the file, and with it the database, whose digest it holds; that what cannot be read is refused with the file's name; and
that of a small file which opens into something endless no more is read than its manifest tells of.
The database in it is *not* encrypted: whoever holds the file can read it.
"""

from __future__ import annotations

import base64
import errno
import hashlib
import json
import secrets
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO, Protocol

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from service.domain.seals import Seal, Sealer
from service.domain.validation import Refused

FORMAT = 1
MANIFEST, SECRETS = "manifest.json", "secrets.json"
DATABASE = {"sqlite": "database.sqlite3", "postgresql": "database.pgdump"}
CHUNK = 1024 * 1024
LONGEST_TOLD = 1_000_000  # bytes of a manifest or of the secrets; of what is longer the rest is not read
ENCRYPTED = 0x1  # of a member's flags (APPNOTE 6.3, 4.4.4)
# scrypt's cost: OWASP, "Password Storage Cheat Sheet" (N=2^17, r=8, p=1): 128 MiB for each try.
COST = {"n": 2**17, "r": 8, "p": 1}
SEALED_FOR = b"secrets of a neaptide backup"
LEAST_PASSPHRASE = 15  # characters, as for passwords


@dataclass(frozen=True)
class Content:
    """What one table holds: how many rows, and the SHA-256 of them in the order of their ids."""

    rows: int
    sha256: str


@dataclass(frozen=True)
class Manifest:
    """What a backup is of. `taken_at` is the instant by which everything committed is in it."""

    taken_at: datetime
    version: str
    layout: str
    database: str  # sqlite or postgresql
    key: str  # fingerprint of the secret key that signs beside this data
    secrets: tuple[str, ...]  # names of the settings whose values lie sealed in the file
    size: int  # of the database's copy in it, bytes
    sha256: str
    tables: Mapping[str, Content]
    seal: str = ""  # over all of the above

    def sealed(self, sealer: Sealer) -> Manifest:
        return replace(self, seal=sealer.seal(self._under_seal()))

    def judged(self, sealer: Sealer) -> Seal:
        """Whether it is as somebody with one of these keys wrote it."""
        return sealer.judge(self.seal, self._under_seal())

    def as_json(self) -> str:
        return json.dumps(self._plain(), indent=1, sort_keys=True)

    def _plain(self) -> dict[str, Any]:
        return asdict(self) | {"format": FORMAT, "taken_at": self.taken_at.isoformat()}

    def _under_seal(self) -> list[Any]:
        return ["backup", {name: value for name, value in self._plain().items() if name != "seal"}]


def manifest_from(file: Path, text: bytes) -> Manifest:
    """Raises Refused for a manifest that this version cannot read."""
    try:
        told: dict[str, Any] = json.loads(text)
        if told.pop("format") != FORMAT:
            raise Refused("FILE", str(file), "a backup whose format this version knows; take the version that made it")
        tables = {name: Content(**content) for name, content in told.pop("tables").items()}
        taken_at = datetime.fromisoformat(told.pop("taken_at"))
        if taken_at.tzinfo is None:
            raise not_a_backup(file)
        return Manifest(taken_at=taken_at, tables=tables, secrets=tuple(told.pop("secrets")), **told)
    except (ValueError, TypeError, KeyError, AttributeError):
        raise not_a_backup(file) from None


def not_a_backup(file: Path) -> Refused:
    """What is there is none, or is cut short."""
    return Refused("FILE", str(file), "a whole file that `neaptide backup` has made")


@contextmanager
def opened(file: Path) -> Iterator[tuple[zipfile.ZipFile, Manifest]]:
    """The archive and its manifest. Raises Refused for what is no backup, or a damaged one."""
    try:
        with zipfile.ZipFile(file) as archive:
            if any(member.flag_bits & ENCRYPTED for member in archive.infolist()):
                raise not_a_backup(file)
            yield archive, manifest_from(file, _told(archive, MANIFEST))
    except (zipfile.BadZipFile, zlib.error, KeyError, EOFError, NotImplementedError):
        raise not_a_backup(file) from None
    except OSError as error:
        if error.errno == errno.EINVAL and error.filename is None:  # a directory that points before the file's begin
            raise not_a_backup(file) from None
        if error.filename not in {file, str(file)}:
            raise
        raise Refused("FILE", str(file), f"a file that can be read ({error.strerror})") from None


def _told(archive: zipfile.ZipFile, name: str) -> bytes:
    with archive.open(name) as member:
        return member.read(LONGEST_TOLD)


class Digest(Protocol):
    """What takes bytes in; `hashlib`'s own."""

    def update(self, data: bytes, /) -> None: ...


def copy(source: BinaryIO, target: BinaryIO, digest: Digest) -> int:
    """Copy to the end, telling `digest` of every byte. Returns how many."""
    size = 0
    while part := source.read(CHUNK):
        target.write(part)
        digest.update(part)
        size += len(part)
    return size


def check(file: Path) -> Manifest:
    """Read a backup to its end. Raises Refused where the database in it is not what its manifest says."""
    with opened(file) as (archive, manifest):
        digest, size = hashlib.sha256(), 0
        with archive.open(DATABASE[manifest.database]) as database:
            while size <= manifest.size and (part := database.read(CHUNK)):
                digest.update(part)
                size += len(part)
        if size != manifest.size or digest.hexdigest() != manifest.sha256:
            raise not_a_backup(file)
        return manifest


# --- the secrets -----------------------------------------------------------------------------


def checked_passphrase(passphrase: str) -> str:
    """Raises Refused, which never repeats it, for one that is short."""
    if len(passphrase) < LEAST_PASSPHRASE:
        raise Refused("passphrase", "(hidden)", f"at least {LEAST_PASSPHRASE} characters")
    return passphrase


def seal(values: Mapping[str, str], passphrase: str) -> str:
    """The settings by name, readable by nobody without the passphrase."""
    salt, nonce = secrets.token_bytes(16), secrets.token_bytes(12)
    key = _stretched(passphrase, salt)
    sealed = AESGCM(key).encrypt(nonce, json.dumps(dict(values)).encode("ascii"), SEALED_FOR)
    told = {"salt": salt, "nonce": nonce, "sealed": sealed}
    return json.dumps({"scrypt": COST} | {name: base64.b64encode(one).decode("ascii") for name, one in told.items()})


def unsealed(file: Path, archive: zipfile.ZipFile, passphrase: str) -> dict[str, str]:
    """The settings that a backup holds. Raises Refused for another passphrase than it was made with."""
    try:
        told = json.loads(_told(archive, SECRETS))
        salt, nonce, sealed = (base64.b64decode(told[name]) for name in ("salt", "nonce", "sealed"))
        if told["scrypt"] != COST:  # dearer ones would fill this machine's memory
            raise not_a_backup(file)
        values: dict[str, str] = json.loads(AESGCM(_stretched(passphrase, salt)).decrypt(nonce, sealed, SEALED_FOR))
    except InvalidTag:
        raise Refused("passphrase", "(hidden)", "the one that this backup was made with") from None
    except (ValueError, KeyError, TypeError):
        raise not_a_backup(file) from None
    return values


def _stretched(passphrase: str, salt: bytes) -> bytes:
    kdf = Scrypt(salt=salt, length=32, **COST)
    return kdf.derive(passphrase.encode("utf-8", "surrogateescape"))
