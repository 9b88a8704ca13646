"""Who may write: users with password hashes, and who is signed in, in station.db.

Of a session only the hash of its token is kept, so that a copy of the file lets nobody in. Sessions slide: each use within
90 days of the last keeps it alive. A new password, or removing the user, ends all of that user's sessions.
"""

from __future__ import annotations

import hashlib
import re
import secrets
import sqlite3
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Protocol

from sensord.clock import DAY_MS, HOUR_MS
from sensord.db import migrate, transaction
from sensord.errors import InputError, StoreError

SESSION_MS = 90 * DAY_MS
TOUCH_EVERY_MS = HOUR_MS
SHORTEST_PASSWORD, LONGEST_PASSWORD = 10, 200
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,31}")

_STEPS = (
    """CREATE TABLE users (
        name TEXT PRIMARY KEY COLLATE NOCASE, hash TEXT NOT NULL, since_ms INTEGER NOT NULL, password_ms INTEGER NOT NULL
    ) WITHOUT ROWID;
    CREATE TABLE sessions (
        token_hash TEXT PRIMARY KEY, user TEXT NOT NULL COLLATE NOCASE REFERENCES users (name) ON DELETE CASCADE,
        since_ms INTEGER NOT NULL, seen_ms INTEGER NOT NULL
    ) WITHOUT ROWID;
    CREATE INDEX sessions_user ON sessions (user)""",
)


class Hasher(Protocol):
    """What it needs of ``passwords.Passwords``."""

    def hash(self, password: str) -> str:
        """A salted hash."""

    def fits(self, kept: str | None, password: str) -> bool:
        """Whether the password is that of the hash."""

    def stale(self, kept: str) -> bool:
        """Whether it should be made anew."""


@dataclass(frozen=True, slots=True)
class User:
    """Somebody who may sign in. ``seen_ms`` is the last use of any open session, None where there is none."""

    name: str
    since_ms: int
    password_ms: int
    sessions: int = 0
    seen_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Visit:
    """A session in use: whose, and whether its cookie should be renewed."""

    user: str
    renewed: bool


