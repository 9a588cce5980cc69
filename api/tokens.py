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

from .roles import ROLES

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
VERSION = 2
_COLUMNS = "id, hash, name, role, mixer, made, last_used, revoked"
_SINCE_2 = (
    "ALTER TABLE token ADD COLUMN place TEXT NOT NULL DEFAULT ''",
    "ALTER TABLE token ADD COLUMN expires INTEGER",
)
"""What a file of version 1 lacks: the place that a machine is bound to, and until when a token is in force."""


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
    place: str = ""
    """The one place that a machine is bound to."""
    expires: int | None = None
    """From when on it is refused; None for never."""

    @property
    def bound_to(self) -> str:
        """Key of the mixer or place that it is bound to; "" where it is not."""
        return self.mixer or self.place

    def is_over(self, now: int) -> bool:
        """Whether it was revoked or has expired."""
        return self.revoked is not None or (self.expires is not None and self.expires <= now)


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

    def make(
        self, *, role: str, name: str, mixer: str = "", place: str = "", expires: int | None = None
    ) -> tuple[Token, str]:
        """Make a token; return it and its text, which is not kept and cannot be shown again. Raises InputErrors."""
        problems = []
        if role not in ROLES:
            problems.append(FieldError(field="role", value=role, reason="is no role", accepted=", ".join(ROLES)))
        else:
            problems += [*_unbound(role, mixer, place), *self._names_taken(role, name, mixer, place)]
        now = self.clock()
        if expires is not None and expires <= now:
            problems.append(FieldError(field="expires", reason="is over already", accepted="a time to come"))
        field = fields.Name()
        field.name = "name"
        try:
            name = field.parse(name)
        except FieldError as problem:
            problems.append(problem)
        if problems:
            raise InputErrors(problems, what="the token")
        secret = secrets.token_urlsafe(32)
        token = Token(secrets.token_hex(4), _hash(secret), name, role, mixer, now, None, None, place, expires)
        with self._opened(create=True) as connection:
            _insert(connection, token)
        return token, f"{token.id}.{secret}"

    def rotate(self, token_id: str, *, overlap_us: int) -> tuple[Token, str, Token]:
        """Make a token like another, which goes on for a while: the new one, its text, and the old one as it now is.

        It is in force for as long as the old one was made for. Raises InputErrors.
        """
        old, now = self._known(token_id), self.clock()
        if old.is_over(now):
            problem = FieldError(
                field="token",
                value=token_id,
                reason="is no longer in force",
                accepted="one in force, or make a new one",
            )
            raise InputErrors([problem], what="the command")
        expires = None if old.expires is None else now + old.expires - old.made
        secret = secrets.token_urlsafe(32)
        new = Token(
            secrets.token_hex(4), _hash(secret), old.name, old.role, old.mixer, now, None, None, old.place, expires
        )
        until = now + overlap_us if old.expires is None else min(old.expires, now + overlap_us)
        with self._opened(create=True) as connection:
            _insert(connection, new)
            connection.execute("UPDATE token SET expires = ? WHERE id = ?", (until, old.id))
        return new, f"{new.id}.{secret}", old._replace(expires=until)

    def _known(self, token_id: str) -> Token:
        for token in self.listed():
            if token.id == token_id:
                return token
        problem = FieldError(field="token", value=token_id, reason="is not there", accepted="an id of `token list`")
        raise InputErrors([problem], what="the command")

    def _names_taken(self, role: str, name: str, mixer: str, place: str) -> Iterator[FieldError]:
        """A machine's name is its own: what it records is known by it."""
        now, machine = self.clock(), ROLES[role].machine
        for other in self.listed():
            if other.name != name or other.is_over(now) or not (machine or _is_machine(other)):
                continue
            if (other.role, other.mixer, other.place) != (role, mixer, place):
                reason = f"is the name of a {other.role} already, and a machine's name is its own"
                yield FieldError(field="name", value=name, reason=reason, accepted="another name")
                return

    def listed(self) -> list[Token]:
        """Every token there is or was, in the order in which they were made."""
        if not self.path.exists():
            return []
        with self._opened() as connection:
            return _rows(connection)

    def revoke(self, token_id: str) -> Token:
        """Revoke a token, for good; a second time changes nothing. Raises InputErrors."""
        found, now = self._known(token_id), self.clock()
        with self._opened() as connection:
            connection.execute("UPDATE token SET revoked = ? WHERE id = ? AND revoked IS NULL", (now, token_id))
        return found._replace(revoked=found.revoked or now)

    # -- asked ---------------------------------------------------------------------------------------------------

    def find(self, text: str) -> Token | None:
        """The token in force that a text is, or None. Writes its last use now and then."""
        found = self._meant(text)
        if found is None or found.is_over(self.clock()):
            return None
        self._note_use(found)
        return found

    def is_in_force(self, token: Token) -> bool:
        """Whether a token found before is still in force."""
        now = self._table().get(token.id)
        return now is not None and now.hash == token.hash and not now.is_over(self.clock())

    def why_refused(self, text: str) -> tuple[str, str]:
        """Why a text is no token in force: unknown, revoked or expired; with the token's id, if it is one's."""
        found = self._meant(text)
        if found is None:
            return "unknown", ""
        return "revoked" if found.revoked is not None else "expired", found.id

    def _meant(self, text: str) -> Token | None:
        """The token whose text this is, in force or not."""
        token_id, _, secret = text.partition(".")
        found = self._table().get(token_id)
        same = hmac.compare_digest(_hash(secret), found.hash if found else _NO_HASH)
        return found if same else None

    def of_machine(self, name: str) -> frozenset[str]:
        """Ids of a machine's own tokens, also of those that are over."""
        return frozenset(token.id for token in self._table().values() if token.name == name and _is_machine(token))

    def bringing(self, name: str) -> frozenset[str]:
        """Ids of the tokens, also of those that are over, that bring a machine's records: its own, and gateways'."""
        return frozenset(
            token.id
            for token in self._table().values()
            if (token.name == name and _is_machine(token)) or (token.role in ROLES and ROLES[token.role].relays)
        )

    def people(self) -> frozenset[str]:
        """Names of the people who have a token, or had one, without regard to capitals: nobody else speaks as them.

        A token that lapsed leaves a person's name to nobody: what came under it meanwhile would pass as theirs.
        """
        return frozenset(token.name.casefold() for token in self._table().values() if not _is_machine(token))

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
            table = {token.id: token for token in _rows(connection)}
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
                    _migrate(connection)
                if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
                    raise ShopFileError(f"{self.path} is not a file of tokens; name another", path=self.path)
                if (version := _version(connection)) > VERSION:
                    raise ShopFileError(
                        f"{self.path} was written by a newer sandtrack (version {version}); update this one",
                        path=self.path,
                    )
                if create and version < VERSION:
                    _migrate(connection)
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


