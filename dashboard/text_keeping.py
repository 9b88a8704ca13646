"""The words of the pages of colonies, placements, labels and probes."""

from __future__ import annotations

PLACEMENTS = "Placements"
LABELS = "Labels"
THROUGH_TIME = "Colonies through time"
HOLDS = {
    "nests": (("from_now", "from now on"), ("always_so", "it was always so (a correction)")),
    "placements": (("from_now", "moved now"), ("always_so", "it was always so (a correction)")),
}
HOLDS_ASK = "What you changed holds"
ADD_ROW = "Add a row"
TAKE_BACK = "Undo my changes"
SAVE = "Check and save"
END_NOW = "Ends now"
SIGN_IN_TO_EDIT = "to change anything here."
SIGN_IN = "Sign in"
HOW_TO_EDIT = (
    "Enter or a double click opens a cell; arrows and Tab move, Shift selects, Alt with an arrow up or down sorts, Esc leaves"
    " the grid; Ctrl+C and Ctrl+V copy and paste, also from and to a"
    " spreadsheet, with or without a line of column names. Nothing is kept until you save."
)
HOW_TO_READ = (
    "Arrows and Tab move, Shift selects, Alt with an arrow up or down sorts, Ctrl+C copies, Esc leaves the grid."
)
HOW_TIME_IN_NESTS = (
    "A nest that changes gets a new state from now on, or from the instant you write into since; its past stays as it was. A colony"
    " moves from its own page, below."
)
HOW_TIME_IN_PLACEMENTS = (
    "A probe that moves ends its placement and begins another, now or at the instant you write into since. To take a probe away, write"
    " the instant into until. distance_mm is from the wet cotton face; a room probe has no nest."
)
NESTS_EMPTY = (
    "No nests yet. Click into the empty row and write, or paste a block from a spreadsheet: one line a nest, with the columns you see"
    " here. nest, kind and room must be given."
)
NESTS_EMPTY_READ = (
    "No nests yet. Sign in to write them here or to paste them from a spreadsheet; or bring in a file with"
)
PLACEMENTS_EMPTY = (
    "No probe is placed yet. Click into the empty row and write, or paste a block from a spreadsheet. A probe's name is HUB/PROBE; place"
    " is wet_end, dry_end, outworld or room."
)
PLACEMENTS_EMPTY_READ = "No probe is placed yet. Sign in to place them here; or bring in a file with"
IMPORT_NESTS = "nestclimate import nests nests.csv"
IMPORT_PLACEMENTS = "nestclimate import placements placements.csv"
GRID_NAMES = {"nests": "Nests, one a row", "placements": "Placements, one a row"}
GRID_FAILED = "The rows cannot be read now. Load the page anew."
UNCHANGED = "Nothing is changed yet."
CHANGED = "{count} changed."
SAVED = "Saved: {rows} written."
BAD_ROWS = "{rows} not right; nothing was saved"
BAD_ROW = "row {number}: {problem}"
NO_SUCH_NEST = "row {number}: saved, but there is no nest {nest} yet"
EARLIER = "row {number}: noted as an earlier state of {nest}; its latest stays as it is"
AGAIN = (
    "{nest} holds a living colony again and is watched from now on; to correct a dead one, choose 'it was always so'"
)
MEANWHILE = "Somebody else changed these rows meanwhile. Theirs are loaded, yours are marked: look again, then save."
NEST_KEEPS_ITS_NAME = "A nest or probe that is noted keeps its name; a new one needs a row of its own."
EXPORT = "Take away as CSV:"

