"""Passwords as argon2id hashes (RFC 9106, its second recommended option unless told otherwise). Never kept in clear."""

from __future__ import annotations

import unicodedata

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

TIME_COST, MEMORY_KIB, PARALLELISM = 3, 65_536, 4


class Passwords:
    """Hashes and checks.

    Args:
        time_cost: passes over the memory. memory_kib: KiB that one hash fills. parallelism: lanes.
    """

    def __init__(
        self, time_cost: int = TIME_COST, memory_kib: int = MEMORY_KIB, parallelism: int = PARALLELISM
    ) -> None:
        self._hasher = PasswordHasher(time_cost=time_cost, memory_cost=memory_kib, parallelism=parallelism)
        self._nobody = ""

    def hash(self, password: str) -> str:
        """A salted hash in the PHC string format, its parameters inside."""
        return self._hasher.hash(_composed(password))

    def fits(self, kept: str | None, password: str) -> bool:
        """Whether the password is that of the hash. None (nobody of that name) takes as long and never fits."""
        try:
            return self._hasher.verify(kept or self._dummy(), _composed(password)) and kept is not None
        except (VerificationError, InvalidHashError):
            return False

    def stale(self, kept: str) -> bool:
        """Whether the hash was made with other parameters than today's."""
        return self._hasher.check_needs_rehash(kept)

    def _dummy(self) -> str:
        if not self._nobody:
            self._nobody = self._hasher.hash("a password that nobody has")
        return self._nobody


def _composed(password: str) -> str:
    """One form for what looks the same, whatever keyboard it was typed on (RFC 8265, section 4.2: NFC)."""
    return unicodedata.normalize("NFC", password)
