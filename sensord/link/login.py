"""The login that the processes of one station share with its embedded broker, so that nobody has to think one up."""

from __future__ import annotations

import os
import secrets
from contextlib import suppress
from pathlib import Path

from sensord.errors import LinkError

USERNAME = "nestclimate"


def shared_password(file: Path) -> str:
    """The password, read from the file; drawn at random on first use, readable by its owner only.

    Raises:
        LinkError: the file can be neither read nor made.
    """
    try:
        if not file.exists():
            _draw(file)
        return file.read_text().strip()
    except OSError as error:
        raise LinkError(f"embedded broker: {file} can be neither read nor made ({error})") from error


def _draw(file: Path) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    fresh = file.with_name(f"{file.name}.{os.getpid()}")
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as output:
        output.write(secrets.token_urlsafe(24))
    with suppress(FileExistsError):  # another process was faster: its password holds
        os.link(fresh, file)
    fresh.unlink()
