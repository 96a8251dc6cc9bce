"""JSON (RFC 8259) that is read piece by piece, and of which only what is asked for is built.

A message of 8 KiB never stands in memory as a whole text nor as a whole tree: a tree of it takes several times its
size, and one that is nested deeply, or made of thousands of empty lists, more than a board has. What nobody asked for
is checked and dropped as it passes; what cannot be read ends with a ValueError that says why, whatever it is made of.

A shape says what is wanted: {name: None} a plain value, {name: {...}} an object, {name: [None]} a list of plain values,
{name: [{...}]} a list of objects. A value of another kind than the shape's, and a text or a number that is too long,
becomes UNFIT: the reader of the field says what was expected there.
"""

import json

MOST_DEPTH = 24
MOST_TOKEN = 200  # bytes of a text or a number that is wanted
MOST_ENTRIES = 160  # of one list


class Unfit:
    """In place of a value that is not of the kind that was asked for."""


UNFIT = Unfit()

SPACES = b" \t\r\n"
NUMBER = b"+-.0123456789eE"
WORDS = {b"true": True, b"false": False, b"null": None}

# What may come next
VALUE, FIRST_VALUE, NAME, FIRST_NAME, COLON, COMMA, END = range(7)
# Where in a token the reader is
NOWHERE, TEXT, ESCAPED, WORD = range(4)
OBJECT, LIST = 123, 91  # { [


def sound(text):
    """A text as UTF-8 may have it, surrogate pairs joined (RFC 3629). ValueError for what else it may not hold:
    MicroPython lets too long forms, numbers beyond U+10FFFF and single surrogates pass, and would send them on."""
    if len(text) == len(text.encode("utf-8")):
        return text  # ASCII only
    joined = ""
    high = 0
    for char in text:
        code = ord(char)
        if high or 0xDC00 <= code < 0xE000:
            if not high or not 0xDC00 <= code < 0xE000:
                raise ValueError("a single surrogate")
            joined += chr(0x10000 + ((high - 0xD800) << 10) + code - 0xDC00)
            high = 0
        elif 0xD800 <= code < 0xDC00:
            high = code
        elif code > 0x10FFFF or char.encode("utf-8") != chr(code).encode("utf-8"):
            raise ValueError("no shortest form")
        else:
            joined += char
    if high:
        raise ValueError("a single surrogate")
    return joined


