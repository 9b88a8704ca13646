"""Writes sensord/keeping/data/README.md: every value of the species library with its source.

Run: python -m sensord.keeping.species_docs > sensord/keeping/data/README.md
"""

from __future__ import annotations

import sys
from itertools import groupby

from sensord.keeping.species import REGULATED, Library, Species, load_species
from sensord.keeping.species_file import RULES, Given

_TABLES = list(dict.fromkeys(path.rpartition(".")[0] for path in RULES))
_ORDER = {path: (_TABLES.index(path.rpartition(".")[0]), number) for number, path in enumerate(RULES)}


def document(library: Library) -> str:
    """All species, all values, all sources, as Markdown."""
    parts = [
        "# The species library",
        "Ranges are for keeping, not for science: a number without a named study is common practice among keepers.",
        "A file of the same name in `species/` of the configuration folder overrides single keys; what a species' file",
        "leaves out is taken from `any.toml`. `colonies/COLONY.toml` and `nests/NEST.toml` do the same for one colony, wherever",
        "it lives, and for one nest. Each of these files may also set seasons by hand, which go before the dates:",
        "",
        "```toml",
        "[[season]]",
        'season = "winter_rest"  # active, wind_down, winter_rest or wake_up',
        "from = 2026-11-10       # from midnight of that day, in the room's time zone,",
        "until = 2027-02-20      # to midnight at which that day begins; without it until further notice",
        "```",
        "",
        f"**{REGULATED}**",
    ]
    for species in library.values():
        parts += ["", f"## {species.name} (`{species.key}.toml`)", "", "| key | value | source |", "|---|---|---|"]
        parts += _rows(species)
    return "\n".join(parts) + "\n"


def _rows(species: Species) -> list[str]:
    """One row a table and source, so that the four edges of a band stand together where they share a source."""
    rows = []
    ordered = sorted(species.values.items(), key=lambda item: _ORDER[item[0]])
    for (table, source), group in groupby(ordered, key=lambda item: (item[0].rpartition(".")[0], item[1].source)):
        values = ", ".join(f"{path.rpartition('.')[2]} {_shown(given)}" for path, given in group)
        rows.append(f"| `{table or 'species'}` | {values} | {source if table else ''} |")
    return rows


def _shown(given: Given) -> str:
    return f"{given.value:g}" if isinstance(given.value, float) else given.value


if __name__ == "__main__":
    sys.stdout.write(document(load_species(None)))
