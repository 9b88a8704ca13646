"""``/sign-in`` and ``/sign-out``: plain forms, guarded like every write."""

from __future__ import annotations

import logging
import secrets
import threading
from typing import Protocol

from flask import Flask, Response, make_response, request
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from dashboard import text_access as text
from dashboard.access import COOKIE, TOKEN_FIELD, by_https, caller, keep_signed_in, same, signed_in, token_of
from dashboard.forms import local_path
from dashboard.pace import Pace
from dashboard.shell import page, sign_out_form
from sensord.clock import Clock
from sensord.errors import NestclimateError

VISITOR = "visitor"
_log = logging.getLogger(__name__)
TRIES, TRIES_WITHIN_S = 10, 300.0
TRIES_OF_A_NAME, OF_A_NAME_WITHIN_S = 30, 900.0
ONE_AT_A_TIME_S = 3.0
"""A hash fills 64 MB for a moment: one at a time, and nobody waits for long."""


class Door(Protocol):
    """What signing in needs of ``writing.Writing``."""

    def anybody(self) -> bool:
        """Whether there is anybody who could."""

    def sign_in(self, name: str, password: str) -> str | None:
        """The token of a new session."""

    def sign_out(self, token: str) -> None:
        """End a session."""


def register(server: Flask, clock: Clock, door: Door | None) -> None:
    """Add the page to sign in, and where its form and the one in the head of every page go."""
    gate = _Gate(clock)

    @server.get("/sign-in")
    def sign_in() -> Response:
        return _form(door, local_path(request.args.get("next", "/")))

    @server.post("/sign-in")
    def enter() -> AnyResponse:
        onward = local_path(request.form.get("next", "/"))
        right = token_of(request.cookies.get(VISITOR, ""))
        if not request.cookies.get(VISITOR) or not same(request.form.get(TOKEN_FIELD, ""), right):
            return _form(door, onward, text.TRY_AGAIN, 403)
        return gate.enter(door, onward)

    @server.post("/sign-out")
    def leave() -> Response:
        if door is not None:
            door.sign_out(request.cookies[COOKIE])
        answer = _onward(local_path(request.form.get("next", "/")))
        answer.delete_cookie(COOKIE, path="/", secure=by_https(), httponly=True, samesite="Lax")
        return answer


class _Gate:
    """Counts who tries how often."""

    def __init__(self, clock: Clock) -> None:
        self._of_address = Pace(clock, TRIES, TRIES_WITHIN_S)
        self._of_name = Pace(clock, TRIES_OF_A_NAME, OF_A_NAME_WITHIN_S)
        self._busy = threading.Lock()

    def enter(self, door: Door | None, onward: str) -> AnyResponse:
        """Check what was given, unless it was given too often."""
        name, password = request.form.get("name", "").strip()[:64], request.form.get("password", "")
        address, who = caller(), name.casefold()
        if wait_s := max(self._of_address.wait_s(address), self._of_name.wait_s(who)):
            return _too_often(door, onward, wait_s)
        if door is None or not name or not password:
            return _form(door, onward, text.WRONG, 401)
        if not self._busy.acquire(timeout=ONE_AT_A_TIME_S):
            return _form(door, onward, text.BUSY, 429, wait_s=5)
        try:
            self._of_address.count(address)
            self._of_name.count(who)
            token = door.sign_in(name, password)
        finally:
            self._busy.release()
        if token is None:
            _log.warning("a sign-in from %s was refused", address)
            return _form(door, onward, text.WRONG, 401)
        self._of_address.forget(address)
        self._of_name.forget(who)
        answer = _onward(onward)
        keep_signed_in(answer, token)
        return answer


def _too_often(door: Door | None, onward: str, wait_s: int) -> Response:
    wait = f"{wait_s} s" if wait_s < 60 else f"{-(-wait_s // 60)} min"
    return _form(door, onward, text.TOO_OFTEN.format(wait=wait), 429, wait_s=wait_s)


def _onward(path: str) -> Response:
    return Response("", status=303, headers={"Location": path})


def _form(door: Door | None, onward: str, problem: str = "", status: int = 200, wait_s: int = 0) -> Response:
    visitor = request.cookies.get(VISITOR) or secrets.token_urlsafe(24)
    user = signed_in()
    body = _already(user, onward) if user else _ask(door, onward, problem, token_of(visitor))
    answer = make_response(page(text.SIGN_IN, body, here="/sign-in"), status)
    answer.set_cookie(VISITOR, visitor, httponly=True, samesite="Strict", secure=by_https(), path="/sign-in")
    if wait_s:
        answer.headers["Retry-After"] = str(wait_s)
    return answer


def _already(user: str, onward: str) -> Markup:
    return Markup('<main class="entry"><h1>{}</h1><p>{}</p><p><a href="{}">{}</a></p>{}</main>').format(
        text.SIGN_IN, text.SIGNED_IN_AS.format(name=user), onward, text.GO_ON, sign_out_form()
    )


def _ask(door: Door | None, onward: str, problem: str, token: str) -> Markup:
    focus, given = Markup(" autofocus"), request.form.get("name", "")[:32]
    return Markup(
        '<main class="entry"><h1>{title}</h1>{nobody}{problem}<form method="post" action="/sign-in">'
        '<input type="hidden" name="{field}" value="{token}"><input type="hidden" name="next" value="{onward}">'
        '<label>{name}<input name="name" autocomplete="username" autocapitalize="none" spellcheck="false" required'
        ' maxlength="32"{first} value="{given}"></label>'
        '<label>{password}<input name="password" type="password" autocomplete="current-password" required'
        ' maxlength="200"{then}></label><button>{title}</button></form><p class="soft">{stays}</p></main>'
    ).format(
        title=text.SIGN_IN, nobody=_nobody(door), field=TOKEN_FIELD, token=token, onward=onward, name=text.NAME,
        password=text.PASSWORD, stays=text.STAYS, given=given, first="" if given else focus, then=focus if given else "",
        problem=Markup('<p class="problem" role="alert">{}</p>').format(problem) if problem else "",
    )  # fmt: skip


def _nobody(door: Door | None) -> Markup:
    """How to begin, where there is nobody yet."""
    try:
        if door is not None and door.anybody():
            return Markup("")
    except NestclimateError as error:
        return Markup('<p class="problem" role="alert">{}</p>').format(error)
    return Markup("<p>{}</p><pre>{}</pre>").format(text.NOBODY_YET, text.ADD_USER)
