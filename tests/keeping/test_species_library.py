"""The species library: every number has its source, keepers' files override key by key, mistakes come all at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from sensord.errors import ConfigError
from sensord.keeping import species_docs
from sensord.keeping.bands import State, state_of
from sensord.keeping.species import ANY, find_species, load_own_species, load_species
from sensord.keeping.species_docs import document
from sensord.keeping.species_file import COMMON_PRACTICE, RULES
from sensord.model import Place, Season, Stage

LIBRARY = load_species(None)


def write(folder: Path, name: str, text: str) -> Path:
    (folder / "species").mkdir(exist_ok=True)
    file = folder / "species" / f"{name}.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_at_least_fifteen_species_of_three_climates() -> None:
    climates = {species.text("climate") for species in LIBRARY.values()}
    assert len(LIBRARY) - 1 >= 15
    assert {"temperate", "mediterranean", "tropical"} <= climates


@pytest.mark.parametrize("species", LIBRARY.values(), ids=lambda species: species.key)
def test_every_number_has_its_source(species) -> None:
    """A number rests on a named study, with author and year, or says 'common practice'."""
    for path, given in species.values.items():
        if RULES[path].number:
            named = any(year in given.source for year in map(str, range(1950, 2027)))
            assert COMMON_PRACTICE in given.source or named, f"{species.key} {path}: {given.source}"


@pytest.mark.parametrize("species", LIBRARY.values(), ids=lambda species: species.key)
def test_every_place_has_bands_in_the_active_season_and_in_rest(species) -> None:
    seasons = [Season.ACTIVE, Season.WINTER_REST] if species.rests else [Season.ACTIVE]
    assert {(season, place) for season in seasons for place in Place} <= species.bands.keys()


@pytest.mark.parametrize("species", LIBRARY.values(), ids=lambda species: species.key)
def test_no_species_is_called_legal_and_each_points_to_the_authority(species) -> None:
    """Allowed or not is the authority's to say (Regulation (EU) 1143/2014 and others differ by place)."""
    assert "ask your authority" in species.caution
    assert "legal" not in species.caution.replace("illegal", "")


def test_a_claustral_queen_without_workers_is_left_alone() -> None:
    """Claustral queens raise the first workers from their reserves (Matte and Billen, histolysis in Lasius niger)."""
    assert LIBRARY["Lasius niger"].feeding_days(Stage.FOUNDING, "sugar") is None
    assert LIBRARY["Myrmica rubra"].feeding_days(Stage.FOUNDING, "sugar") is not None


def test_the_heat_limit_stays_below_measured_lethal_temperatures() -> None:
    """Formica rufa group: LD50 about 40.8 °C (Kadochová et al. 2017). Pogonomyrmex rugosus: CTmax 51.57 °C
    (Lighton and Turner 2004). Myrmecocystus: two-hour upper lethal 40 to 45 °C (Kay and Whitford 1978). Four species of
    Solenopsis: an hour kills from about 40 °C (thesis, Texas Tech University 1982)."""
    lethal_c = {
        "Formica fusca": 40.8,
        "Pogonomyrmex rugosus": 51.57,
        "Myrmecocystus mexicanus": 40.0,
        "Solenopsis fugax": 40.0,
    }
    for name, temp_c in lethal_c.items():
        assert LIBRARY[name].bands[Season.ACTIVE, Place.WET_END].temp_c.limit_high < temp_c


