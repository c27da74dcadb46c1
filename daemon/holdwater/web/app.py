"""The page as one ASGI app: routes, templates, guard."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.routing import Route

from holdwater.config.site import Site
from holdwater.door import Door
from holdwater.errors import HoldwaterError
from holdwater.snapshot import Snapshot
from holdwater.web.guard import BodyTooLong, Guard
from holdwater.web.pages import Pages, Sources
from holdwater.web.sources import History
from holdwater.web.static_files import static_files


def create_app(
    site: Site, snapshot: Callable[[], Snapshot], reader: Callable[[], History], door: Door, now_ms: Callable[[], int]
) -> Starlette:
    """The whole page.

    Args:
        site: tanks, names, units, time zone, further host names.
        snapshot: gives the loop's latest; called from the server's thread.
        reader: opens the store for reading; called, used and closed on the drawing thread.
        door: where *seen* and *quiet* go.
        now_ms: wall clock, ms UTC.
    """
    pages = Pages(Sources(site, snapshot, reader, door, now_ms), _templates(), static_files())

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        yield
        pages.close()

    def date() -> int | None:
        return now_ms() if snapshot().clock_trusted else None

    faults = (HTTPException, BodyTooLong, HoldwaterError)
    return Starlette(
        routes=_routes(pages),
        middleware=[
            Middleware(Guard, hosts=site.page.hosts, date=date),
            Middleware(GZipMiddleware, minimum_size=1024, compresslevel=4),
        ],
        exception_handlers=dict.fromkeys(faults, pages.refused),
        lifespan=lifespan,
    )


def _routes(pages: Pages) -> list[Route]:
    return [
        Route("/", pages.now),
        Route("/season", pages.season),
        Route("/season/table", pages.table),
        Route("/notices", pages.notices.show),
        Route("/note", pages.notes.serve, methods=["GET", "POST"]),
        Route("/api/now", pages.api_now),
        Route("/tonight", pages.tonight.show),
        Route("/tonight/done", pages.tonight.done, methods=["POST"]),
        Route("/health", pages.health),
        Route("/static/{name}", pages.static),
        Route("/notice/{id:int}/seen", pages.seen, methods=["POST"]),
        Route("/notice/{id:int}/quiet", pages.quiet, methods=["POST"]),
        Route("/time", pages.clock.take, methods=["POST"]),
        Route("/look", pages.look, methods=["POST"]),
    ]


def _templates() -> Environment:
    folder = Path(__file__).parent / "templates"
    return Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        auto_reload=False,
        trim_blocks=True,
        lstrip_blocks=True,
    )
