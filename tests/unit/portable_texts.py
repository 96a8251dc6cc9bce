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
    (b"\\u00e9", 1),
    (b"\xc2\x80", 1),
    (b"\xe0\xa0\x80", 1),
    (b"\xed\x9f\xbf", 1),
    (b"\xee\x80\x80", 1),
    (b"\xf4\x8f\xbf\xbf", 1),
)
BAD = (
    b"\\ud83d",
    b"\\udc1f\\ud83d",
    b"\xe0\x80\x80",
    b"\xf4\x90\x80\x80",
    b"\xed\xa0\x80",
    b"\xc0\x80",
    b"\xc1\xbf",
    b"\xf0\x8f\xbf\xbf",
    b"\xc3",
    b"\x80",
    b"\xe2\x82",
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


def run():
    """What each text is read as: its code points, or None where it is refused."""
    found = []
    for text in [text for text, _ in GOOD] + list(BAD):
        value = read(text)
        found.append([repr(text), None if value is None else [ord(one) for one in value]])
    for number, (text, length) in enumerate(GOOD):
        value = found[number][1]
        assert value is not None, text
        assert len(value) == length, text
    for text, value in found[len(GOOD) :]:
        assert value is None, text
    return found
