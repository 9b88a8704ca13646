"""Who may look and who may write. One guard before every request, so that a route added later is covered by itself.

- Loopback and the network that the configuration opens may read; anybody else, and whoever comes by way of a proxy, signs in.
- Every method but GET, HEAD and OPTIONS is a write: from this dashboard's own pages, by somebody signed in, with the
  session's write token in ``X-Write-Token``, as JSON of at most 256 kB, at most 120 a minute. Exceptions stand by name below.
- The name the caller asked for (Host) must be one of ours, so that no foreign name can be pointed at this server.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import json
from collections.abc import Collection
from typing import Protocol
from urllib.parse import quote, urlsplit

from flask import Flask, Response, g, has_request_context, request

from dashboard.pace import Pace
from sensord.access.users import SESSION_MS, Visit
from sensord.clock import Clock
from sensord.errors import ConflictError, InputError, NestclimateError, NotThereError

COOKIE = "signed-in"
TOKEN_HEADER, TOKEN_FIELD = "X-Write-Token", "write-token"
MOST_BYTES = 256_000
WRITES, WRITES_WITHIN_S = 120, 60.0
READING = frozenset({"GET", "HEAD", "OPTIONS"})
DRESS = frozenset({"static", "look"})
OPEN = DRESS | {"sign_in", "enter"}
"""Endpoints for anybody: the page to sign in, and what it is dressed in."""
ASKS = frozenset({"/nest/_dash-update-component"})
"""Endpoints that are asked by POST and only read."""
FORMS = frozenset({"leave"})
"""Writes that are plain forms, with the token in a hidden field."""
_FORWARDED = ("X-Forwarded-For", "Forwarded", "X-Forwarded-Host", "X-Forwarded-Proto", "X-Real-IP", "Via")
_MACHINES = frozenset({"/healthz", "/metrics", "/build"})


class Sessions(Protocol):
    """What the guard needs of ``writing.Writing``."""

    def visit(self, token: str) -> Visit | None:
        """Whose session it is."""


def signed_in() -> str | None:
    """The name of who asks, None for a visitor."""
    found: str | None = g.get("user") if has_request_context() else None
    return found


def write_token() -> str:
    """The token that writes of this session must carry; empty for a visitor."""
    return token_of(request.cookies.get(COOKIE, "")) if signed_in() else ""


def token_of(secret: str) -> str:
    """The write token that goes with a secret cookie: pages may know it, and cannot tell the cookie from it."""
    return hashlib.sha256(b"write token of " + secret.encode("utf-8", "surrogateescape")).hexdigest()


def same(given: str, right: str) -> bool:
    """Whether two tokens are the same, in constant time."""
    return hmac.compare_digest(given.encode("utf-8", "surrogateescape"), right.encode())


def install(
    server: Flask, clock: Clock, sessions: Sessions | None, open_to: str = "", hosts: Collection[str] = ()
) -> None:
    """Put the guard before every request.

    Args:
        sessions: None where nobody can sign in; every write is refused then.
        open_to: the network that may read beside loopback, in CIDR form; empty for nobody.
        hosts: names this server goes by beside localhost, in lower case.
    """
    network = ipaddress.ip_network(open_to) if open_to else None
    pace = Pace(clock, WRITES, WRITES_WITHIN_S)
    server.config["MAX_CONTENT_LENGTH"] = MOST_BYTES

    @server.before_request
    def guard() -> Response | None:
        if not _is_ours(request.headers.get("Host"), hosts):
            return refused(421, f"{request.host[:80]}: this dashboard does not go by that name; set dashboard.link")
        if request.endpoint in DRESS:  # the same for everybody, and kept by browsers and proxies
            return None
        _recognise(sessions)
        reading = request.method in READING
        if not reading and (foreign := _foreign()):
            return refused(403, foreign)
        if request.endpoint in OPEN:
            return None
        if signed_in() is None and not _may_look(network):
            return _to_sign_in()
        return None if reading or request.endpoint in ASKS else _unfit_to_write(pace)

    @server.after_request
    def renew(answer: Response) -> Response:
        kept_by_proxies = answer.cache_control.public or answer.cache_control.max_age
        if g.get("renewed") and not kept_by_proxies:
            keep_signed_in(answer, request.cookies[COOKIE])
        return answer

    @server.errorhandler(413)
    def too_long(error: Exception) -> Response:
        del error
        return refused(413, f"body: allowed are up to {MOST_BYTES // 1_000} kB")

    @server.errorhandler(NestclimateError)
    def failed(error: NestclimateError) -> Response:
        return refused(_status_of(error), *(error.problems or (str(error),)))


def refused(status: int, *problems: str) -> Response:
    """An answer that says what is wrong, one line a problem."""
    return Response(json.dumps({"problems": list(problems)}), status=status, mimetype="application/json")


def keep_signed_in(answer: Response, token: str) -> None:
    """Put the session into the browser, out of reach of scripts and of other sites."""
    answer.set_cookie(
        COOKIE, token, max_age=SESSION_MS // 1_000, httponly=True, samesite="Lax", secure=by_https(), path="/"
    )


def by_https() -> bool:
    """Whether the browser came by https, to us or to a proxy before us. Only ever makes cookies stricter."""
    return request.is_secure or request.headers.get("X-Forwarded-Proto", "").strip().lower() == "https"


def caller() -> str:
    """Who tries, for counting: an address, of IPv6 its /64; behind a proxy on this machine what that proxy saw."""
    given = request.remote_addr or ""
    seen = request.headers.get("X-Forwarded-For", "").rpartition(",")[2].strip()
    if seen and (address := _address(given)) is not None and address.is_loopback:
        given = seen[:64]
    found = _address(given)
    if isinstance(found, ipaddress.IPv6Address):
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found or given)


def _recognise(sessions: Sessions | None) -> None:
    """Note who asks. While the database cannot be read, everybody is a visitor."""
    token, g.user, g.renewed = request.cookies.get(COOKIE, ""), None, False
    if sessions is None or not 20 <= len(token) <= 100:
        return
    try:
        visit = sessions.visit(token)
    except NestclimateError:
        return
    if visit is not None:
        g.user, g.renewed = visit.user, visit.renewed


def _is_ours(host: str | None, hosts: Collection[str]) -> bool:
    """Loopback's name, an address in numbers, or one of our names. A caller that names none is no browser."""
    if not host:
        return True
    try:
        name = (urlsplit(f"//{host}").hostname or "").rstrip(".")
    except ValueError:
        return False
    return name == "localhost" or name in hosts or _address(name) is not None


