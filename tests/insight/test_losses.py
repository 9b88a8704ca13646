"""Losses over a season: who counts when, the groups, and losses against harsh air, beside published data and by hand."""

from __future__ import annotations

import csv
import json
import random

import numpy as np
import pytest
from reference import reference

from sensord.cli import main
from sensord.clock import DAY_MS, iso
from sensord.config import load_config
from sensord.insight.losses import FACTORS, Against, Harsh, Watched, because, csv_rows, lives_of, losses_of, thirds
from sensord.insight.survival import Death, Life, exact_p, expected, log_rank, of_deaths, risk_sets
from sensord.keeping.colony import colonies
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Reading, Stage
from sensord.wiring import Room

START_MS = 1_767_225_600_000  # 2026-01-01T00:00Z
DAYS = 200
END_MS = START_MS + DAYS * DAY_MS


def nest(name, rack="A", since_day=0, colony="", **more):
    since_ms = None if since_day is None else START_MS + since_day * DAY_MS
    return Nest(name, NestKind.TUBE, "cellar", rack, "Lasius niger", colony, Stage.FOUNDING, since_ms, **more)


def died(name, day):
    return Entry(START_MS + day * DAY_MS, name, EntryKind.DIED)


def lives(history, entries, from_ms=START_MS, until_ms=END_MS):
    return lives_of(colonies(history, entries, until_ms), history, entries, from_ms, until_ms)


def test_who_is_watched_from_when_to_when():
    """From coming or the first day asked about, whichever is later, to death or the last day."""
    history = [nest("A1"), nest("A2", since_day=50), nest("A3", since_day=-30), nest("A4", since_day=300)]
    entries = [died("A1", 20), died("A3", -10)]
    found = {one.nest: one for one in lives(history, entries)}
    assert set(found) == {"A1", "A2"}  # A3 died before, A4 comes later
    assert (found["A1"].life.days, found["A1"].life.died) == (20, True)
    assert (found["A2"].life.days, found["A2"].life.died) == (150, False)


def test_a_nest_settled_anew_is_another_colony():
    """After a death new ants in the same tube begin a life of their own; a second note of the same death is none."""
    history = [nest("A1"), nest("A1", since_day=100)]
    found = lives(history, [died("A1", 40), died("A1", 41)])
    assert [(one.life.days, one.died) for one in found] == [(40, True), (100, False)]


def test_a_colony_that_moves_keeps_its_first_group():
    """Racks are compared by where a colony stood when it began to be watched, else a rack of the sick would look deadly."""
    history = [nest("A1", "A", 0, "Ada"), nest("B1", "B", 50, "Ada")]
    (found,) = lives(history, [died("B1", 90)])
    assert (found.rack, found.nest, found.life.days, found.died) == ("A (cellar)", "A1", 90, True)


def test_a_nest_of_unknown_age_counts_from_the_first_day():
    """Nobody knows since when: it is watched from the first day asked about."""
    (found,) = lives([nest("A1", since_day=None)], [])
    assert found.life.days == DAYS


def watched(rows):
    """(nest, days, died, rack) rows, all from the start."""
    return [
        Watched(name, name, START_MS, START_MS + round(days * DAY_MS), gone, "cellar", rack, "Lasius niger", "founding")
        for name, days, gone, rack in rows
    ]


def test_groups_as_published():
    """Freireich et al. 1963, Blood 21:699-716, as two racks: medians 23 and 8, log-rank 16.79 (the common textbook value)."""
    reference("lifelines")
    from lifelines.datasets import load_leukemia

    table = load_leukemia()
    rows = [
        (f"T{n}", t, bool(s), "6-MP" if rx == 0 else "placebo")
        for n, (t, s, rx) in enumerate(zip(table["t"], table["status"], table["Rx"], strict=True))
    ]
    found = losses_of(watched(rows), "rack", (START_MS, END_MS), {})
    assert {one.name: one.median_days for one in found.groups} == {"6-MP": 23, "placebo": 8}
    assert found.between.chi2 == pytest.approx(16.79, abs=0.005)
    assert [one.at_risk[0] for one in found.groups] == [21, 21]
    assert all(
        0.2 < one.chance / found.between.p < 5 for one in found.groups
    )  # of two, each against the other, exactly
    assert all(one.chance_holm == pytest.approx(2 * one.chance) for one in found.groups)
    assert "By rack they differ" in because(found)
    assert "2 groups compared" in because(found)
    rows = csv_rows(found)
    assert rows[0][:3] == ("by", "group", "days")
    assert ("rack", "6-MP", "23.00", "6", "1", "0.4482") == tuple(next(r for r in rows if r[1:3] == ("6-MP", "23.00")))[
        :6
    ]


