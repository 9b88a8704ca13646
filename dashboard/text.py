"""Every word on screen, in one place."""

from __future__ import annotations

STATES = {"ok": "well", "drift": "drifting", "act": "act now", "blind": "cannot tell"}
KINDS = {
    "dry": "too dry",
    "wet": "too wet",
    "hot": "too hot",
    "cold": "too cold",
    "swing": "changing fast",
    "reservoir": "water running out",
    "silent": "no reading",
    "faulty": "probe faulty",
}
PLACES = {"wet_end": "wet end", "dry_end": "dry end", "outworld": "outworld", "room": "room"}

DRIFTING = {"dry": "a bit dry", "wet": "a bit wet", "hot": "a bit warm", "cold": "a bit cool"}
WATER_DUE = "water low"
NO_NUMBER = "\N{EN DASH}"
NO_PROBE = "no probe"
NO_READING = "no reading yet"
NO_BAND = "no band"
OLD = "silent"
OUT_OF_SERVICE = "out of service"
ALL_WELL = "All {count} nests are well"
ONE_WELL = "The nest is well"
ALL_QUIET = "Nobody needs anything"
MORE = "and {count} more"
DRY_NOW = "dry"
NEEDS_WATER = "needs water"
MANY = {NEEDS_WATER: "need water", "reservoir": "run out of water"}
OVER_A_YEAR = "> 1 y"
NO_RACK = "no rack"

NO_CONTACT = "No contact with the station since {at}. What you see is old."
PROCESS_LATE = {
    "record": "Nothing is being recorded since {at}. What you see is old.",
    "watch": "Nobody watches for alarms since {at}.",
    "serve": "The dashboard's own beat is late since {at}.",
}
PROCESS_NEVER = {
    "record": "The recorder is not running: nothing is being recorded.",
    "watch": "The watch is not running: no alarm will be raised.",
    "serve": "The dashboard has not left its first beat yet.",
}
PROCESS_NOTE = {
    "record": "The recorder is {note}. What you see is old.",
    "watch": "The watch complains: {note}",
    "serve": "The dashboard complains: {note}",
}
HUB_DOWN = "Hub {hub} is down since {at}. Its nests are not being read."
HUBS_DOWN = "{count} hubs are down: {hubs}. Their nests are not being read."
NO_NEW = "No new reading since {at}. What you see is old."
READ_FAILED = "The station's data cannot be read: {reason}"

PAGES = (
    ("/", "Wall"),
    ("/round", "Round"),
    ("/alarms", "Alarms"),
    ("/probes", "Probes"),
    ("/colonies", "Colonies"),
    ("/review", "Review"),
    ("/losses", "Losses"),
)
EMPTY_ROOM = (
    "No nests yet",
    "Write one line a nest into a file nests.csv, for example",
    (
        "nest,kind,room,rack,species,colony,stage,since,bore_mm,chamber_mm,reservoir_ml,plug\n"
        "A-01,tube,ant room,A,Lasius niger,,founding,2026-04-01T12:00:00Z,16,60,8,cotton"
    ),
    "and bring it in with",
    "nestclimate import nests nests.csv",
    "Or write or paste them into the grid on the page",
    "Colonies",
)
NOT_FOUND = "There is no page here."
NO_NEST = "There is no nest of that name in this room."
TASKS = {
    "top_up": "Top up water",
    "read_level": "Read the water level",
    "leftovers_out": "Take leftovers out",
    "feed_sugar": "Feed sugar",
    "feed_protein": "Feed protein",
    "barrier": "Renew the barrier",
    "move": "Move to a nest",
    "count": "Count",
    "rest": "Winter rest",
    "calibrate": "Calibrate",
}
URGENCIES = {"now": "Now", "today": "Today", "when_there": "When you are there"}
ROUND_MADE = "Made at {at}; made anew every ten minutes, and after each entry."
ROUND_SOON = "The round is being made. Look again in a minute."
ROUND_FAILED = "The round could not be made at {at}: {reason}"
ROUND_EMPTY = "Nothing to do today."
ROUND_NO_NESTS = "No nests yet, so there is nothing to do. Write them into the grid on the page"
COLONIES_EMPTY = (
    "No colonies yet. A colony is told by its nest: bring nests in, with a name in the column colony where it keeps"
    " its name through moves. Counts and deaths come from the journal:"
)
COLONIES_COMMANDS = (
    "nestclimate import nests nests.csv\n"
    "nestclimate journal add A-01 count --amount 12\n"
    "nestclimate journal add A-01 died"
)
UNKNOWN_COUNT = "never counted"
BANDS = {"rh_pct": "humidity", "temp_c": "temperature"}
EDGES = ("ideal from", "ideal to", "limit from", "limit to")
NO_SOURCE = "not given"
BANDS_TITLE = "What is right here, and who says so"
OUTLOOK_TITLE = "Water left, mL"
OUTLOOK = "Runs dry {early} to {late} (8 of 10 such nests do), about {middle}."
OUTLOOK_DRY = "The reservoir is dry, or as good as."
OUTLOOK_YEAR = "Lasts more than a year."
OUTLOOK_LATE = "Runs dry {early} or later, about {middle}."
OUTLOOK_LATEST = "Runs dry {early} or later."
OUTLOOK_LEFT = "{left} mL left ({least} to {most})."
OUTLOOK_BASIS = {"own probe": "From its own probe", "room probe": "From the room's probe", "none": "From the calendar"}
OUTLOOK_NEW = "{basis}; no refill to learn from yet."
OUTLOOK_CYCLES = "{basis}, having learned from {cycles}."
DIED = "died {at}"
REVIEW_IT = "look at the days before"
NO_ALARMS = (
    "No alarm in the last {days} days. Alarms come from nests with a probe, and from reservoirs; 'nestclimate push test' tries the way to"
    " your phone."
)
NO_HISTORY = (
    "Nothing was measured here in this time: choose a longer one above. Which probe stands here is set on the page Placements; whether it is"
    " heard stands on the page Probes."
)


def age(ms: int) -> str:
    """How long ago, in one unit: 40 s, 5 min, 3 h, 2 d."""
    seconds = max(0, ms) // 1_000
    if seconds < 60:
        return f"{seconds} s"
    if seconds < 3_600:
        return f"{seconds // 60} min"
    if seconds < 2 * 86_400:
        return f"{seconds // 3_600} h"
    return f"{seconds // 86_400} d"


def water_for(days: float) -> str:
    """How long the water lasts, as a sentence for the list of needs."""
    if days < 0.5:
        return "water runs out now"
    if days >= 365:
        return "water for more than a year"
    return f"water for {count_of(round(days), 'day', 'days')}"


def count_of(number: int, one: str, many: str) -> str:
    """``1 nest``, ``2 nests``."""
    return f"{number} {one if number == 1 else many}"


NEST = "Nest"