def _foreign() -> str:
    """Why this was sent by a page of another site; empty where it was not."""
    origin, site = request.headers.get("Origin"), request.headers.get("Sec-Fetch-Site", "same-origin")
    if (origin is not None and urlsplit_netloc(origin) != request.host.lower()) or site not in ("same-origin", "none"):
        return "this was asked for by a page of another site"
    return ""


def urlsplit_netloc(origin: str) -> str:
    """Host and port of an origin, in lower case; empty for ``null`` and nonsense."""
    try:
        parts = urlsplit(origin)
    except ValueError:
        return ""
    return parts.netloc.lower() if parts.scheme in ("http", "https") else ""


def _may_look(network: ipaddress.IPv4Network | ipaddress.IPv6Network | None) -> bool:
    """Loopback and the named network, but nobody whom a proxy brings: behind it anybody may stand."""
    if any(name in request.headers for name in _FORWARDED):
        return False
    address = _address(request.remote_addr or "")
    return address is not None and (address.is_loopback or (network is not None and address in network))


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        found = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return None
    return getattr(found, "ipv4_mapped", None) or found


def _to_sign_in() -> Response:
    """A page leads there and back; what scripts and other programs ask is refused."""
    path = request.path
    machine = path in _MACHINES or path.endswith(".json") or "/_" in path or request.method not in READING
    if machine and "text/html" not in request.headers.get("Accept", ""):
        return refused(401, "sign in first")
    if request.method not in READING:
        return refused(401, "sign in first")
    query = f"?{request.query_string.decode('latin-1')}" if request.query_string else ""
    there = f"/sign-in?next={quote(quote(path) + query, safe='/')}"
    return Response("Sign in first.\n", status=303, headers={"Location": there}, mimetype="text/plain")


def _unfit_to_write(pace: Pace) -> Response | None:
    """Why this write is refused; None where it may be done."""
    user = signed_in()
    if user is None:
        return refused(401, "sign in first")
    form = request.endpoint in FORMS
    size = request.content_length
    if size is not None and size > MOST_BYTES:
        return refused(413, f"body: has {size // 1_000} kB; allowed are up to {MOST_BYTES // 1_000} kB")
    given = request.form.get(TOKEN_FIELD, "") if form else request.headers.get(TOKEN_HEADER, "")
    if not same(given, write_token()):
        return refused(403, "this page is out of date; load it anew and try again")
    if not form and request.mimetype != "application/json":
        return refused(415, "body: allowed is application/json")
    key = request.cookies[COOKIE]
    if wait_s := pace.wait_s(key):
        answer = refused(429, f"that is more than {WRITES} writes a minute; try again in {wait_s} s")
        answer.headers["Retry-After"] = str(wait_s)
        return answer
    pace.count(key)
    return None


def _status_of(error: NestclimateError) -> int:
    kinds = ((NotThereError, 404), (ConflictError, 409), (InputError, 400))
    return next((status for kind, status in kinds if isinstance(error, kind)), 503)