def test_trend_is_the_score_test_of_cox():
    """Cox 1972, J. R. Stat. Soc. B 34:187-220: the trend over white blood count of the same data, by numeric derivatives.

    The partial likelihood with ties counted exactly; its score test at zero is the log-rank test of trend.
    """
    reference("lifelines")
    from itertools import combinations

    from lifelines.datasets import load_leukemia

    table = load_leukemia().head(14)
    groups = thirds(np.array(table["logWBC"], float) - np.quantile(table["logWBC"], 0.3).clip(0))
    times, gone = np.array(table["t"], float), np.array(table["status"], bool)

    def log_likelihood(beta):
        total = 0.0
        for time in sorted(set(times[gone])):
            at_risk, dead = np.flatnonzero(times >= time), np.flatnonzero((times == time) & gone)
            ways = sum(np.exp(beta * groups[list(some)].sum()) for some in combinations(at_risk, len(dead)))
            total += beta * groups[dead].sum() - np.log(ways)
        return total

    step = 1e-3
    up, here, down = (log_likelihood(beta) for beta in (step, 0.0, -step))
    score, information = (up - down) / (2 * step), -(up - 2 * here + down) / step**2
    deaths = [
        Death(
            tuple(np.bincount(groups[times >= time], minlength=3).tolist()),
            tuple(np.bincount(groups[(times == time) & gone], minlength=3).tolist()),
        )
        for time in sorted(set(times[gone]))
    ]
    assert len(set(groups)) > 1
    assert of_deaths(deaths, scores=(0, 1, 2)).chi2 == pytest.approx(score**2 / information, rel=1e-4)
    assert sum(expected(deaths)) == pytest.approx(gone.sum())


def test_exact_chance_of_one_death_is_the_share():
    """One death in a group of one among 53 is a chance of 1 in 53, however large the chi-square of a single death."""
    one = [Death((52, 1), (0, 1))]
    assert exact_p(one, (0, 1)) == pytest.approx(1 / 53)
    assert of_deaths(one).p < 1e-10


def test_exact_chance_of_one_table_as_library():
    """Of a single time with several deaths, the tail of the hypergeometric distribution as SciPy has it."""
    stats = reference("scipy.stats")
    for at_risk, died in (((20, 8), (1, 4)), ((5, 30), (3, 2)), ((10, 10), (4, 0))):
        law = stats.hypergeom(sum(at_risk), at_risk[1], sum(died))
        far = abs(died[1] - law.mean())
        expected = sum(law.pmf(k) for k in range(sum(died) + 1) if abs(k - law.mean()) >= far - 1e-9)
        assert exact_p([Death(at_risk, died)], (0, 1)) == pytest.approx(expected)


def test_exact_chance_of_many_deaths_is_near_the_log_rank():
    """Where many died, as in Freireich et al. 1963, Blood 21:699-716, the exact chance is near that of the log-rank test."""
    reference("lifelines")
    from lifelines.datasets import load_leukemia

    rows = load_leukemia()
    groups = {
        name: [Life(t, bool(s)) for t, s, rx in zip(rows["t"], rows["status"], rows["Rx"], strict=True) if rx == code]
        for name, code in (("6-MP", 0), ("placebo", 1))
    }
    assert 0.5 < exact_p(risk_sets(groups), (0, 1)) / log_rank(groups).p < 2


def harsh(hours_a_day, measured=24.0, **factors):
    days = DAYS + 20
    hours = {factor: np.full(days, float(factors.get(factor, 0.0))) for factor in FACTORS}
    hours["dry"] = np.full(days, float(hours_a_day))
    return Harsh(START_MS - 20 * DAY_MS, hours, np.full(days, measured))