class Users:
    """Users and sessions of one station. Belongs to the thread of its connection; StoreError where it cannot be used."""

    def __init__(self, connection: sqlite3.Connection, hasher: Hasher) -> None:
        self._connection, self._hasher = connection, hasher
        migrate(connection, "access", _STEPS)

    def all(self, at_ms: int) -> list[User]:
        """Everybody, by name."""
        rows = self._read(
            """SELECT name, users.since_ms, password_ms, count(token_hash), max(seen_ms) FROM users
            LEFT JOIN sessions ON user = name AND seen_ms > ? GROUP BY name ORDER BY name""",
            at_ms - SESSION_MS,
        )
        return [User(*row) for row in rows]

    def any(self) -> bool:
        """Whether there is anybody who could sign in."""
        return bool(self._read("SELECT 1 FROM users LIMIT 1"))

    def add(self, name: str, password: str, at_ms: int) -> None:
        """Somebody new.

        Raises:
            InputError: the name or the password is not allowed, or the name is taken.
        """
        hashed = self._hasher.hash(_checked(check_name(name), password))
        with transaction(self._connection):
            if self._hash_of(name) is not None:
                raise InputError(f"user {name!r}: is there already; 'nestclimate users password' gives a new password")
            self._connection.execute("INSERT INTO users VALUES (?, ?, ?, ?)", (name, hashed, at_ms, at_ms))

    def set_password(self, name: str, password: str, at_ms: int) -> None:
        """A new password; ends the user's sessions.

        Raises:
            InputError: there is no such user, or the password is not allowed.
        """
        self._must_be_there(name)
        hashed = self._hasher.hash(_checked(name, password))
        with transaction(self._connection):
            self._must_be_there(name)
            self._connection.execute("UPDATE users SET hash = ?, password_ms = ? WHERE name = ?", (hashed, at_ms, name))
            self._connection.execute("DELETE FROM sessions WHERE user = ?", (name,))

    def remove(self, name: str) -> None:
        """Take somebody out, sessions included. What they wrote stays.

        Raises:
            InputError: there is no such user.
        """
        with transaction(self._connection):
            self._must_be_there(name)
            self._connection.execute("DELETE FROM users WHERE name = ?", (name,))

    def sign_in(self, name: str, password: str, at_ms: int) -> str | None:
        """The token of a new session, None where name and password do not go together; both take as long."""
        kept = self._hash_of(name)
        known = kept if len(password) <= LONGEST_PASSWORD else None
        if not self._hasher.fits(known, password[:LONGEST_PASSWORD]) or kept is None:
            return None
        better = self._hasher.hash(password) if self._hasher.stale(kept) else kept
        token = secrets.token_urlsafe(32)
        with transaction(self._connection):
            if self._hash_of(name) != kept:  # the password was changed, or the user removed, while this one was checked
                return None
            self._connection.execute("UPDATE users SET hash = ? WHERE name = ?", (better, name))
            self._connection.execute("DELETE FROM sessions WHERE seen_ms <= ?", (at_ms - SESSION_MS,))
            (user,) = self._connection.execute("SELECT name FROM users WHERE name = ?", (name,)).fetchone()
            self._connection.execute("INSERT INTO sessions VALUES (?, ?, ?, ?)", (_hashed(token), user, at_ms, at_ms))
        return token

    def visit(self, token: str, at_ms: int) -> Visit | None:
        """Whose session it is; None for an unknown or expired token. Once an hour its use is noted."""
        rows = self._read("SELECT user, seen_ms FROM sessions WHERE token_hash = ?", _hashed(token))
        if not rows or rows[0][1] <= at_ms - SESSION_MS:
            return None
        user, seen_ms = rows[0]
        renewed = at_ms - seen_ms >= TOUCH_EVERY_MS
        if renewed:
            with suppress(StoreError), transaction(self._connection):  # a busy database signs nobody out
                self._connection.execute(
                    "UPDATE sessions SET seen_ms = ? WHERE token_hash = ?", (at_ms, _hashed(token))
                )
        return Visit(user, renewed)

    def sign_out(self, token: str) -> None:
        """End a session; one that is not there is no error."""
        with transaction(self._connection):
            self._connection.execute("DELETE FROM sessions WHERE token_hash = ?", (_hashed(token),))

    def _must_be_there(self, name: str) -> None:
        if self._hash_of(name) is None:
            known = ", ".join(row[0] for row in self._read("SELECT name FROM users ORDER BY name")) or "nobody yet"
            raise InputError(f"user {name[:60]!r}: there is no such user; there are: {known}")

    def _hash_of(self, name: str) -> str | None:
        rows = self._read("SELECT hash FROM users WHERE name = ?", name)
        return str(rows[0][0]) if rows else None

    def _read(self, sql: str, *given: Any) -> list[Any]:
        try:
            return self._connection.execute(sql, given).fetchall()
        except sqlite3.Error as error:
            raise StoreError(f"database: users cannot be read ({error})") from error


def check_name(name: str) -> str:
    """The name, if it is allowed.

    Raises:
        InputError: it is not.
    """
    if not _NAME.fullmatch(name):
        raise InputError(
            f"user {name[:60]!r}: a name is 1 to 32 letters, digits, spaces, '.', '_' or '-', the first a letter or digit"
        )
    return name


def _checked(name: str, password: str) -> str:
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise InputError(
            f"password of {name}: has {len(password)} characters; allowed are {SHORTEST_PASSWORD} to {LONGEST_PASSWORD}"
        )
    if password.casefold() == name.casefold() or len(set(password)) < 4:
        raise InputError(f"password of {name}: is too easy to guess; a few words one after another are a good one")
    return password


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).hexdigest()
