"""What may be taken out of service: nests, hubs, and probes that were placed somewhere; by which name each is meant."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from sensord.errors import InputError, NotThereError
from sensord.keeping.registry import Registry

KINDS = ("nest", "hub", "probe")
"""In the order in which a bare name is understood."""


def known_subjects(registry: Registry, hubs: Iterable[str]) -> Mapping[str, set[str]]:
    """Every name there is, by its kind.

    Args:
        hubs: as in the settings; those of placed probes count as well.
    """
    probes = {placement.probe for placement in registry.placements()}
    of_probes = {probe.partition("/")[0] for probe in probes if "/" in probe}
    return {"nest": {nest.name for nest in registry.nests()}, "hub": {*hubs} | of_probes, "probe": probes}


def subject_of(name: str, known: Mapping[str, set[str]]) -> str:
    """``nest NAME``, ``hub NAME`` or ``probe NAME``: the first of them that is known.

    Raises:
        InputError: there is none of that name.
    """
    kind = next((each for each in KINDS if name in known[each]), None)
    if kind is None:
        raise InputError(
            f"alarms: {name!r} is no nest, no probe that was placed and no hub; 'nestclimate export nests' lists nests"
        )
    return f"{kind} {name}"


def checked_subject(subject: str, known: Mapping[str, set[str]]) -> str:
    """A subject in full, if there is such a thing.

    Raises:
        NotThereError: there is not.
    """
    kind, _, name = subject.partition(" ")
    if name not in known.get(kind, ()):
        raise NotThereError(f"{subject[:80]!r}: there is no such nest, hub or placed probe")
    return subject
