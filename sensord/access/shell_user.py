"""Who sits at the command line: the name that goes with what is written there."""

from __future__ import annotations

import getpass


def shell_user() -> str:
    """The machine's name for the user; ``command line`` where it has none."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "command line"
