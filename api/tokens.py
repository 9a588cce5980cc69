"""Tokens: who may speak to the service. A file of its own beside the shop file, which may be handed round or restored.

What is kept of a token is the SHA-256 of its secret. The secret is 32 random bytes, so that nobody can find it by
trying, and a slow hash as for passwords would add nothing.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

from sandtrack.errors import FieldError, InputErrors, ShopFileError
from sandtrack.records import fields

from .access import ROLES

APPLICATION_ID = 0x53544B4E  # "STKN"
LAST_USE_EVERY_US = 600 * 1_000_000
SETTLED_NS = 3_000_000_000
_TABLE = """
CREATE TABLE token (
  id TEXT PRIMARY KEY,
  hash BLOB NOT NULL CHECK (length(hash) = 32),
  name TEXT NOT NULL CHECK (name <> ''),
  role TEXT NOT NULL,
  mixer TEXT NOT NULL,
  made INTEGER NOT NULL,
  last_used INTEGER,
  revoked INTEGER
) STRICT
"""
_NO_HASH = b"\0" * 32


class Token(NamedTuple):
    """One token, without its secret. Times are microseconds since 1970, UTC."""

    id: str
    hash: bytes
    name: str
    """The device or person it was made for: the sender of records that name none."""
    role: str
    mixer: str
    """The one mixer that a device is bound to; "" for people."""
    made: int
    last_used: int | None
    revoked: int | None


class Tokens:
    """The tokens of one shop. Safe to use from several threads and processes."""

    def __init__(self, path: str | Path, clock: Callable[[], int] = lambda: time.time_ns() // 1000) -> None:
        self.path = Path(path)
        self._name = str(path)
        self.clock = clock
        self._read: tuple[tuple[int, ...], dict[str, Token]] = ((), {})
        self._used: dict[str, int] = {}

    @classmethod
    def beside(cls, shop: str | Path, clock: Callable[[], int] = lambda: time.time_ns() // 1000) -> Tokens:
        """The tokens of a shop file."""
        return cls(f"{shop}.tokens", clock)

    # -- made and revoked ---------------------------------------------------------------------------------------

    def make(self, *, role: str, name: str, mixer: str = "") -> tuple[Token, str]:
        """Make a token; return it and its text, which is not kept and cannot be shown again. Raises InputErrors."""
        problems = []
        if role not in ROLES:
            problems.append(FieldError(field="role", value=role, reason="is no role", accepted=", ".join(ROLES)))
        elif (role == "device") != bool(mixer):
            reason = "is missing: a device is bound to its own mixer" if not mixer else "is only for a device"
            problems.append(FieldError(field="mixer", reason=reason, accepted="a mixer with role device, none else"))
        field = fields.Name()
        field.name = "name"
        try:
            name = field.parse(name)
        except FieldError as problem:
            problems.append(problem)
        if problems:
            raise InputErrors(problems, what="the token")
        secret = secrets.token_urlsafe(32)
        token = Token(secrets.token_hex(4), _hash(secret), name, role, mixer, self.clock(), None, None)
        with self._opened(create=True) as connection:
            connection.execute("INSERT INTO token VALUES (?, ?, ?, ?, ?, ?, ?, ?)", token)
        return token, f"{token.id}.{secret}"

    def listed(self) -> list[Token]:
        """Every token there is or was, in the order in which they were made."""
        if not self.path.exists():
            return []
        with self._opened() as connection:
            return [Token(*row) for row in connection.execute("SELECT * FROM token ORDER BY made, id")]

    def revoke(self, token_id: str) -> Token:
        """Revoke a token, for good; a second time changes nothing. Raises InputErrors."""
        found = next((token for token in self.listed() if token.id == token_id), None)
        if found is None:
            problem = FieldError(field="token", value=token_id, reason="is not there", accepted="an id of `token list`")
            raise InputErrors([problem], what="the command")
        now = self.clock()
        with self._opened() as connection:
            connection.execute("UPDATE token SET revoked = ? WHERE id = ? AND revoked IS NULL", (now, token_id))
        return found._replace(revoked=found.revoked or now)

    # -- asked ---------------------------------------------------------------------------------------------------

    def find(self, text: str) -> Token | None:
        """The token in force that a text is, or None. Writes its last use now and then."""
        token_id, _, secret = text.partition(".")
        found = self._table().get(token_id)
        same = hmac.compare_digest(_hash(secret), found.hash if found else _NO_HASH)
        if found is None or not same or found.revoked is not None:
            return None
        self._note_use(found)
        return found

    def _note_use(self, token: Token) -> None:
        now = self.clock()
        if now - self._used.get(token.id, token.last_used or 0) < LAST_USE_EVERY_US:
            return
        self._used[token.id] = now
        # Who asked need neither fail nor wait because this cannot be noted.
        with suppress(ShopFileError), self._opened(wait_s=0.05) as connection:
            connection.execute("UPDATE token SET last_used = ? WHERE id = ?", (now, token.id))

    def _table(self) -> dict[str, Token]:
        """All tokens by id, read again when the file is another, or was or may have been written since."""
        try:
            stat = os.stat(self._name)  # noqa: PTH116 - twice as quick as pathlib, at each request
        except FileNotFoundError:
            return {}
        except OSError as problem:
            raise self._unusable(problem) from problem
        seen = (stat.st_dev, stat.st_ino, stat.st_mtime_ns, stat.st_size)
        if self._read[0] == seen:
            return self._read[1]
        with self._explained(), self._opened() as connection:
            table = {row[0]: Token(*row) for row in connection.execute("SELECT * FROM token")}
        # A file written this moment may be written again within the same tick of its time.
        settled = abs(time.time_ns() - stat.st_mtime_ns) > SETTLED_NS
        self._read = (seen if settled else (), table)
        return table

    # -- the file -----------------------------------------------------------------------------------------------

    @contextmanager
    def _opened(self, *, create: bool = False, wait_s: float = 30) -> Iterator[sqlite3.Connection]:
        """A connection for one command."""
        with self._explained():
            if create:
                with suppress(FileExistsError):  # readable by its owner alone, from the first moment
                    os.close(os.open(self.path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
            connection = sqlite3.connect(self.path, isolation_level=None, timeout=wait_s)
            try:
                connection.execute("BEGIN IMMEDIATE" if create else "BEGIN")
                if create and not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                    connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
                    connection.execute(_TABLE)
                if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
                    raise ShopFileError(f"{self.path} is not a file of tokens; name another", path=self.path)
                yield connection
                connection.execute("COMMIT")
            finally:
                connection.close()

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as problem:
            raise self._unusable(problem) from problem

    def _unusable(self, problem: Exception) -> ShopFileError:
        return ShopFileError(
            f"{self.path} cannot be used ({problem}): see that this user may read and write it and its folder, and "
            "that the disk has room; if it is damaged, delete it and make the tokens anew",
            path=self.path,
        )


def _hash(secret: str) -> bytes:
    return hashlib.sha256(secret.encode()).digest()
