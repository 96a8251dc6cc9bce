"""Texts that UTF-8 may hold and may not, through the reader of messages. Runs on CPython and MicroPython.

Source: RFC 3629, sections 3 and 10 (shortest forms, U+10FFFF, surrogates), RFC 8259, section 7 (surrogate pairs).
"""

from streaming import Reader

GOOD = (
    (b"abc", 3),
    ("größer".encode(), 6),
    (b"\xf0\x9f\x90\x9f", 1),
    (b"\\ud83d\\udc1f", 1),
    (b"\\u0000", 1),
)
BAD = (
    b"\\ud83d",
    b"\\udc1f\\ud83d",
    b"\xe0\x80\x80",
    b"\xf4\x90\x80\x80",
    b"\xed\xa0\x80",
    b"\xc0\x80",
    b"\xc3",
    b"\xff",
)


def read(text):
    """The value of a field with this text, None where it is refused."""
    reader = Reader({"a": None}, None)
    try:
        reader.feed(b'{"a":"' + text + b'"}')
        return reader.result()["a"]
    except ValueError:
        return None


def check():
    for text, length in GOOD:
        found = read(text)
        assert found is not None, text
        assert len(found) == length, text
        assert found.encode("utf-8"), text
    for text in BAD:
        assert read(text) is None, text
    print("texts: ok")


if __name__ == "__main__":
    check()
