"""Lets through only what this page itself asks of this server: the rest of the web is turned away."""

from __future__ import annotations

from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; "
        "font-src data:; media-src 'self' blob: data:; connect-src 'self'; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'"
    ),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}
"""With every answer: nothing is kept, nothing comes from elsewhere, nothing goes there."""

_FROM_ITSELF = (b"same-origin", b"none")
"""Of `Sec-Fetch-Site` (W3C Fetch Metadata): a request of this page, or of a person."""


class Guard:
    """Wraps an application that listens on 127.0.0.1 at `port`.

    A name that merely leads to this machine must not be a way in for the page that it came from (DNS
    rebinding), so `Host` is to be this machine's own; and what a page of another origin sends is refused.
    """

    def __init__(self, app: ASGIApp, *, port: int):
        self._app = app
        self._hosts = {f"127.0.0.1:{port}".encode(), f"localhost:{port}".encode()}
        self._origins = {b"http://" + host for host in self._hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer 421 to a foreign Host, 403 to a foreign Origin; else let the application answer."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                ours = [(name.lower().encode(), text.encode()) for name, text in HEADERS.items()]
                names = {name for name, _ in ours}
                theirs = [pair for pair in message.get("headers", []) if pair[0].lower() not in names]
                message = {**message, "headers": [*theirs, *ours]}
            await send(message)

        refusal = self._refusal(scope)
        answer: ASGIApp = self._app if refusal is None else refusal
        await answer(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        def sent(name: bytes) -> list[bytes]:
            return [value.strip().lower() for key, value in scope["headers"] if key.lower() == name]

        hosts, origins, sites = sent(b"host"), sent(b"origin"), sent(b"sec-fetch-site")
        if len(hosts) != 1 or hosts[0] not in self._hosts:
            return PlainTextResponse("This server answers to 127.0.0.1 alone.", status_code=421)
        if any(origin not in self._origins for origin in origins) or len(origins) > 1:
            return PlainTextResponse("This server answers to its own page alone.", status_code=403)
        if any(site not in _FROM_ITSELF for site in sites):
            return PlainTextResponse("This server answers to its own page alone.", status_code=403)
        return None
