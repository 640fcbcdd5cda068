"""Where tablets come first: what to do so that they trust this shop's own certificate, on a page without a lock.

It gives out the root's certificate and nothing of the book; every other address leads to the locked pages.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, PackageLoader, StrictUndefined

from pipemetal.web.own_certificate import Certificate
from pipemetal.words import LANGUAGES, Words

__all__ = ["ROOT_PATH", "STEPS", "create_trust_app"]

ROOT_PATH: Final = "/pipemetal-root.crt"
KIND: Final = "application/x-x509-ca-cert"
STEPS: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    (
        "iPad, iPhone",
        (
            "Open this page in Safari and tap the button; allow the profile to be loaded.",
            "Settings, General, VPN & Device Management: install the profile.",
            "Settings, General, About, Certificate Trust Settings: switch the root on.",
        ),
    ),
    (
        "Android",
        (
            "Tap the button and keep the file.",
            "Settings, search for “CA certificate”: install the file from the storage.",
        ),
    ),
    (
        "Windows",
        (
            "Open the file, Install Certificate, Current User.",
            "Place it in Trusted Root Certification Authorities.",
        ),
    ),
    ("macOS", ("Open the file in Keychain Access.", "Open the certificate, Trust: Always Trust.")),
    (
        "Linux, Firefox",
        (
            "Settings, Privacy & Security, View Certificates, Authorities: import the file for websites.",
            "Chromium: Settings, Privacy and security, Security, Manage certificates: import it as trusted.",
        ),
    ),
)
"""Menus as the makers of these systems name them in 2026 (common practice, no source)."""


def _in_fours(fingerprint: str) -> list[str]:
    """A fingerprint in parts that the eye can compare.

    >>> _in_fours("AA:BB:CC:DD:EE:FF:00:11")
    ['AA:BB:CC:DD', 'EE:FF:00:11']
    """
    pairs = fingerprint.split(":")
    return [":".join(pairs[k : k + 4]) for k in range(0, len(pairs), 4)]


def create_trust_app(certificate: Certificate, shop_name: str, port: int, hosts: frozenset[str]) -> FastAPI:
    """The page without a lock. `port`: of the locked pages; `hosts`: names that are answered."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    app.mount("/static", StaticFiles(directory=Path(__file__).parent / "static"), name="static")
    templates = Environment(
        loader=PackageLoader("pipemetal.web", "templates"), autoescape=True, undefined=StrictUndefined
    )

    def name_of(request: Request) -> str | None:
        """The name that was asked for, where it is one of ours."""
        name = urlsplit(f"//{request.headers.get('host', '')}").hostname or ""
        shown = f"[{name}]" if ":" in name else name
        return shown if shown in hosts else None

    @app.get(ROOT_PATH)
    def root() -> Response:
        return Response(
            certificate.root,
            media_type=KIND,
            headers={"content-disposition": 'attachment; filename="pipemetal-root.crt"', "cache-control": "no-store"},
        )

    @app.get("/")
    def how(request: Request) -> Response:
        name = name_of(request)
        if name is None:
            return Response("This server does not answer to that name.", 400, media_type="text/plain")
        wanted = request.headers.get("accept-language", "")[:2].lower()
        say = Words(wanted if wanted in LANGUAGES else LANGUAGES[0])
        page = templates.get_template("trust.html").render(
            say=say,
            shop_name=shop_name,
            locked=f"https://{name}:{port}/",
            root_path=ROOT_PATH,
            fingerprint=_in_fours(certificate.fingerprint),
            steps=STEPS,
        )
        safe = {
            "content-security-policy": "default-src 'none'; style-src 'self'; font-src 'self'; frame-ancestors 'none'"
        }
        return HTMLResponse(page, headers={**safe, "x-content-type-options": "nosniff", "cache-control": "no-store"})

    @app.get("/{path:path}")
    def elsewhere(request: Request, path: str) -> Response:
        name = name_of(request)
        if name is None:
            return Response("This server does not answer to that name.", 400, media_type="text/plain")
        return RedirectResponse(f"https://{name}:{port}/", 307)

    return app
