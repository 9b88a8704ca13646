"""The species library: packaged files, overridden key by key by files of the same name in CONFIG/species/."""

from __future__ import annotations

import importlib.resources
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from sensord.errors import ConfigError
from sensord.keeping.bands import EDGES, Band, Bands
from sensord.keeping.species_file import Given, SeasonByHand, read_document, read_seasons
from sensord.model import Place, Season, Stage

QUANTITIES = ("temp_c", "rh_pct")
ANY = "any"
"""The file that every species stands on: wide ranges for whatever its own file leaves out."""

REGULATED = (
    "Rules on keeping, moving, selling and releasing ants differ by place and change: ask your authority before you do. "
    "This program never says that a species is allowed."
)


@dataclass(frozen=True)
class Species:
    """One species as its keeper needs it.

    Attributes:
        key: name of its file without ``.toml``.
        values: every value by dotted path, for example ``active.wet_end.rh_pct.limit_low``, with its source.
        by_hand: seasons that the keeper set; the last one that holds goes before the dates.
    """

    key: str
    values: Mapping[str, Given]
    by_hand: tuple[SeasonByHand, ...] = ()

    def text(self, path: str) -> str:
        """A text value; empty where the file gives none."""
        given = self.values.get(path)
        return str(given.value) if given else ""

    def number(self, path: str) -> float | None:
        """A number; None where the file gives none."""
        given = self.values.get(path)
        return float(given.value) if given else None

    @property
    def name(self) -> str:
        """Scientific name."""
        return self.text("name")

    @property
    def caution(self) -> str:
        """What to heed, and that the rules of the place bind."""
        return f"{self.text('caution')} {REGULATED}".strip()

    @property
    def rests(self) -> bool:
        """Whether it has a winter rest."""
        return self.text("rest.kind") in ("needed", "mild")

    @cached_property
    def bands(self) -> dict[tuple[Season, Place], Bands]:
        """The bands that its files give, by season and place."""
        found = {}
        for season in Season:
            for place in Place:
                temp_c, rh_pct = (self._band(f"{season}.{place}.{what}") for what in ("temp_c", "rh_pct"))
                if temp_c and rh_pct:
                    found[season, place] = Bands(temp_c, rh_pct)
        return found

    def _band(self, path: str) -> Band | None:
        given = [self.values.get(f"{path}.{edge}") for edge in EDGES]
        low, high, limit_low, limit_high = given
        if low is None or high is None or limit_low is None or limit_high is None:
            return None
        return Band(
            float(low.value), float(high.value), float(limit_low.value), float(limit_high.value),
            (low.source, high.source, limit_low.source, limit_high.source),
        )  # fmt: skip

    def feeding_days(self, stage: Stage, food: str) -> float | None:
        """Days between meals of ``sugar`` or ``protein`` at a stage; None: leave alone."""
        return self.number(f"feeding.{stage}.{food}_every_days")


Library = dict[str, Species]


def load_species(config_folder: Path | None) -> Library:
    """All species by scientific name: the packaged ones, with the keeper's changes, and the keeper's own.

    Args:
        config_folder: files of its folder ``species/`` override and add; None: the packaged ones alone.

    Raises:
        ConfigError: one line a mistake, each with file and key.
    """
    return load_species_from(config_folder / "species" if config_folder else None)


