"""Every error of the house. What a user can meet is one clear line a problem, never a traceback.

NestclimateError            exit status 1: something failed
+-- InputError              exit status 2: what was given is wrong (also a ValueError)
|   +-- ConflictError       somebody else changed the same rows meanwhile
|   +-- ConfigError         the configuration; names file, key, value, and what is allowed
|   +-- NotThereError       what was named is not there
|   +-- PayloadError        a message on a topic that cannot be decoded
+-- ProbeError              a probe or its bus (also an OSError)
+-- LinkError               the broker or the way to it (also a ConnectionError)
+-- StoreError              the store: full, damaged, unreachable
+-- PushError               a push that was not accepted
+-- MissingPartError        an optional package that this command needs is not installed
"""

from __future__ import annotations

from collections.abc import Sequence


class NestclimateError(Exception):
    """Base of all errors of the house.

    Args:
        problems: one line each, complete in itself: what happened, to what, what is allowed, what to do.
    """

    exit_status = 1

    def __init__(self, *problems: str) -> None:
        super().__init__("\n".join(problems))
        self.problems: Sequence[str] = problems


class InputError(NestclimateError, ValueError):
    """What was given is wrong; nothing was changed."""

    exit_status = 2


class ConfigError(InputError):
    """One or more mistakes in the configuration, all of them at once."""


class ConflictError(InputError):
    """What was changed has been changed by somebody else since it was read; nothing was written."""


class NotThereError(InputError):
    """What was named is not there, or no longer."""


class PayloadError(InputError):
    """A message that cannot be decoded; it is set aside with this reason."""


class ProbeError(NestclimateError, OSError):
    """A probe, multiplexer or bus that does not answer as it should."""


class LinkError(NestclimateError, ConnectionError):
    """The broker, or the way to it."""


class StoreError(NestclimateError):
    """The store refused or lost a read or a write."""


class PushError(NestclimateError):
    """A push message that the other side did not accept."""


class MissingPartError(NestclimateError):
    """An optional package is not installed."""


def how_to_install(extra: str) -> str:
    """What to do about it; ``extra`` of pyproject.toml, blank for the core."""
    return (
        f"in the folder of the source, pip install '.[{extra}]'"
        if extra
        else "in the folder of the source, pip install ."
    )