SINCE_ALWAYS = "since always"
STILL = "still there"
NO_COUNTS = "Never counted. A count is one tap on the nest's page."
CHECKED_TITLE = "Calibrations and checks"
CHECKED_HEADS = ("from", "how", "what it says")
NEVER_CHECKED = "Never calibrated, and never noted as checked: it counts as checked when it was first placed."
BY_HAND, CHECK_SAYS = "checked", "{note}, {by}"
WITHDRAW_CHECK = "Withdraw"
CHECKED_ON, CHECKED_AGAINST, CHECKED_NOTE = "It was right on", "beside", "Note the check"
CHECKED_EXAMPLE = "what you trust"
CHECKED_MEANS = (
    "This ends its line on the round, which asks again a year later. It changes no reading: that takes a calibration."
)
CALIBRATE_TITLE = "How to check or calibrate it"
CALIBRATE_SALT = (
    "Or over salt: cover the bottom of a small jar with table salt, about 3 mm, add water until it is only just wet (slush, not a"
    " puddle). Hang the probe in the air of the jar, seal the cable, keep the jar at an even room temperature, out of sun and draught. It takes"
    " the readings once they have settled:"
)
CALIBRATE_STEPS = (
    (
        "Lay it beside a probe that you trust, in still air, for an hour. Then, at the command line of the station:",
        "nestclimate calibrate together {probe} --against {other}",
    ),
    (CALIBRATE_SALT, "nestclimate calibrate salt {probe} --salt nacl"),
    (
        "Or it agrees with something you trust already: then note the check above, or",
        "nestclimate calibrate checked {probe}",
    ),
)
CALIBRATE_CAUTIONS = "With salts:"
CORRECTION = "temperature {temp:+.2f} {sign}; humidity x {gain:.3f} {rh:+.1f} %"
MOVE_TO = "It moves to"
MOVE_NOW = "Moved now"
MOVE_WHY = "From now on that nest holds the colony, and the one it left is no longer watched; its past stays as it was."
MOVED = "{colony} moved from {old} to {nest}"
LEFT_BEHIND = "row {number}: {colony} lives there from now on; {nest} is watched until its journal says 'move'"

LINK_MISSING = (
    "A phone cannot reach {link}: it means the station itself. Set link in [dashboard] of station.toml to the address the phone uses, for"
    ' example link = "http://192.168.1.20:{port}", host = "0.0.0.0", and open_to to your network; restart; then print.'
)
LINK_LOOPBACK = (
    "A phone cannot reach {link}: it means whatever machine reads it. Set link in [dashboard] of station.toml to the address of this"
    ' station in your network, for example "http://192.168.1.20:{port}"; restart; then print.'
)
LINK_NOT_LISTENING = (
    "The dashboard listens on {host} only: a phone reaches it only if a proxy on this machine passes it on. Else set host in [dashboard] to"
    ' "0.0.0.0" and open_to to your network.'
)
LABELS_LEAD = "They lead to {link}"
LABELS_HOW = "Hold a phone's camera to a label: its nest opens with the one-tap entries. No internet is needed, only your network. To write, sign in once on the phone."
LABELS_PRINT = "Print without scaling (100 %)."
LABELS_EMPTY = "No nests to label yet: bring them in on the page Colonies."
LABELS_NONE = "No nest fits what was asked."
LABEL_SIZES = {"sheet": "3 by 8 on a sheet", "tube": "small, for a test tube"}
LABEL_PAPERS = {"a4": "A4", "letter": "US letter"}
PRINT = "Print"
SHOW = "Show"
RACKS = "Racks"
ONLY_NESTS = "Only these nests"
ONLY_NESTS_HINT = "names, with commas between"
ALL_RACKS = "no choice means all"
TOO_LONG = "the address is too long for a code on a label; use a shorter link"

PROBE_CHECKED = "Checked at {at}: quality over the last four hours, siblings over the last three days."
PROBE_SOON = "The probes are being checked. Look again in a minute."
PROBE_CHECK_FAILED = "The probes could not be checked at {at}: {reason}"
DRIFT_HOW = (
    "Against siblings: the median difference from the median of the probes of the same place and room, after calibration; humidity is"
    " compared as vapour pressure and told in % at the probe's own temperature. A nest that dries out differs too: look at its cotton"
    " first, then calibrate."
)
TOO_FEW = "too few to compare"
FLAGS = {
    "out_of_range": "impossible value",
    "condensed": "condensed",
    "stuck": "stuck",
    "reset_seen": "restarted",
}
GOOD = "good"
SILENT = "silent"
NO_READING = "no reading yet"
FAULTY = "doubtful"
APART = "apart from its siblings"
NEVER = "never"
NOT_PLACED = "not placed"
PLACE_IT = "place it"
UNPLACED = (
    "{probes} not placed, so no nest shows what they measure. Breathe on one and run nestclimate probes identify to learn which it is;"
    " then place it."
)
HUB_NEVER = "never heard: start nestclimate sense there"
NO_HUBS = "No hub has reported. A hub is a Raspberry Pi that reads probes: name it in station.toml and start nestclimate sense there."
PROBES_EMPTY = "No probe has reported, and none is placed. On a hub, nestclimate probes shows what answers on its bus."
