"""The addresses of the rehearsal: the page, its events, its transitions, the clips."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from pathlib import Path

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from mixrender.rehearse.guard import Guard
from mixrender.rehearse.hub import Hub
from mixrender.rehearse.stage import Stage

MEDIA_TYPES = {".flac": "audio/flac"}


def make_app(
    stage: Stage,
    hub: Hub,
    *,
    page: Callable[[], str],
    clip: Callable[[str], Path | None],
    token: str,
    port: int,
) -> ASGIApp:
    """The application below `/TOKEN/`; `page` writes the whole page, `clip` knows the clips by their names.

    All of it is read only: GET and HEAD, no parameters, no address that is a path of the disk. A clip's name
    is that of its bytes, so another sound has another address.
    """

    def whole(request: Request) -> Response:
        return HTMLResponse(page())

    async def events(request: Request) -> Response:
        async def lines() -> AsyncIterator[str]:
            yield "retry: 1000\n\n"
            async for text in hub.listen(stage.state):
                yield text

        return StreamingResponse(lines(), media_type="text/event-stream")

    def sections(request: Request) -> Response:
        return JSONResponse({"title": stage.title, "sections": list(stage.sections())})

    def section(request: Request) -> Response:
        found = stage.section(request.path_params["index"])
        return JSONResponse(found) if found is not None else _nothing()

    def look_at(request: Request) -> Response:
        stage.look_at(request.path_params["index"])
        return Response(status_code=204)

    def one_clip(request: Request) -> Response:
        file = clip(request.path_params["name"])
        if file is None or not file.is_file():
            return _nothing()
        return FileResponse(file, media_type=MEDIA_TYPES.get(file.suffix))

    routes = [
        Route(f"/{token}/", whole),
        Route(f"/{token}/events", events),
        Route(f"/{token}/sections", sections),
        Route(f"/{token}/sections/{{index:int}}", section),
        Route(f"/{token}/at/{{index:int}}", look_at),
        Route(f"/{token}/{{name}}", one_clip),
    ]
    app = Starlette(routes=routes)
    app.router.redirect_slashes = False
    return Guard(app, port=port)


def _nothing() -> Response:
    return Response("There is nothing here.", status_code=404, media_type="text/plain")