def load_species_from(folder: Path | None) -> Library:
    """Like ``load_species``, from the folder that holds the files itself.

    Raises:
        ConfigError: one line a mistake, each with file and key.
    """
    problems: list[str] = []
    packaged = {file.stem: read_document(_parse(file, problems), file, problems, packaged=True) for file in _packaged()}
    own: dict[str, dict[str, Given]] = {}
    by_hand: dict[str, tuple[SeasonByHand, ...]] = {}
    for file in sorted(folder.glob("*.toml")) if folder and folder.is_dir() else ():
        own[file.stem], by_hand[file.stem] = _keepers_file(file, problems)
    base = packaged[ANY] | own.get(ANY, {})
    library: Library = {}
    for key in sorted(packaged.keys() | own.keys()):
        mine = packaged.get(key, {}) | own.get(key, {})
        values = base | {"name": Given(key, f"the keeper, {key}.toml", f"{key}.toml")} | mine
        file = folder / f"{key}.toml" if folder and key in own else Path(f"{key}.toml")
        _check_bands(values, file, problems)
        library[str(values["name"].value)] = Species(key, values, by_hand.get(key, ()))
    if problems:
        raise ConfigError(*problems)
    return library


def load_own_species(
    folder: Path, what: str, base_of: Mapping[str, Species], problems: list[str], unused: list[str]
) -> dict[str, Species]:
    """Nests or colonies with ranges or seasons of their own: a file ``NAME.toml`` each, keys as in a species file.

    Args:
        folder: ``nests/`` or ``colonies/`` of the configuration; it need not be there.
        what: ``nest`` or ``colony``, for messages.
        base_of: by name, the species that a file's own values go before.
        problems: mistakes go here, one line each, with file and key.
        unused: files whose nest or colony nobody knows go here, one line each: a nest that is gone is no mistake to stop for.
    """
    found: dict[str, Species] = {}
    for file in sorted(folder.glob("*.toml")) if folder.is_dir() else ():
        given, by_hand = _keepers_file(file, problems)
        base = base_of.get(file.stem)
        if base is None:
            unused.append(
                f"{file}: is not used, there is no {what} {file.stem!r}; a file here is named as its {what} is"
            )
            continue
        values = {**base.values, **given}
        _check_bands(values, file, problems)
        found[file.stem] = Species(base.key, values, (*base.by_hand, *by_hand))
    return found


def find_species(library: Library, name: str) -> Species:
    """The species that a nest names, by scientific name or file name, whatever the case; else the wide one for any ant."""
    wanted = _plain(name)
    for species in library.values():
        if wanted in (_plain(species.name), _plain(species.key)):
            return species
    return next(species for species in library.values() if species.key == ANY)


def _plain(name: str) -> str:
    return " ".join(name.casefold().replace("_", " ").replace("-", " ").split())


def _packaged() -> list[Path]:
    folder = Path(str(importlib.resources.files("sensord.keeping") / "data"))
    return sorted(folder.glob("*.toml"))


def _parse(file: Path, problems: list[str]) -> dict[str, Any]:
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        problems.append(f"{file}: cannot be read ({error.strerror})")
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        problems.append(f"{file}: is no TOML ({error})")
    return {}


def _keepers_file(file: Path, problems: list[str]) -> tuple[dict[str, Given], tuple[SeasonByHand, ...]]:
    document = _parse(file, problems)
    by_hand = read_seasons(document, file, problems)
    return read_document(document, file, problems, packaged=False), by_hand


def _check_bands(values: dict[str, Given], file: Path, problems: list[str]) -> None:
    """Each band whole and in order, temperature and humidity together."""
    tables = {path.rpartition(".")[0] for path in values if path.rpartition(".")[2] in EDGES}
    for table in sorted(tables | {f"{table.rpartition('.')[0]}.{what}" for table in tables for what in QUANTITIES}):
        missing = [edge for edge in EDGES if f"{table}.{edge}" not in values]
        if missing:
            problems.append(f"{file}: {table}: {', '.join(missing)} missing; a band has all of {', '.join(EDGES)}")
            continue
        low, high, limit_low, limit_high = (float(values[f"{table}.{edge}"].value) for edge in EDGES)
        if not limit_low <= low < high <= limit_high:
            problems.append(
                f"{file}: {table}: limit_low {limit_low:g}, ideal_low {low:g}, ideal_high {high:g}, "
                f"limit_high {limit_high:g}: allowed is limit_low <= ideal_low < ideal_high <= limit_high"
            )
