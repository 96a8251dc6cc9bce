"""Server-sent events: what changed, by tank. A stream ends when the service stops."""

import asyncio
from collections.abc import AsyncIterator

from fastapi.sse import ServerSentEvent

from tareline.app.context import ChangeNotice

HELD_BACK = 1000  # changes a slow reader may lag behind before it loses the oldest
SIGN_OF_LIFE_S = 15.0


class Hub:
    """Hands changes from any thread to the open streams of one event loop."""

    def __init__(self) -> None:
        self._streams: dict[asyncio.Queue[ChangeNotice | None], asyncio.AbstractEventLoop] = {}
        self._closed = False

    def publish(self, change: ChangeNotice) -> None:
        """Tell every open stream; may be called from any thread."""
        for queue, loop in list(self._streams.items()):
            if not loop.is_closed():
                loop.call_soon_threadsafe(_put, queue, change)

    def close(self) -> None:
        """End every stream, and any that opens later; may be called from a signal handler."""
        self._closed = True
        for queue, loop in list(self._streams.items()):
            loop.call_soon_threadsafe(_put, queue, None)

    async def stream(self) -> AsyncIterator[ServerSentEvent]:
        """Changes as they happen, beginning with one that says the stream is open."""
        queue: asyncio.Queue[ChangeNotice | None] = asyncio.Queue(HELD_BACK)
        self._streams[queue] = asyncio.get_running_loop()
        try:
            yield ServerSentEvent(data={"tank": None, "what": "open"}, retry=2000)
            while not self._closed:
                try:
                    change = await asyncio.wait_for(queue.get(), SIGN_OF_LIFE_S)
                except TimeoutError:
                    yield ServerSentEvent(comment="still here")
                    continue
                if change is None:
                    return
                yield ServerSentEvent(data={"tank": change.tank, "what": change.what})
        finally:
            del self._streams[queue]


def _put(queue: asyncio.Queue[ChangeNotice | None], change: ChangeNotice | None) -> None:
    if queue.full():
        queue.get_nowait()
    queue.put_nowait(change)
