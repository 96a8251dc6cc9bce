"""Where in the journal each dose stands that waits for the service: sequence number -> offset, in small pages.

A thousand doses may wait. One table for them would be a piece of 8 KiB or more, which a board that has run for weeks
does not find any more; so they stand in pages of 64, of 256 bytes each.
"""

from array import array

PAGE = 64
NOWHERE = 0xFFFFFFFF


class Places:
    """Numbers come in rising order, more or less; each is held once."""

    def __init__(self):
        self._pages = {}
        self._count = 0

    def __len__(self):
        return self._count

    def get(self, seq):
        """The offset of this dose, or None where it is not held."""
        page = self._pages.get(seq // PAGE)
        if page is None or page[seq % PAGE] == NOWHERE:
            return None
        return page[seq % PAGE]

    def put(self, seq, at):
        number = seq // PAGE
        if number not in self._pages:
            self._pages[number] = array("I", [NOWHERE] * PAGE)
        page = self._pages[number]
        if page[seq % PAGE] == NOWHERE:
            self._count += 1
        page[seq % PAGE] = at

    def forget(self, seq, kept):
        """Forget all up to this number but `kept`. Returns how many."""
        before = self._count
        for number in sorted(self._pages):
            page = self._pages[number]
            for place in range(PAGE):
                held = number * PAGE + place
                if held > seq:
                    break
                if page[place] != NOWHERE and held != kept:
                    page[place] = NOWHERE
                    self._count -= 1
            if number * PAGE > seq:
                break
            if not [at for at in page if at != NOWHERE]:
                del self._pages[number]
        return before - self._count

    def after(self, seq):
        """The smallest number held above this one, or None."""
        first = seq + 1
        for number in sorted(self._pages):
            if (number + 1) * PAGE <= first:
                continue
            page = self._pages[number]
            for place in range(max(0, first - number * PAGE), PAGE):
                if page[place] != NOWHERE:
                    return number * PAGE + place
        return None

    def numbers(self):
        """Yields every number held, in order; none may be put or forgotten meanwhile but the one that was yielded."""
        seq = self.after(-1)
        while seq is not None:
            yield seq
            seq = self.after(seq)