@pytest.mark.parametrize(
    ("deaths", "due", "worse"),
    [
        ((0, 0, 3), (1.0, 1.0, 1.0), True),
        ((3, 0, 0), (1.0, 1.0, 1.0), False),
        ((1, 1, 1), (1.0, 1.0, 1.0), False),
        ((2, 0, 2), (2.0, 1.0, 1.0), True),
        ((1, 2, 0), (1.0, 1.0, 1.0), False),
        ((0, 1, 1), (0.2, 0.9, 0.9), True),
    ],
)
def test_worse_where_deaths_lie_with_more_hours_than_they_would(deaths, due, worse):
    """Hardly more is more; whether it is more than chance is asked apart."""
    assert Against("dry", deaths, due, 1.0, 1.0).worse_for_harsh is worse


def test_thirds():
    """Those with no hours, and of those with any the lesser and the greater half."""
    assert thirds(np.array([0.0, 0.1, 0.2, 0.4, 0.8])).tolist() == [0, 1, 1, 2, 2]
    assert thirds(np.zeros(3)).tolist() == [0, 0, 0]
    assert thirds(np.array([0.0, 0.0, 0.3])).tolist() == [0, 0, 2]


def test_those_with_more_dry_hours_die_more():
    """Six of the driest die of forty: seen as dry, told with how many limits were looked at, and not as wet, hot or cold."""
    rows = [(f"T{n}", 60 + n if n < 6 else DAYS, n < 6, "A") for n in range(40)]
    air = {f"T{n}": harsh(6.0 if n < 10 else 1.0 if n < 20 else 0.0) for n in range(40)}
    found = losses_of(watched(rows), "rack", (START_MS, END_MS), air)
    dry = next(one for one in found.against if one.factor == "dry")
    assert dry.deaths == (0, 0, 6)
    assert sum(dry.expected) == pytest.approx(6)
    assert dry.chance_holm < 0.01
    assert [one.chance_holm for one in found.against if one.factor != "dry"] == [1.0] * 3
    assert "more hours too dry in the fortnight before died more often" in because(found)


def test_long_lives_do_not_look_harsh():
    """Everybody has an hour of dryness a day: whoever lives longer has more of it, and that says nothing."""
    rng = random.Random(5)
    rows = [(f"T{n}", rng.uniform(20, DAYS), n % 2 == 0, "A") for n in range(40)]
    found = losses_of(watched(rows), "rack", (START_MS, END_MS), {f"T{n}": harsh(1.0) for n in range(40)})
    assert [one.factor for one in found.against] == ["dry", "wet", "hot", "cold"]
    assert all(one.chance == 1.0 for one in found.against)


def test_by_chance_seldom_blamed():
    """Where air and deaths have nothing to do with one another, a limit is blamed in about one room of twenty at most."""
    rng = random.Random(6)
    blamed = 0
    for _ in range(60):
        rows = [(f"T{n}", rng.uniform(20, DAYS), n < 8, "A") for n in range(30)]
        air = {
            f"T{n}": harsh(rng.choice((0, 0, 2, 5)), hot=rng.choice((0, 0, 1)), wet=rng.choice((0, 1, 3)))
            for n in range(30)
        }
        blamed += any(
            one.chance_holm < 0.05 for one in losses_of(watched(rows), "rack", (START_MS, END_MS), air).against
        )
    assert blamed <= 7


def test_racks_are_seldom_blamed_by_chance():
    """Where deaths have nothing to do with the rack, one is called different in about one room of twenty at most."""
    rng = random.Random(9)
    called = 0
    for _ in range(100):
        rows = [(f"T{n}", rng.uniform(20, DAYS) if n < 7 else DAYS, n < 7, rng.choice("ABCDE")) for n in range(40)]
        groups = losses_of(watched(rows), "rack", (START_MS, END_MS), {}).groups
        called += any(one.chance_holm < 0.05 for one in groups)
    assert called <= 10


def test_too_little_measured_is_left_out():
    """A nest whose fortnight was measured by less than half is in no comparison."""
    rows = [("T0", 100, True, "A"), ("T1", DAYS, False, "A"), ("T2", DAYS, False, "A")]
    air = {"T0": harsh(6.0, measured=11.0), "T1": harsh(0.0), "T2": harsh(0.0)}
    assert losses_of(watched(rows), "rack", (START_MS, END_MS), air).against == ()


