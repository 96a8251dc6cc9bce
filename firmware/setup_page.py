"""The set-up page's server: HTTP/1.1 over plain sockets, for a phone that has joined the board's own network.

One connection at a time, one request each, 2 KiB of it in a buffer that is made once; a connection that says nothing,
or not enough, is closed. Runs under MicroPython and CPython. Source: RFC 9112, as far as a form needs it.
"""

import errno
import select
import socket

from setup_form import FormError, changed, page, saved, shown, typed

LARGEST = 2048
PIECE = 512
FIRST_MS = 2000  # until a connection has said something: browsers open some in advance
REQUEST_MS = 5000
ANSWER_MS = 10000
DRAIN_MS = 300
LOOK_MS = 200
REASONS = {
    200: "OK",
    400: "Bad Request",
    404: "Not Found",
    405: "Method Not Allowed",
    411: "Length Required",
    413: "Content Too Large",
    422: "Unprocessable Content",
    500: "Internal Server Error",
}
HEADERS = (
    "Content-Type: text/html; charset=utf-8\r\nConnection: close\r\nCache-Control: no-store\r\n"
    "Content-Security-Policy: default-src 'none'; style-src 'unsafe-inline'; form-action 'self'\r\n"
    "X-Content-Type-Options: nosniff\r\nReferrer-Policy: no-referrer\r\n\r\n"
)


class RequestError(Exception):
    """A request that is refused with this status."""

    def __init__(self, status):
        super().__init__("%d" % status)
        self.status = status


def listen(host, port):
    """A socket that waits for connections."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(socket.getaddrinfo(host, port, 0, socket.SOCK_STREAM)[0][-1])
    listener.listen(2)
    listener.setblocking(False)
    return listener


class SetupPage:
    """Serves one device's page.

    settings: the dictionary of settings.json. save(settings): puts new ones on flash, may raise OSError. time: a module
    with ticks_ms and ticks_diff. idle: called several times a second, for the watchdog.
    """

    def __init__(self, settings, save, time, idle):
        self._settings = settings
        self._save = save
        self._time = time
        self._idle = idle
        self._buffer = bytearray(LARGEST)
        self._poll = select.poll()

    def serve(self, listener, for_ms):
        """Serve until new settings are saved, which gives True, or the time is over, which gives False."""
        began = self._time.ticks_ms()
        self._poll.register(listener, select.POLLIN)
        while self._time.ticks_diff(self._time.ticks_ms(), began) < for_ms:
            self._idle()
            if not self._poll.poll(LOOK_MS):
                continue
            try:
                connection = listener.accept()[0]
            except OSError:
                continue  # gone again
            self._poll.unregister(listener)
            try:
                connection.setblocking(False)
                if self._one(connection):
                    return True
            except OSError:
                pass  # it went away, or was too slow
            finally:
                connection.close()
                self._poll.register(listener, select.POLLIN)
        return False

    def _one(self, connection):
        """Answer one request; whether new settings were saved. Raises OSError."""
        self._poll.register(connection, select.POLLIN)
        try:
            try:
                method, body = self._request(connection)
            except RequestError as error:
                self._answer(connection, error.status, ("<!doctype html><title>%s</title>" % REASONS[error.status],))
                self._drain(connection)
                return False
            if method == "POST":
                return self._take(connection, body)
            pieces = page(self._settings, shown(self._settings)) if method == "GET" else ()
            self._answer(connection, 200, pieces)
            return False
        finally:
            self._poll.unregister(connection)

    def _take(self, connection, body):
        values = {}
        try:
            values = typed(body)
            new = changed(self._settings, values)
        except FormError as problem:
            self._answer(connection, 422, page(self._settings, values, problem))
            return False
        try:
            self._save(new)
        except OSError:
            self._answer(connection, 500, ("<!doctype html><title>Not saved</title><p>The flash refused it.",))
            return False
        try:
            self._answer(connection, 200, saved(new))
        except OSError:
            pass  # it is saved, whether anybody reads that or not
        return True

    def _request(self, connection):
        """(method, body) of a request for "/". Raises RequestError, OSError."""
        view = memoryview(self._buffer)
        began = self._time.ticks_ms()
        wait_ms = FIRST_MS
        count = 0
        head = -1
        while head < 0:
            if count == LARGEST:
                raise RequestError(413)
            count += self._receive(connection, count, began, wait_ms)
            wait_ms = REQUEST_MS
            head = bytes(view[:count]).find(b"\r\n\r\n")
        lines = bytes(view[:head]).split(b"\r\n")
        words = lines[0].split(b" ")
        if len(words) != 3 or not words[2].startswith(b"HTTP/1."):
            raise RequestError(400)
        if words[1].split(b"?")[0] != b"/":
            raise RequestError(404)
        if words[0] in (b"GET", b"HEAD"):
            return words[0].decode(), b""
        if words[0] != b"POST":
            raise RequestError(405)
        at = head + 4
        end = at + _length(lines)
        if end > LARGEST:
            raise RequestError(413)
        while count < end:
            count += self._receive(connection, count, began, wait_ms)
        return "POST", bytes(view[at:end])

    def _receive(self, connection, at, began, wait_ms):
        """Read into the buffer from here; how many bytes. Raises OSError where it is closed or too slow."""
        while True:
            left_ms = wait_ms - self._time.ticks_diff(self._time.ticks_ms(), began)
            if left_ms <= 0:
                raise OSError("too slow")
            self._idle()
            if not self._poll.poll(min(left_ms, LOOK_MS)):
                continue
            try:
                data = connection.recv(min(PIECE, LARGEST - at))
            except OSError as error:
                if error.errno == errno.EAGAIN:
                    continue
                raise
            if not data:
                raise OSError("closed")
            self._buffer[at : at + len(data)] = data
            return len(data)

    def _answer(self, connection, status, pieces):
        """Send a whole answer. Its end is the connection's end (RFC 9112, section 6.3)."""
        began = self._time.ticks_ms()
        self._send(connection, "HTTP/1.1 %d %s\r\n" % (status, REASONS[status]), began)
        self._send(connection, HEADERS, began)
        for piece in pieces:
            self._send(connection, piece, began)

    def _send(self, connection, text, began):
        data = memoryview(text.encode())
        at = 0
        while at < len(data):
            try:
                at += connection.send(data[at:]) or 0
                continue
            except OSError as error:
                if error.errno != errno.EAGAIN:
                    raise
            if self._time.ticks_diff(self._time.ticks_ms(), began) > ANSWER_MS:
                raise OSError("too slow")
            self._idle()
            self._poll.modify(connection, select.POLLOUT)
            self._poll.poll(LOOK_MS)
            self._poll.modify(connection, select.POLLIN)

    def _drain(self, connection):
        """Read what is left of a refused request, so that closing does not take the answer away from its reader."""
        began = self._time.ticks_ms()
        while self._time.ticks_diff(self._time.ticks_ms(), began) < DRAIN_MS:
            if self._poll.poll(50):
                try:
                    if not connection.recv(PIECE):
                        return
                except OSError:
                    return


def _length(lines):
    """The body's length by its header."""
    for line in lines[1:]:
        name, _, value = line.partition(b":")
        name = name.lower()
        value = value.strip()
        if name == b"transfer-encoding":
            raise RequestError(411)
        if name == b"content-length":
            if not value or len(value) > 6 or not all(48 <= digit <= 57 for digit in value):
                raise RequestError(400)
            return int(value)
    raise RequestError(411)