@pytest.mark.parametrize(
    ("name", "season", "what", "measured"),
    [
        # Roces and Kleineidam 2000, Insectes Soc. 47:348: of 33, 75, 84 and 98 %RH the fungus garden was put at 98
        ("Atta sexdens", Season.ACTIVE, "rh_pct", [98]),
        # Insectes Soc. 2002, doi 10.1007/s00040-002-8295-x: Acromyrmex heyeri chose 21 to 25 °C for brood and fungus
        ("Acromyrmex octospinosus", Season.ACTIVE, "temp_c", [21, 25]),
        # Roces and Núñez 1996, Physiol. Entomol. 21:138: Camponotus mus chose 30.8 °C by day and 27.5 °C by night
        ("Camponotus barbaricus", Season.ACTIVE, "temp_c", [27.5, 30.8]),
        # Anderson and Munger 2003, West. N. Am. Nat. 63:122: Pogonomyrmex salinus, 29 to 36 °C and not 21 to 22
        ("Pogonomyrmex rugosus", Season.ACTIVE, "temp_c", [29]),
        # Kipyatkov and Lopatina 2002, Eur. J. Entomol. 99:197: reared at 16 to 26 °C
        ("Myrmica rubra", Season.ACTIVE, "temp_c", [16, 26]),
        # transpiration and humidity preference of Formica rufa: callow workers choose 95 %RH
        ("Formica fusca", Season.ACTIVE, "rh_pct", [95]),
        # Potts, Francke and Cokendolpher 1984, Insectes Soc.: near saturation where there is brood
        ("Solenopsis fugax", Season.ACTIVE, "rh_pct", [99]),
        # Entomol. Fennica, doi 10.33338/ef.53373: Temnothorax crassispinus lives longer at 5 than at 0 °C
        ("Temnothorax nylanderi", Season.WINTER_REST, "temp_c", [5]),
    ],
)
def test_what_ants_chose_in_published_studies_is_ideal_at_the_wet_end(name, season, what, measured) -> None:
    """Of the species itself where there is a study, else of a relative, as the value's source says."""
    band = getattr(LIBRARY[name].bands[season, Place.WET_END], what)
    assert [state_of(value, band).state for value in measured] == [State.IN_IDEAL] * len(measured)


def test_what_ants_left_in_published_studies_is_not_ideal() -> None:
    """Atta sexdens at 75 %RH (Roces and Kleineidam 2000), Pogonomyrmex salinus at 22 °C (Anderson and Munger 2003)."""
    atta, pogonomyrmex = (
        LIBRARY[name].bands[Season.ACTIVE, Place.WET_END] for name in ("Atta sexdens", "Pogonomyrmex rugosus")
    )
    assert state_of(75, atta.rh_pct).state == State.DRIFT
    assert state_of(22, pogonomyrmex.temp_c).state == State.DRIFT


@pytest.mark.parametrize("name", ["Lasius niger", "lasius-niger", "LASIUS_NIGER", " lasius  niger "])
def test_a_nest_may_spell_its_species_any_way(name: str) -> None:
    assert find_species(LIBRARY, name).name == "Lasius niger"


@pytest.mark.parametrize("name", ["", "Novomessor cockerelli"])
def test_an_unknown_species_gets_the_wide_bands(name: str) -> None:
    assert find_species(LIBRARY, name).key == ANY


def test_a_keepers_number_overrides_that_number_alone(tmp_path: Path) -> None:
    write(tmp_path, "lasius-niger", "[active.wet_end]\ntemp_c = { ideal_high = 25 }\n")
    band = load_species(tmp_path)["Lasius niger"].bands[Season.ACTIVE, Place.WET_END].temp_c
    packaged = LIBRARY["Lasius niger"].bands[Season.ACTIVE, Place.WET_END].temp_c
    assert (band.ideal_low, band.ideal_high, band.limit_high) == (packaged.ideal_low, 25.0, packaged.limit_high)
    assert band.sources[1] == "the keeper, lasius-niger.toml"
    assert band.sources[3] == packaged.sources[3]


def test_a_species_of_the_keepers_own_stands_on_the_wide_one(tmp_path: Path) -> None:
    write(
        tmp_path,
        "novomessor-cockerelli",
        'name = "Novomessor cockerelli"\n[active.wet_end]\nrh_pct = { limit_low = 20 }\n',
    )
    species = load_species(tmp_path)["Novomessor cockerelli"]
    band = species.bands[Season.ACTIVE, Place.WET_END]
    assert band.rh_pct.limit_low == 20.0
    assert band.temp_c == LIBRARY["any ant"].bands[Season.ACTIVE, Place.WET_END].temp_c


