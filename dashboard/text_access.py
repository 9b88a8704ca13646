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
TO_WRITE = "to tick lines, enter what you did and acknowledge alarms."
NOT_WRITTEN = "Nothing was written: the station does not answer."
