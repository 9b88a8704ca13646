"""What all pages share: the frame of a page, the build's mark, compression, and headers that allow no outside host."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from urllib.parse import quote

from flask import Flask, Response, has_request_context, request
from markupsafe import Markup

from dashboard import text, text_access
from dashboard.access import TOKEN_FIELD, signed_in, write_token
from sensord import __version__
from sensord.errors import NestclimateError

ASSETS = Path(__file__).parent / "assets"
_COMPRESS_FROM_BYTES = 1_000


@cache
def build_id() -> str:
    """Changes whenever the program does, so that a page left open for weeks reloads itself after an update."""
    digest = hashlib.sha256(__version__.encode())
    for file in sorted(Path(__file__).parent.rglob("*")):
        if file.suffix in {".py", ".js", ".css"}:
            digest.update(file.read_bytes())
    return digest.hexdigest()[:12]


def failed(error: NestclimateError) -> str:
    """The notice when the data cannot be read."""
    return text.READ_FAILED.format(reason=error.problems[0] if error.problems else error)


def page(title: str, body: Markup, *, scripts: Sequence[str] = (), kind: str = "text", here: str = "") -> str:
    """A whole page. ``kind`` is the class of its body; ``here`` is its own address."""
    return str(
        Markup(
            '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            '<link rel="icon" href="/assets/icon.svg" type="image/svg+xml">'
            '<link rel="stylesheet" href="/look/{build}.css">{token}</head>'
            '<body class="{kind}" data-build="{build}" data-no-contact="{lost}" data-not-written="{not_written}"><div id="notice" role="alert"></div>{nav}{body}{scripts}</body></html>'
        ).format(
            title=title,
            build=build_id(),
            kind=kind,
            lost=text.NO_CONTACT,
            not_written=text_access.NOT_WRITTEN,
            token=token_meta(),
            nav=nav(here),
            body=body,
            scripts=Markup("").join(
                Markup('<script src="/assets/{}?{}"></script>').format(name, build_id())
                for name in (*scripts, *(() if kind == "wall" else ("write.js",)))
            ),
        )
    )


def nav(here: str) -> Markup:
    """The way from page to page, and who is signed in."""
    links = (
        Markup('<a href="{}"{}>{}</a>').format(href, Markup(' aria-current="page"') if href == here else "", word)
        for href, word in text.PAGES
    )
    return Markup("<nav>{}{}</nav>").format(Markup("").join(links), _who())


def _who() -> Markup:
    """Who is signed in, with the way out; for a visitor the way in, and back to this page."""
    user = signed_in()
    if user is not None:
        return Markup('<span class="who-writes">{}</span>{}').format(user, sign_out_form())
    if not has_request_context() or request.path == "/sign-in":
        return Markup("")
    here = request.full_path.rstrip("?") if request.method == "GET" else "/"
    return Markup('<a class="who-writes" href="/sign-in?next={}">{}</a>').format(
        quote(here, safe="/"), text_access.SIGN_IN
    )


def sign_out_form() -> Markup:
    """A button that ends the session."""
    return Markup(
        '<form method="post" action="/sign-out"><input type="hidden" name="{}" value="{}"><button>{}</button></form>'
    ).format(TOKEN_FIELD, write_token(), text_access.SIGN_OUT)


def token_meta() -> Markup:
    """For the head of a page: what its writes must carry, where somebody is signed in."""
    return Markup('<meta name="write-token" content="{}">').format(write_token()) if signed_in() else Markup("")


def content_policy(script_hashes: Sequence[str] = ()) -> str:
    """Everything from this server only. Dash's own pages style inline and need the hashes of their start script."""
    scripts = " ".join(["'self'", *script_hashes])
    style = "'self' 'unsafe-inline'" if script_hashes else "'self'"
    return (
        f"default-src 'none'; script-src {scripts}; style-src {style}; img-src 'self' data: blob:; font-src 'self'; "
        "connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    )


def guard(server: Flask, policies: dict[str, str]) -> None:
    """Headers and compression on every answer. ``policies`` gives a path prefix its own content policy."""

    @server.after_request
    def finish(answer: Response) -> Response:
        policy = next((policies[prefix] for prefix in policies if request.path.startswith(prefix)), content_policy())
        answer.headers["Content-Security-Policy"] = policy
        answer.headers["X-Content-Type-Options"] = "nosniff"
        answer.headers["X-Frame-Options"] = "DENY"
        answer.headers["Referrer-Policy"] = "same-origin"  # with no-referrer, our own forms would name no origin
        answer.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        answer.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        answer.headers["Permissions-Policy"] = "camera=(), microphone=(), geolocation=()"
        if "Cache-Control" not in answer.headers:
            answer.headers["Cache-Control"] = "no-store"
        return _compressed(answer)


def _compressed(answer: Response) -> Response:
    if (
        answer.direct_passthrough
        or answer.status_code != 200
        or "gzip" not in request.headers.get("Accept-Encoding", "")
    ):
        return answer
    body = answer.get_data()
    if len(body) >= _COMPRESS_FROM_BYTES and "Content-Encoding" not in answer.headers:
        answer.set_data(gzip.compress(body, compresslevel=5, mtime=0))
        answer.headers["Content-Encoding"] = "gzip"
        answer.headers["Vary"] = "Accept-Encoding"
    return answer