class Reader:
    """Takes pieces by `feed`; `result()` gives the object at the end. Both raise ValueError for what is no JSON object.

    entry(name, value): what stands in the list of this name for an object that has ended; may raise ValueError.
    """

    def __init__(self, shape, entry):
        self._shape = shape
        self._entry = entry
        self._brackets = bytearray()
        self._open = []  # [value, shape, name in the object or of the list] of each wanted object or list that is open
        self._ignored = 0  # the depth at which something begins that nobody wants; 0: nowhere
        self._ignored_name = None
        self._expected = VALUE
        self._within = NOWHERE
        self._token = None  # what there is of a wanted text or word; None: not wanted, or too long
        self._is_name = False
        self._name = None
        self._result = None

    def feed(self, data):
        """Take the next bytes."""
        at = 0
        size = len(data)
        while at < size:
            if self._within:
                at = self._go_on(data, at, size)
                continue
            byte = data[at]
            if byte not in SPACES:
                at += self._begin(byte)
            else:
                at += 1

    def result(self):
        """The object, once everything has come."""
        if self._within == WORD:
            self._end_word()
        if self._expected != END or self._within:
            raise ValueError("not a whole JSON object")
        return self._result

    def _begin(self, byte):
        """What a byte outside of any token begins or ends; returns 1 where it is used up by that."""
        expected = self._expected
        if byte == 34:  # "
            self._begin_text(expected)
        elif byte in (OBJECT, LIST):
            if expected not in (VALUE, FIRST_VALUE):
                raise ValueError("an object or a list where none may stand")
            self._enter(byte)
        elif byte in (125, 93):  # } ]
            self._leave(byte)
        elif byte == 44:  # ,
            if expected != COMMA:
                raise ValueError("a comma where none may stand")
            self._expected = NAME if self._brackets[-1] == OBJECT else VALUE
        elif byte == 58:  # :
            if expected != COLON:
                raise ValueError("a colon where none may stand")
            self._expected = VALUE
        elif expected in (VALUE, FIRST_VALUE):
            self._is_name = False
            self._within = WORD
            self._token = b""
            return 0
        else:
            raise ValueError("a character where none may stand")
        return 1

    # Tokens

    def _begin_text(self, expected):
        if expected in (NAME, FIRST_NAME):
            self._is_name = True
            self._token = None if self._ignored else b""
        elif expected in (VALUE, FIRST_VALUE):
            self._is_name = False
            self._token = b"" if self._wanted() is None else None
        else:
            raise ValueError("a text where none may stand")
        self._within = TEXT

    def _go_on(self, data, at, size):
        """Take what there is of a token; returns where it ends in this piece."""
        if self._within == WORD:
            start = at
            while at < size and data[at] not in b',]}:" \t\r\n':
                at += 1
            self._take(data, start, at)
            if self._token is None:
                raise ValueError("a number that is too long")
            if at < size:
                self._end_word()
            return at
        if self._within == ESCAPED:
            self._take(data, at, at + 1)
            self._within = TEXT
            return at + 1
        end = data.find(b'"', at)
        back = data.find(b"\\", at, size if end < 0 else end)
        if back >= 0:
            self._take(data, at, back + 1)
            self._within = ESCAPED
            return back + 1
        self._take(data, at, size if end < 0 else end)
        if end < 0:
            return size
        self._end_text()
        return end + 1

    def _take(self, data, start, end):
        token = self._token
        if token is None:
            return
        if len(token) + end - start > MOST_TOKEN:
            self._token = None
        elif start < end:
            self._token = token + data[start:end]

    def _end_text(self):
        self._within = NOWHERE
        token = self._token
        text = UNFIT
        if token is not None:
            try:
                said = json.loads(b'"' + token + b'"') if b"\\" in token else str(token, "utf-8")
                text = sound(said)
            except ValueError:
                raise ValueError("a text that is no UTF-8, or has an escape that is none") from None
        if self._is_name:
            self._name = text
            self._expected = COLON
        else:
            self._put(text)

    def _end_word(self):
        self._within = NOWHERE
        token = self._token
        if token in WORDS:
            self._put(WORDS[token])
            return
        for byte in token:
            if byte not in NUMBER:
                raise ValueError("a word that is none of true, false and null")
        try:
            value = json.loads(token)
        except ValueError:
            value = None
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise ValueError("a number that is none")
        self._put(value)

    # Objects and lists

    def _wanted(self):
        """The shape of the value that comes next; False where nobody wants it."""
        if self._ignored:
            return False
        if not self._open:
            return self._shape
        shape = self._open[-1][1]
        if isinstance(shape, list):
            return shape[0]
        return shape.get(self._name, False) if isinstance(self._name, str) else False

    def _enter(self, bracket):
        if len(self._brackets) >= MOST_DEPTH:
            raise ValueError("nested more than %d deep" % MOST_DEPTH)
        shape = self._wanted()
        value = {} if bracket == OBJECT else []
        fits = isinstance(shape, dict if bracket == OBJECT else list)
        if not self._brackets and not fits:
            raise ValueError("not a JSON object")
        self._brackets.append(bracket)
        if fits:
            self._open.append([value, shape, self._name])
        elif not self._ignored:
            self._ignored = len(self._brackets)
            self._ignored_name = self._name
        self._expected = FIRST_NAME if bracket == OBJECT else FIRST_VALUE

    def _leave(self, byte):
        brackets = self._brackets
        first = FIRST_NAME if byte == 125 else FIRST_VALUE
        if not brackets or brackets[-1] != byte - 2 or self._expected not in (COMMA, first):
            raise ValueError("a bracket where none may stand")
        depth = len(brackets)
        self._brackets = brackets[:-1]
        if self._ignored:
            if self._ignored == depth:
                self._ignored = 0
                self._name = self._ignored_name
                self._put(UNFIT)
            else:
                self._expected = COMMA
            return
        value, _, name = self._open.pop()
        self._name = name
        if not self._open:
            self._result = value
            self._expected = END
            return
        self._put(value)

    def _put(self, value):
        """A value has ended: into its object or list, if somebody wants it there."""
        self._expected = COMMA
        if not self._brackets:
            raise ValueError("not a JSON object")
        if self._ignored:
            return
        container, shape, name = self._open[-1]
        if isinstance(shape, list):
            if len(container) >= MOST_ENTRIES:
                raise ValueError("%s: more than %d entries" % (name, MOST_ENTRIES))
            plain = not isinstance(value, (dict, list))
            if plain != (shape[0] is None):
                value = UNFIT
            container.append(value if shape[0] is None else self._entry(name, value))
        elif isinstance(self._name, str) and self._name in shape:
            wanted = shape[self._name]
            if value is not None and isinstance(value, (dict, list)) != (wanted is not None):
                value = UNFIT
            container[self._name] = value
