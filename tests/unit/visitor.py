"""Somebody who visits the pages and calls the API of a house's service, in this process and over real HTTP objects."""

import asyncio
from typing import Any

import httpx
from house import House

from tareline.web.app import make_app
from tareline.web.events import Hub

HOST = "http://127.0.0.1:8620"


class Visitor:
    """Requests to the application of a house; an error of the service is answered as it would be over the network."""

    def __init__(self, house: House) -> None:
        self._app = make_app(house.service, Hub())

    def send(self, method: str, path: str, **other: Any) -> httpx.Response:
        return asyncio.run(self._send(method, path, **other))

    def get(self, path: str, **other: Any) -> httpx.Response:
        return self.send("GET", path, **other)

    def post(self, path: str, **other: Any) -> httpx.Response:
        return self.send("POST", path, **other)

    async def _send(self, method: str, path: str, **other: Any) -> httpx.Response:
        transport = httpx.ASGITransport(self._app, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url=HOST) as client:
            return await client.request(method, path, **other)
