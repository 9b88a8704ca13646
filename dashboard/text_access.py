"""Every word on screen about signing in and writing."""

from __future__ import annotations

SIGN_IN = "Sign in"
SIGN_OUT = "Sign out"
NAME, PASSWORD = "Name", "Password"
SIGNED_IN_AS = "You are signed in as {name}."
GO_ON = "Go on"
WRONG = "Name and password do not go together."
TOO_OFTEN = "That was too often. Try again in {wait}."
TRY_AGAIN = "This page was too old. Try again; the browser must accept cookies of this site."
BUSY = "Somebody else is signing in this very moment. Try again."
NOBODY_YET = "Nobody can sign in yet. On the station, add somebody with"
ADD_USER = "nestclimate users add NAME"
STAYS = "You stay signed in on this device for 90 days after its last use."
NOT_WRITTEN = "Nothing was written: the station does not answer."
TO_TICK = "to tick lines as you go."
TALLY = "{done} of {all} done"
DONE = "{task}, {nest}: done"
DONE_BY = "noted by {name}"
UNDO = "Undo"
ALARM_STATES = {
    "normal": "normal",
    "unacknowledged": "unacknowledged",
    "acknowledged": "acknowledged",
    "returned": "returned to normal, unacknowledged",
    "shelved": "shelved",
    "suppressed_by_design": "suppressed by design",
    "out_of_service": "out of service",
}
ACKNOWLEDGE = "Acknowledge"
ACKNOWLEDGE_ALL = "Acknowledge all {count} that nobody has seen"
SHELVE, SHELVE_FOR, UNSHELVE = "Shelve", "Shelve…", "Take off the shelf"
FOR, BECAUSE = "for", "because"
SHELF_LENGTHS = (("1h", "1 hour"), ("4h", "4 hours"), ("1d", "1 day"), ("7d", "7 days"))
UNTIL = "until {at}"
OUT_TITLE = "Out of service"
OUT_UNTIL, OUT_OPEN = "out of service until {until}: {because}, {by}", "out of service: {because}, {by}"
OUT_SHORT = "out of service"
BY_NOBODY = "not known"
TAKE_OUT, TAKE_OUT_NOW, WHAT = "Out of service…", "Take out of service", "what"
TAKE_MEANS = "While you work on it its alarms are told to nobody; they stay in the log, and what still stands afterwards is told."
BACK_IN_SERVICE, BACK_NAME = "Back in service", "Back in service: {subject}"
NO_ALARM = "There is no alarm of that number in this room."
NONE_ACTIVE = "No alarm asks for anybody."
EARLIER = "Over, of the last {days} days"
SIGN_IN_TO_ACT = "Sign in to acknowledge or shelve"
TO_NEST = "Look at nest {}"
HOW_BAD = "worst {worst}, limit {limit}"
SINCE = "{priority} priority, since {at}"
OVER = "over at {at}"
SO_FAR = "So far"
ALL_ALARMS = "All alarms"
