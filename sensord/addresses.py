"""Where the dashboard is found from elsewhere: the address that messages and labels carry. Pure."""

from __future__ import annotations

import ipaddress

from sensord.settings import DashboardSettings


def is_loopback(host: str) -> bool:
    """Whether only this machine itself can mean this one by that name or address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def is_everywhere(host: str) -> bool:
    """Whether that is no address of a machine but stands for all of its own: ``0.0.0.0`` and ``::``."""
    try:
        return ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return False


def link_of(settings: DashboardSettings, machine: str) -> str:
    """The address of the dashboard, for messages; empty where nobody could know it.

    Args:
        machine: this machine's own name. It stands in for an address where the dashboard listens on all of them; ``.local``
            is how multicast DNS finds it in a home network (RFC 6762), as Raspberry Pi OS answers unless told otherwise.
    """
    if settings.link:
        return settings.link.rstrip("/")
    if not is_everywhere(settings.host):
        host = f"[{settings.host}]" if ":" in settings.host else settings.host
        return f"http://{host}:{settings.port}"
    name = machine.partition(".")[0].lower()
    return "" if not name or name == "localhost" else f"http://{name}.local:{settings.port}"


def link_hint(settings: DashboardSettings, machine: str) -> str:
    """What a keeper should know of that address before a message is needed; empty where it was set, or can be right."""
    link = link_of(settings, machine)
    if settings.link:
        return ""
    if not link:
        return "messages carry no link, since this machine has no name; set link in [dashboard] to its address as a phone sees it"
    if is_everywhere(settings.host):
        return f"messages link to {link}, a guess from this machine's name; open it on the phone once, or set link in [dashboard]"
    if is_loopback(settings.host):
        return (
            f"messages link to {link}, which opens on this machine only; set link in [dashboard] to its address as a phone sees it,"
            ' and host = "0.0.0.0"'
        )
    return ""