def test_nobody_and_no_deaths():
    """An empty room and one in which all live are told plainly."""
    assert because(losses_of([], "rack", (START_MS, END_MS), {})) == "No colony was watched in this time."
    found = losses_of(watched([("T1", 100, False, "A"), ("T2", 100, False, "B")]), "rack", (START_MS, END_MS), {})
    assert because(found) == "None of 2 colonies died."
    assert found.everybody.survival == (1.0, 1.0, 1.0)


@pytest.fixture(scope="module")
def station(tmp_path_factory):
    """Rack B loses five of eight, each after a dry fortnight; rack A one of sixteen. Readings every hour about then."""
    folder = tmp_path_factory.mktemp("station")
    (folder / "station.toml").write_text('[station]\nname = "Cellar"\ndata = "data"\ntime_zone = "UTC"\n')
    room = Room(load_config(folder), clock=None)
    names = [f"A{n}" for n in range(16)] + [f"B{n}" for n in range(8)]
    room.registry.put_nests([nest(name, name[0]) for name in names])
    room.registry.put_placements(
        [Placement(f"hub/{name.lower()}", name, "cellar", Place.WET_END, START_MS) for name in names]
    )
    room.registry.add_entries([died(f"B{n}", 60 + 2 * n) for n in range(5)] + [died("A3", 64)])
    rng = random.Random(2)
    for name in names:
        dry = name[0] == "B" and int(name[1:]) < 5
        room.store.write([
            Reading(f"hub/{name.lower()}", START_MS + hour * DAY_MS // 24, round(24 + rng.gauss(0, 0.1), 2),
                    round((20 if dry else 75) + rng.gauss(0, 0.5), 2))
            for hour in range(45 * 24, 72 * 24)
        ])  # fmt: skip
    room.store.close()
    return folder


def ask(folder, capsys, *arguments):
    status = main(["--config", str(folder), "losses", "--to", iso(END_MS), *arguments])
    return status, capsys.readouterr()


def test_command_json(station, capsys):
    """The document: every group with its curve, the log-rank test, and losses against exposure."""
    status, said = ask(station, capsys, "--json")
    found = json.loads(said.out)
    assert status == 0
    assert {one["name"]: (one["colonies"], one["died"]) for one in found["groups"]} == {
        "A (cellar)": (16, 1), "B (cellar)": (8, 5)
    }  # fmt: skip
    assert found["log_rank"]["p"] < 0.01
    assert found["measured_nests"] == 24
    dry = next(one for one in found["exposure"] if one["factor"] == "dry")
    assert dry["died"]["more hours"] + dry["died"]["fewer hours"] == 5
    assert "By rack they differ from all others: " in found["because"]


def test_command_in_words_and_as_csv(station, capsys, tmp_path):
    """A table for people, and the curves as a file."""
    out = tmp_path / "losses.csv"
    status, said = ask(station, capsys, "--by", "species", "--out", str(out))
    assert status == 0
    assert "6 of 24 colonies died" in said.out
    assert "Lasius niger" in said.out
    rows = list(csv.DictReader(out.read_text().splitlines()))
    assert {"all", "Lasius niger"} == {row["group"] for row in rows}
    assert rows[0]["at_risk"] == "24"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--from", iso(END_MS + DAY_MS)], "--from is after --to"),
        (["--from", "yesterday"], "not ISO 8601"),
        (["--out", "losses.txt"], "allowed is a file that ends in .csv"),
        (["--out", "nowhere/losses.csv"], "there is no folder"),
    ],
)
def test_refused(station, capsys, arguments, said):
    """What cannot be done is said in one line, with exit status 2."""
    status, output = ask(station, capsys, *arguments)
    assert status == 2
    assert said in output.err
    assert output.err.count("\n") == 1


def test_using_nothing_later(station, capsys):
    """Asked as of the 63rd day, two had died."""
    main(["--config", str(station), "losses", "--to", iso(START_MS + 63 * DAY_MS), "--json"])
    assert json.loads(capsys.readouterr().out)["all"]["died"] == 2
