"""A TCP proxy on the loopback that treats bytes as bad networks do: late, in pieces, cut off, or not at all.

Which pieces and how late comes from a seed. `freeze()` leaves the present connections open and forwards nothing more
(half open); `cut()` closes them. New connections are served as ever.
"""

import random
import selectors
import socket
import threading
from collections.abc import Callable


class Proxy:
    """Forwards to 127.0.0.1:target_port. delay_s and piece: the most by which a piece is late, and its most bytes."""

    def __init__(self, target_port: int, seed: int = 0, delay_s: float = 0.0, piece: int = 65536) -> None:
        self._target_port = target_port
        self._random = random.Random(seed)
        self._delay_s = delay_s
        self._piece = piece
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._frozen: set[socket.socket] = set()
        self._lock = threading.Lock()
        self._ended = threading.Event()
        self.port: int = self._listener.getsockname()[1]
        self.connections = 0
        self._threads: list[threading.Thread] = []
        self._run(self._accept)

    def _run(self, target: Callable[..., object], *args: object) -> None:
        thread = threading.Thread(target=target, args=args, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while not self._ended.is_set():
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            try:
                far = socket.create_connection(("127.0.0.1", self._target_port), timeout=5)
            except OSError:
                near.close()
                continue
            with self._lock:
                self.connections += 1
                self._pairs.append((near, far))
            self._run(self._forward, near, far)

    def _forward(self, near: socket.socket, far: socket.socket) -> None:
        other = {near: far, far: near}
        try:
            with selectors.DefaultSelector() as selector:
                for one in other:
                    one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    selector.register(one, selectors.EVENT_READ)
                while not self._ended.is_set():
                    for key, _ in selector.select(0.2):
                        assert isinstance(key.fileobj, socket.socket)
                        one = key.fileobj
                        with self._lock:
                            size = self._random.randint(1, self._piece)
                            late_s = self._random.uniform(0, self._delay_s)
                        if near in self._frozen:
                            return
                        data = one.recv(size)
                        if not data:
                            raise ConnectionError
                        self._ended.wait(late_s)
                        other[one].sendall(data)
        except (OSError, ValueError):  # ValueError: closed while it was watched
            near.close()
            far.close()

    def freeze(self) -> None:
        with self._lock:
            self._frozen |= {near for near, _ in self._pairs}

    def cut(self) -> None:
        with self._lock:
            pairs, self._pairs = [p for p in self._pairs if p[0] not in self._frozen], []
        for pair in pairs:
            for one in pair:
                try:
                    one.shutdown(socket.SHUT_RDWR)
                except OSError:
                    one.close()

    def close(self) -> None:
        self._ended.set()
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for thread in self._threads:
            thread.join(5)
        for pair in self._pairs:
            for one in pair:
                one.close()
