"""Who answers on a bus at all, configured or not: the first thing to look at after wiring."""

from __future__ import annotations

from dataclasses import dataclass

from sensord.clock import Clock
from sensord.probes.bus import MuxSilentError, OwnedBus, Trunk

SHT31_ADDRESSES = (0x44, 0x45)
MUX_ADDRESSES = tuple(range(0x70, 0x78))


@dataclass(frozen=True, slots=True, order=True)
class Answer:
    """A device at an SHT31's address. ``mux`` and ``channel`` are -1 on the bus itself."""

    mux: int
    channel: int
    address: int


@dataclass(frozen=True, slots=True)
class Survey:
    """Addresses of the multiplexers that answer, and the devices at SHT31 addresses."""

    muxes: tuple[int, ...]
    answers: tuple[Answer, ...]


def survey(bus: OwnedBus, clock: Clock) -> Survey:
    """Ask every seat there can be. An address that answers on the bus itself is not asked for behind multiplexers.

    Raises:
        ProbeError: the bus is held.
        OSError: the bus cannot be used at all.
    """
    muxes: set[int] = set()
    answers: list[Answer] = []
    with Trunk(bus, MUX_ADDRESSES, clock) as trunk:
        direct = [address for address in SHT31_ADDRESSES if _answers(trunk, None, address)]
        answers += [Answer(-1, -1, address) for address in direct]
        for mux in MUX_ADDRESSES:
            for channel in range(8):
                try:
                    trunk.switch_to((mux, channel))
                except MuxSilentError:
                    break
                muxes.add(mux)
                answers += [
                    Answer(mux, channel, address)
                    for address in SHT31_ADDRESSES
                    if address not in direct and _answers(trunk, (mux, channel), address)
                ]
    return Survey(tuple(sorted(muxes)), tuple(answers))


def _answers(trunk: Trunk, where: tuple[int, int] | None, address: int) -> bool:
    trunk.switch_to(where)
    try:
        trunk.bus.writeto(address, b"")
    except OSError as error:
        if trunk.is_held(error):
            raise
        return False
    return True
