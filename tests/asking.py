"""A client that speaks to the application in this process: no socket, no server."""

import asyncio
from types import TracebackType
from typing import Any, Self

import httpx
from fastapi import FastAPI


class Client:
    """Asks one request after another; redirects are followed unless told otherwise.

    Parameters
    ----------
    app : FastAPI
    base_url : str
        By which the pages are asked for.
    failures_are_answers : bool
        Answer an unforeseen failure as the server would, instead of raising it here.
    comes_from : str
        Address of the machine that asks.
    """

    def __init__(
        self,
        app: FastAPI,
        base_url: str = "http://127.0.0.1",
        *,
        failures_are_answers: bool = False,
        comes_from: str = "127.0.0.1",
    ) -> None:
        self._loop = asyncio.new_event_loop()
        transport = httpx.ASGITransport(
            app, raise_app_exceptions=not failures_are_answers, client=(comes_from, 50000)
        )
        self._client = httpx.AsyncClient(
            transport=transport, base_url=base_url, follow_redirects=True
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self._loop.run_until_complete(self._client.aclose())
        self._loop.run_until_complete(self._loop.shutdown_default_executor())
        self._loop.close()

    @property
    def cookies(self) -> httpx.Cookies:
        """What the pages asked the browser to keep."""
        return self._client.cookies

    def request(self, method: str, path: str, **options: Any) -> httpx.Response:
        """Ask anything."""
        return self._loop.run_until_complete(self._client.request(method, path, **options))

    def get(self, path: str, **options: Any) -> httpx.Response:
        """Ask for a page."""
        return self.request("GET", path, **options)

    def post(self, path: str, **options: Any) -> httpx.Response:
        """Send a form."""
        return self.request("POST", path, **options)
