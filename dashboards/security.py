"""Response headers: nothing is fetched from elsewhere, run from text, framed or stored."""

from __future__ import annotations

from collections.abc import Sequence

import flask


def content_security_policy(script_hashes: Sequence[str]) -> str:
    """Return the policy; inline scripts run only where their hash is listed.

    Inline styles stay allowed because the component and chart libraries position by them.
    """
    scripts = " ".join(["'self'", *script_hashes])
    return "; ".join(
        (
            "default-src 'none'",
            f"script-src {scripts}",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "font-src 'self' data:",
            "connect-src 'self'",
            "base-uri 'none'",
            "form-action 'none'",
            "frame-ancestors 'none'",
        )
    )


def secure(server: flask.Flask, script_hashes: Sequence[str]) -> None:
    """Put the headers on every response of the server."""
    headers = {
        "Content-Security-Policy": content_security_policy(script_hashes),
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
        "Referrer-Policy": "no-referrer",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    }

    @server.after_request
    def add_headers(response: flask.Response) -> flask.Response:
        response.headers.update(headers)
        if response.mimetype == "application/json":
            # Answers hold the fleet's records: no copy stays in the browser's cache.
            response.headers["Cache-Control"] = "no-store"
        return response
