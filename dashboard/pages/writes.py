"""What pages may write, all under ``/write/``: JSON in, JSON out. Who may is settled before, by ``access.py``."""

from __future__ import annotations

from typing import Any

from flask import Flask, jsonify, request
from flask.typing import ResponseReturnValue

from dashboard import forms
from dashboard.access import signed_in
from dashboard.writing import Writing
from sensord.errors import InputError

MOST_ALARMS = 500


def register(server: Flask, writing: Writing | None) -> None:
    """Add the writes; none where nobody can sign in."""
    if writing is None:
        return

    @server.post("/write/entries")
    def add_entry() -> ResponseReturnValue:
        given = given_of("nest", "kind", "amount", "at", "note")
        id_, words = writing.add_entry(
            who(),
            forms.text(given, "nest", required=True, most=60),
            forms.text(given, "kind", required=True, most=60),
            forms.number(given, "amount"),
            forms.instant(given, "at", writing.now_ms()),
            forms.text(given, "note"),
        )
        return done(id=id_, text=words)

    @server.post("/write/entries/withdraw")
    def withdraw_entry() -> ResponseReturnValue:
        return done(text=writing.withdraw(who(), forms.whole(given_of("id"), "id")))

    @server.post("/write/entries/put-back")
    def put_entry_back() -> ResponseReturnValue:
        return done(text=writing.put_back(who(), forms.whole(given_of("id"), "id")))

    @server.post("/write/alarms/acknowledge")
    def acknowledge() -> ResponseReturnValue:
        given = given_of("id", "ids")
        ids = _ids(given) if "ids" in given else [_alarm_id(given)]
        return done(state=writing.acknowledge(who(), ids))

    @server.post("/write/alarms/shelve")
    def shelve() -> ResponseReturnValue:
        given = given_of("id", "for", "because")
        because = forms.text(given, "because", required=True, most=500)
        return done(state=writing.shelve(who(), _alarm_id(given), forms.duration(given, "for"), because))

    @server.post("/write/alarms/bring-back")
    def bring_back() -> ResponseReturnValue:
        return done(state=writing.bring_back(who(), _alarm_id(given_of("id"))))

    @server.post("/write/alarms/out-of-service")
    def take_out_of_service() -> ResponseReturnValue:
        given = given_of("subject", "for", "because")
        because = forms.text(given, "because", required=True, most=300)
        writing.take_out_of_service(who(), _subject(given), forms.duration(given, "for"), because)
        return done()

    @server.post("/write/alarms/in-service")
    def bring_back_into_service() -> ResponseReturnValue:
        writing.bring_back_into_service(_subject(given_of("subject")))
        return done()

    @server.post("/write/probes/checked")
    def check_probe() -> ResponseReturnValue:
        given = given_of("probe", "day", "note")
        probe = forms.text(given, "probe", required=True, most=80)
        at_ms = forms.day(given, "day", writing.now_ms(), writing.zone())
        return done(id=writing.check_probe(who(), probe, at_ms, forms.text(given, "note", most=300)))

    @server.post("/write/probes/checked/withdraw")
    def withdraw_check() -> ResponseReturnValue:
        writing.withdraw_check(who(), forms.whole(given_of("id"), "id"))
        return done()


def _subject(given: forms.Given) -> str:
    return forms.text(given, "subject", required=True, most=80)


def given_of(*keys: str) -> forms.Given:
    """The JSON object that was sent, with no other keys than these."""
    return forms.only(forms.parse(request.get_data()), *keys)


def who() -> str:
    """Who writes; the guard lets nobody else get here."""
    user = signed_in()
    assert user is not None
    return user


def done(**more: Any) -> ResponseReturnValue:
    """The answer to a write that was done."""
    return jsonify({"ok": True, **more})


def _ids(given: forms.Given) -> list[str]:
    ids = given["ids"]
    if not isinstance(ids, list) or not 1 <= len(ids) <= MOST_ALARMS:
        raise InputError(f"ids: allowed is a list of 1 to {MOST_ALARMS} alarms")
    return [_alarm_id({"id": id_}) for id_ in ids]


def _alarm_id(given: forms.Given) -> str:
    return forms.text(given, "id", required=True, most=120)