def test_all_mistakes_come_at_once_with_file_and_key(tmp_path: Path) -> None:
    one = write(
        tmp_path,
        "lasius-niger",
        "colour = 'black'\n[active.wet_end]\ntemp_c = { ideal_low = 99, ideal_high = 'hot' }\n",
    )
    two = write(
        tmp_path, "messor-barbarus", "[rest]\nwind_down_from = '13-01'\n[active.dry_end]\nrh_pct = { limit_low = 60 }\n"
    )
    write(tmp_path, "broken", "= 3")
    with pytest.raises(ConfigError) as caught:
        load_species(tmp_path)
    problems = "\n".join(caught.value.problems)
    assert f"{one}: colour = 'black': no such key" in problems
    assert f"{one}: active.wet_end.temp_c.ideal_low = 99: allowed is a number from -30 to 60" in problems
    assert f"{one}: active.wet_end.temp_c.ideal_high = 'hot'" in problems
    assert f"{two}: rest.wind_down_from = '13-01'" in problems
    assert f"{two}: active.dry_end.rh_pct: limit_low 60, ideal_low 45" in problems
    assert "broken.toml: is no TOML" in problems


def test_a_band_that_is_new_is_given_whole(tmp_path: Path) -> None:
    """Any ant has no band of its own for the rest's dry end: one edge alone is no band, nor temperature without humidity."""
    file = write(tmp_path, "own", 'name = "Own ant"\n[winter_rest.dry_end]\ntemp_c = { limit_low = 4 }\n')
    with pytest.raises(ConfigError) as caught:
        load_species(tmp_path)
    whole = "; a band has all of ideal_low, ideal_high, limit_low, limit_high"
    assert sorted(caught.value.problems) == [
        f"{file}: winter_rest.dry_end.rh_pct: ideal_low, ideal_high, limit_low, limit_high missing{whole}",
        f"{file}: winter_rest.dry_end.temp_c: ideal_low, ideal_high, limit_high missing{whole}",
    ]


def test_a_nest_may_have_ranges_of_its_own(tmp_path: Path) -> None:
    (tmp_path / "nests").mkdir()
    (tmp_path / "nests" / "A 7.toml").write_text("[active.wet_end]\nrh_pct = { limit_low = 65 }\n", encoding="utf-8")
    found = load_own_species(tmp_path / "nests", "nest", {"A 7": LIBRARY["Lasius niger"]}, [], [])
    band = found["A 7"].bands[Season.ACTIVE, Place.WET_END].rh_pct
    assert (band.limit_low, band.sources[2]) == (65.0, "the keeper, A 7.toml")
    assert LIBRARY["Lasius niger"].bands[Season.ACTIVE, Place.WET_END].rh_pct.limit_low == 55.0


def test_ranges_of_a_nest_that_does_not_stand_are_named_and_stop_nothing(tmp_path: Path) -> None:
    (tmp_path / "nests").mkdir()
    (tmp_path / "nests" / "A 7.toml").write_text("", encoding="utf-8")
    problems: list[str] = []
    unused: list[str] = []
    assert load_own_species(tmp_path / "nests", "nest", {}, problems, unused) == {}
    assert problems == []
    assert len(unused) == 1
    assert "there is no nest 'A 7'" in unused[0]


def test_every_value_stands_in_the_docs_with_its_source() -> None:
    file = Path(species_docs.__file__).parent / "data" / "README.md"
    command = "python -m sensord.keeping.species_docs > sensord/keeping/data/README.md"
    assert document(LIBRARY) == file.read_text(encoding="utf-8"), f"run: {command}"
