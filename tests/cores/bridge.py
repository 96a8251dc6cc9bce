"""The other end of a core's serial line: a bridge to a broker. on_core/core_board.py describes the frames."""

import contextlib
import socket
import struct
import threading

NEW = b"\0the line is new"
PIECE = 1024


class Bridge:
    """Serves one line until it is closed. port: the broker's, None for nobody there. `opened` counts connections."""

    def __init__(self, line: socket.socket, port: int | None) -> None:
        self.port = port
        self.opened = 0
        self._line = line.dup()
        self._lock = threading.Lock()
        self._writing = threading.Lock()
        self._reader: threading.Thread | None = None
        self._connection: socket.socket | None = None
        self._number = 0
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """After the core's power is off, or to cut the line."""
        with contextlib.suppress(OSError):
            self._line.shutdown(socket.SHUT_RDWR)
        self._thread.join(10)
        self._line.close()

    def drop(self) -> None:
        """End the connection there is, as a network that goes away and says so."""
        with self._lock:
            connection = self._connection
        if connection is not None:
            connection.shutdown(socket.SHUT_RDWR)

    def _take(self, size: int) -> bytes:
        data = b""
        while len(data) < size:
            more = self._line.recv(size - len(data))
            if not more:
                raise OSError("the core is off")
            data += more
        return data

    def _serve(self) -> None:
        try:
            while True:
                kind, number, size = struct.unpack("<cBH", self._take(4))
                data = self._take(size)
                if kind in b"RC":
                    self._part()
                    if kind == b"R":
                        with self._writing:
                            self._line.sendall(NEW)
                elif kind == b"O":
                    self._part()
                    self._open(number)
                elif self._connection is not None and number == self._number:
                    with contextlib.suppress(OSError):  # its reader says that it is closed
                        self._connection.sendall(data)
        except OSError:
            self._part()

    def _open(self, number: int) -> None:
        try:
            if self.port is None:
                raise OSError("no broker")
            connection = socket.create_connection(("127.0.0.1", self.port), timeout=5)
        except OSError:
            self._say(b"C", number)
            return
        connection.settimeout(None)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.opened += 1
        self._say(b"U", number)
        with self._lock:
            self._connection, self._number = connection, number
        self._reader = threading.Thread(target=self._read, args=(connection, number), daemon=True)
        self._reader.start()

    def _read(self, connection: socket.socket, number: int) -> None:
        try:
            while data := connection.recv(PIECE):
                self._say(b"D", number, data)
        except OSError:
            pass
        with self._lock:
            ours = connection is self._connection
        if ours:
            with contextlib.suppress(OSError):
                self._say(b"C", number)

    def _say(self, kind: bytes, number: int, data: bytes = b"") -> None:
        with self._writing:
            self._line.sendall(struct.pack("<cBH", kind, number, len(data)) + data)

    def _part(self) -> None:
        with self._lock:
            connection, self._connection = self._connection, None
        if connection is not None:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
            connection.close()
            assert self._reader is not None
            self._reader.join(10)
