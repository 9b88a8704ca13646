"""A browser of somebody who is signed in, without a browser: the in-process client with cookie, origin and write token."""

from __future__ import annotations

import html
import re

from keeper_room import KEEPER, PASSWORD

ORIGIN = "http://localhost"


class KeeperClient:
    """Signs in by the page and writes as the pages' own script does."""

    def __init__(self, app, *, base: dict | None = None, onward: str = "/") -> None:
        self.app, self.client, self.base = app, app.test_client(), base or {}
        self.entered = self.sign_in(onward)
        self.token = self.token_on("/round")

    def get(self, path: str, **more):
        return self.client.get(path, environ_base=self.base, **more)

    def sign_in(self, onward: str):
        page = self.get(f"/sign-in?next={onward}").text
        onward = html.unescape(re.search(r'name="next" value="([^"]*)"', page)[1])
        form = {"write-token": field_token(page), "next": onward, "name": KEEPER, "password": PASSWORD}
        return self.client.post("/sign-in", data=form, headers={"Origin": ORIGIN}, environ_base=self.base)

    def token_on(self, path: str) -> str:
        found = re.search(r'<meta name="write-token" content="(\w+)">', self.get(path).text)
        return found[1] if found else ""

    def headers(self, **changes) -> dict[str, str]:
        """What the script sends; None takes a header out."""
        sent = {"Origin": ORIGIN, "Sec-Fetch-Site": "same-origin", "X-Write-Token": self.token, **changes}
        return {name: value for name, value in sent.items() if value is not None}

    def write(self, path: str, body, method: str = "POST", headers: dict | None = None):
        return self.client.open(
            path, method=method, json=body, headers=headers or self.headers(), environ_base=self.base
        )


def field_token(page: str) -> str:
    """The token in the hidden field of the form to sign in."""
    found = re.search(
        r'<form method="post" action="/sign-in"><input type="hidden" name="write-token" value="(\w+)"', page
    )
    return found[1] if found else ""


def filled(rule: str, nest: str, alarm: str) -> str:
    """An address of a route, its variables filled with what there is in the room."""
    by_name = {"path": nest, "id_": alarm, "name": "x", "filename": "write.js", "nest": nest}
    return re.sub(r"<(?:[^:>]*:)?([^>]*)>", lambda found: by_name.get(found[1], nest), rule)
