"""Every word on the page of one nest."""

from __future__ import annotations

PANELS = {
    "rh_pct": "humidity",
    "temp_c": "temperature",
    "wetness": "wetness of the cotton",
    "dew_c": "dew point",
    "deficit_kpa": "vapour pressure deficit",
}
STRIP = ("journal", "water", "alarms")
TIME_IN = "time in {zone}"
ALARM_MARK = "alarm: {what}"
WORST = "worst"

WINDOWS = {
    "hours=1": "hour",
    "hours=6": "6 hours",
    "days=1": "day",
    "days=7": "week",
    "days=30": "month",
    "days=365": "year",
    "days=1095": "3 years",
    "days=all": "all",
}
BAD_WINDOW = (
    "This stretch of time cannot be shown: allowed are 15 minutes to 20 years, as in ?hours=6, ?days=90 or ?days=all."
)
WINDOW_NAME = "How much of the past"
WHOLE = "Whole stretch again"
LAYERS = {
    "siblings": ("Show siblings", "Hide siblings"),
    "moisture": ("Show dew point and vapour pressure deficit", "Hide dew point and vapour pressure deficit"),
}
"""Words of the link while it is not drawn, and while it is."""
SEASONS = {"active": "active", "wind_down": "winding down", "winter_rest": "winter rest", "wake_up": "waking up"}
"""Why a limit is where it is: what is warm in winter is cold in summer."""
CHART = "What the probe measured"
SIBLINGS_MEDIAN = "siblings, median"
KIN = (
    "Grey behind the line: {count} of the same species and stage in this room; dotted their median, shaded where 8 of 10 of"
    " their values lay."
)
KIN_NONE = "No sibling (same species and stage, same room) was measured in this time."
WETNESS = (
    "Wetness compares vapour pressures at the probe, in the room and over a wet face: it falls as the cotton dries, whatever"
    " the weather. Shaded: one standard deviation of the probes."
)
MEAN = "At the {place}: humidity {rh_low} to {rh_high} %, mean {rh} %; temperature {temp_low} to {temp_high} {unit}, mean {temp} {unit}."
TABLE = {"hour": "Hour by hour as a table", "day": "Day by day as a table", "month": "Month by month as a table"}
MEANS_HEADS = ("from", "humidity, mean", "least to most", "temperature, mean", "least to most")
JOURNAL = "Journal"
JOURNAL_HEADS = ("when", "what", "by")
JOURNAL_EMPTY = "Nothing is written about this nest yet. Begin with a fill and its mL: from there the outlook counts."
BY_NOBODY = "not known"
PAST = "History of this nest"
PAST_HEADS = ("from", "what", "by", "written")
PAST_ALWAYS = "always"
PAST_CHANGED = "{what} {before} → {after}"
PAST_NAMES = {
    "bore_mm": "bore (mm)",
    "chamber_mm": "chamber (mm)",
    "reservoir_ml": "reservoir (mL)",
    "distance_mm": "distance (mm)",
}
STILL_THERE = "still there"
PAST_SAME, PAST_GONE = "as before", "taken out"
CORRECTED = "corrected"
PROBE_NAMED, PROBE_CAME, PROBE_LEFT = "probe {probe}", "probe {probe}: comes, {place}", "probe {probe}: leaves, {place}"
OLDER = "Show older entries"
WITHDRAW, WITHDRAW_NAME = "Withdraw", "Withdraw: {text}"
WITHDRAW_ASK = "Withdraw this entry?"
WITHDRAW_MEANS = "It leaves the journal, the outlook and the round. It is kept aside and can be put back."
WITHDRAW_YES, WITHDRAW_NO = "Yes, withdraw it", "Keep it"
WITHDRAWN = "withdrawn {at}, {by}"
PUT_BACK, PUT_BACK_NAME = "Put back", "Put back: {text}"
WITHDRAWN_SAID = "{time} withdrawn: {text}, {who}"
PUT_BACK_SAID = "Put back: {text}"

ENTRIES = "Write what you did or saw"
SIGN_IN_TO_WRITE = "Sign in to write"
LEVEL = "Drag the column to what you see in the tube"
LEVEL_NAME = "Water left in the tube"
LEVEL_SAYS = "{ml} mL left"
LEVEL_UNKNOWN = "how much is left is not known"
LEVEL_WRITE = "Write {ml} mL"
LEVEL_BACK = "Put it back"
AMOUNT_KINDS = {
    "fill": ("Filled", "now holds", "mL"),
    "top_up": ("Topped up", "added", "mL"),
    "level": ("Level read", "left", "mL"),
    "count": ("Counted", "workers", ""),
}
TAPS = {"feed_sugar": "Sugar fed", "feed_protein": "Protein fed", "leftovers_out": "Leftovers out", "move": "Moved"}
NOTE, NOTE_BUTTON = "Note", "Write the note"
DIED, DIED_ASK, DIED_YES = "Died …", "Is the colony of {nest} dead? It leaves the wall and the round.", "Yes, it died"
SAID = "{time} {text}, {who}"
TAKEN_BACK = "Taken back: {text}"
UNDO = "Undo"