def _version(connection: sqlite3.Connection) -> int:
    """Version of a file's table: 1 before versions were kept."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0]) or 1


def _migrate(connection: sqlite3.Connection) -> None:
    """Bring a file of version 1 up to date, within the caller's transaction."""
    for statement in (*_SINCE_2, f"PRAGMA user_version={VERSION}"):
        connection.execute(statement)


def _rows(connection: sqlite3.Connection) -> list[Token]:
    """All tokens, in the order in which they were made; a file of version 1 is read as it is."""
    more = ", place, expires" if _version(connection) >= 2 else ""
    return [Token(*row) for row in connection.execute(f"SELECT {_COLUMNS}{more} FROM token ORDER BY made, id")]


def _insert(connection: sqlite3.Connection, token: Token) -> None:
    connection.execute(f"INSERT INTO token ({_COLUMNS}, place, expires) VALUES ({', '.join('?' * len(token))})", token)


def _is_machine(token: Token) -> bool:
    return token.role in ROLES and ROLES[token.role].machine


def _unbound(role: str, mixer: str, place: str) -> Iterator[FieldError]:
    """Complain of a machine without what it is bound to, and of a binding that its role has not."""
    section = ROLES[role].bound_section
    for field, value, own in (("mixer", mixer, "mixers"), ("place", place, "places")):
        if (section == own) == bool(value):
            continue
        roles = ", ".join(name for name, one in ROLES.items() if one.bound_section == own)
        reason = f"is missing: a {role} is bound to its own {field}" if not value else f"is only for a {roles}"
        yield FieldError(
            field=field, value=value or None, reason=reason, accepted=f"a {field} with role {roles}, none else"
        )


def _hash(secret: str) -> bytes:
    return hashlib.sha256(secret.encode()).digest()


def bearer(authorization: str) -> str | None:
    """The text of a token in a header (RFC 6750, section 2.1); None where there is none."""
    scheme, _, text = authorization.partition(" ")
    return text.strip() if scheme.lower() == "bearer" else None
