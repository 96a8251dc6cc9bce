"""Real sockets for the link: TCP, and TLS with a verified certificate, never blocking once the name is known.

The same calls run on CPython and on MicroPython, whose sockets differ in two ways that are smoothed here: a TLS stream
that would block returns None there and raises here; `readinto` there is `recv_into` here. A certificate that is not
accepted is a ValueError on both.

What may block: `getaddrinfo`, for a host given by name (a number is known at once). A board's resolver repeats its
question with growing pauses; count on some ten seconds for each name server that does not answer (lwIP's defaults,
from memory). And the arithmetic of the TLS handshake, in parts of up to a second or two on an ESP32 (common practice,
no source). So the watchdog must allow 30 seconds, and a motor must not turn while a connection is being made: see
Link.pump.
"""

import binascii
import errno
import select
import socket
import ssl
import time

LOOK_AGAIN_MS = 20  # a TLS stream can't tell in which direction it waits
TCP = getattr(socket, "IPPROTO_TCP", 6)  # the same on every system (IANA's protocol number)
NODELAY = getattr(socket, "TCP_NODELAY", 1)  # 1 on Linux and in lwIP
UNDER_WAY = (errno.EINPROGRESS, errno.EAGAIN, errno.EALREADY)
WOULD_BLOCK = (ssl.SSLWantReadError, ssl.SSLWantWriteError) if hasattr(ssl, "SSLWantReadError") else ()


class TlsRefusedError(Exception):
    """The certificate, or the CA's file, was not accepted; the text says why."""


def certificates(data):
    """The certificates of a CA file as DER, from PEM (RFC 7468) or DER. MicroPython itself reads DER only."""
    mark = b"-----BEGIN CERTIFICATE-----"
    if mark not in data:
        return [data]
    return [binascii.a2b_base64(part.split(b"-----END")[0]) for part in data.split(mark)[1:]]


def client_context(path):
    """A TLS context that verifies the server against this CA file only."""
    try:
        with open(path, "rb") as file:
            parts = certificates(file.read())
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.verify_mode = ssl.CERT_REQUIRED  # MicroPython's default checks nothing
        for part in parts:
            context.load_verify_locations(cadata=part)
    except (OSError, ValueError) as error:
        raise TlsRefusedError("ca %s: expected a CA certificate, PEM or DER: %s" % (path, str(error).strip())) from None
    return context


class Sockets:
    """Opens connections to the host of the settings; with several addresses, one after another."""

    def __init__(self, settings):
        self._settings = settings
        self._context = None
        self._opened = 0

    def open(self):
        """A Socket that has begun to connect. Raises OSError, ValueError, or TlsRefusedError for a bad CA file."""
        settings = self._settings
        if settings.get("tls") and self._context is None:
            self._context = client_context(settings.get("ca"))
        found = socket.getaddrinfo(settings["host"], settings["port"], 0, socket.SOCK_STREAM)
        family, _, _, _, address = found[self._opened % len(found)]
        self._opened += 1
        return Socket(family, address, self._context, settings["host"])

    def sleep(self, wait_ms):
        time.sleep(wait_ms / 1000)


class Socket:
    """One connection. Every call returns at once, except `wait`."""

    def __init__(self, family, address, context, host):
        self._context = context
        self._host = host
        self._raw = self._stream = socket.socket(family, socket.SOCK_STREAM)
        self._poll = select.poll()
        self._poll.register(self._raw, select.POLLOUT)
        try:
            self._raw.setblocking(False)
            self._raw.connect(address)
        except OSError as error:
            if error.errno not in UNDER_WAY:
                self.close()
                raise

    def ready(self):
        """True once bytes may be sent; the TLS handshake goes on inside the first `send` calls. Raises OSError."""
        found = self._poll.poll(0)
        if not found:
            return False
        if found[0][1] & (select.POLLERR | select.POLLHUP):
            raise OSError("connection refused")
        try:
            self._raw.setsockopt(TCP, NODELAY, 1)  # small messages must not wait for the answer to the one before
        except OSError:
            pass
        if self._context is not None:
            self._poll.unregister(self._raw)
            self._stream = self._try(self._wrap, self._raw)
            self._stream.setblocking(False)
            self._poll.register(self._stream, select.POLLIN)
        self._read = getattr(self._stream, "recv_into", None) or self._stream.readinto  # type: ignore[attr-defined]
        return True

    def _wrap(self, raw):
        return self._context.wrap_socket(raw, server_hostname=self._host, do_handshake_on_connect=False)

    def receive(self, buffer):
        """Fill the buffer with what has come. Returns how many bytes, 0: none now. Raises OSError, TlsRefusedError."""
        count = self._try(self._read, buffer)
        if count is None:
            return 0
        if count == 0:
            raise OSError("closed by the broker")
        return count

    def send(self, data):
        """Returns how many bytes were taken, 0 for none now. Raises OSError, TlsRefusedError."""
        return self._try(self._stream.send, data) or 0

    def _try(self, call, data):
        try:
            return call(data)
        except WOULD_BLOCK:
            return None
        except ValueError as error:
            raise TlsRefusedError(str(error).strip()) from None
        except OSError as error:
            if error.errno in UNDER_WAY:
                return None
            raise

    def wait(self, wait_ms, writing):
        """Until something has come or, for `writing`, may be sent; wait_ms at most."""
        if self._stream is not self._raw:
            # TLS may have to read before it can write: a wait for POLLOUT would return at once, again and again.
            self._poll.poll(min(wait_ms, LOOK_AGAIN_MS) if writing else wait_ms)
        else:
            self._poll.modify(self._raw, select.POLLIN | (select.POLLOUT if writing else 0))
            self._poll.poll(wait_ms)

    def close(self):
        for stream in (self._stream, self._raw):
            try:
                stream.close()
            except OSError:
                pass
