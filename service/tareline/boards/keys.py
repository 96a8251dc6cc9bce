"""The key with which a device's updates are signed: calculated for each device from one secret in a file.

So nothing has to be kept for each device, `tareline flash` and the service find the same key on their own, and a
board's key says nothing about another's. Whoever reads the file can sign for every device: only its owner may read it.
"""

import hmac
import os
import secrets
from contextlib import suppress
from pathlib import Path

from tareline.errors import FieldError

SECRET_BYTES = 32
PURPOSE = b"tareline update key\n"


def device_key(secret_file: Path, device: str) -> str:
    """A device's key, 64 hexadecimal digits. The secret is made where there is none yet.

    Raises FieldError where the file cannot be used.
    """
    return hmac.digest(_secret(secret_file), PURPOSE + device.encode(), "sha256").hex()


def _secret(path: Path) -> bytes:
    try:
        if not path.exists():
            _make(path)
        mode = path.stat().st_mode
        text = path.read_text(encoding="ascii", errors="replace").strip()
    except OSError as error:
        raise FieldError("updates.secret_file", f"{path} cannot be used: {error.strerror}") from error
    if mode & 0o077:
        raise FieldError("updates.secret_file", f"{path} can be read by others; expected chmod 600")
    if len(text) != 2 * SECRET_BYTES or not set(text) <= set("0123456789abcdef"):
        raise FieldError("updates.secret_file", f"{path}: expected {2 * SECRET_BYTES} hexadecimal digits")
    return bytes.fromhex(text)


def _make(path: Path) -> None:
    """Written as a whole beside its place: of two who make it at once, the second one takes the first one's."""
    fresh = path.with_name(f".{path.name}.{os.getpid()}.{secrets.token_hex(4)}")
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as file:
        file.write(secrets.token_hex(SECRET_BYTES) + "\n")
    try:
        with suppress(FileExistsError):
            os.link(fresh, path)
    finally:
        fresh.unlink()
