"""What a feeder must never forget, in one journal: doses, meals fed, commands done, the day's counter, the gain.

Records (key `k`), each a JSON object with short keys to spare the flash:
  c  checkpoint, written twice at the head of the file: the journal's id and everything that is not a list or a dose
  m  a meal id fed or recorded before the checkpoint
  x  a command id that acts now and expires
  f  CRC-32 of command ids that have acted and never expire
  g  the gain in force and what bounds its next change
  i  intent: a dose about to be given, with the day's counter as it stands with the dose counted in full
  n  a dose that is complete: how an intent ended, or held, missed, capped to nothing, or copied by a rewrite
A dose is a dict: s seq, b boot, a at_ms, u uptime_ms, g age_ms, q cause, m meal, t target_ug, n steps, w before_ug,
x after_ug, d sd_ug, T hundredths of a degree Celsius, o outcome (None while open).
An intent without an end is an interrupted dose of unknown size: it keeps its steps, has no weight, stays counted.

Doses stay on flash: in memory there is only where each begins, so that months without the service fit a board.
"""

import binascii

from journal import Journal

NAME = "journal.bin"
KEEP_MEALS = 128
KEEP_COMMANDS = 32
MOST_COMMANDS = 64
MOST_FOREVER = 512  # ids that never expire are remembered for ever, by their CRC; that of two may be the same: refused
A_RECORD = 40
MOST_DOSES = 1000  # held at once, over two months of 14 meals a day; then nothing is fed until the service has some
REWRITE_FREED = 4096
DOSE_SIZE = 300  # about what a dose takes on flash, its intent apart
LARGEST_GROWTH = 16384
FULL_UG = 1 << 60  # a counter nobody can trust any more: nothing is fed until its next reset
MASK = (1 << 62) - 1


class JournalFullError(OSError):
    """No more doses can be held: none is dropped to make room, so none is given."""


class Counter:
    """What counts against the day's cap: the day's start (0: without a clock), micrograms used, the age of the last
    reset (None: never), the ages of the first and the last dose counted (None: none yet), and the clock at the last one
    (None: unknown).

    What was used is kept a second time with every bit turned over: memory that has gone bad must not give more food.
    """

    def __init__(self, day_ms=0, used_ug=0, reset_age=None, first_age=None, last_age=None, last_ms=None, turned=None):
        self.day_ms = day_ms
        self.used_ug = used_ug
        self.reset_age = reset_age
        self.first_age = first_age
        self.last_age = last_age
        self.last_ms = last_ms
        self.turned = MASK ^ used_ug if turned is None else turned

    def add(self, mass_ug):
        self.used_ug += mass_ug
        self.turned -= mass_ug

    def sound(self):
        """Whether the two say the same."""
        return self.used_ug == MASK ^ self.turned

    def to_record(self):
        return [
            self.day_ms,
            self.used_ug,
            self.reset_age,
            self.first_age,
            self.last_age,
            self.last_ms,
            self.turned,
        ]


def _crc(command_id):
    return binascii.crc32(command_id.encode()) & 0xFFFFFFFF


class Memory:
    """The journal's content, read back at start. Every method that changes it returns after the flash has it."""

    def __init__(self, flash, new_id, age_ms):
        self.file = Journal(flash, NAME)
        self.journal_id = None
        self.next_seq = 1
        self.received = 0
        self.index = {}  # seq -> offset of the record that says most about this dose
        self.open_seq = None
        self.unsaved = None  # a dose whose end flash has refused so far
        self.meals = []
        self.commands = []
        self.forever = []
        self.counter = Counter()
        self.gain = None
        self.blind_age = 0
        self.blind_count = 0
        self.last_age = 0
        self.freed = 0
        self.clean_size = 0
        for at, record in self.file.load():
            self._replay(at, record)
        self.lost = self.file.damaged or (self.journal_id is None and self.file.size > 0)
        if self.journal_id is None:
            # A new flash, or both checkpoints gone: then the numbers that follow belong to a new journal.
            self.journal_id = new_id
            self.next_seq = 1
            self.index = {}
            self.file.dirty = True
        if self.lost or not self.counter.sound():
            reset_age = max(age_ms, self.last_age)
            self.counter = Counter(self.counter.day_ms, FULL_UG, reset_age, reset_age, reset_age)
        self.mend()

    def _replay(self, at, record):
        kind = record["k"]
        if kind == "c":
            self.journal_id = record["journal"]
            self.next_seq = max(self.next_seq, record["next"])
            self.received = record["received"]
            self.counter = Counter(*record["counter"])
            self.gain = record["gain"]
            self.blind_age, self.blind_count = record["blind"]
            self.last_age = record["age"]
        elif kind in ("i", "n"):
            if kind == "i":
                self.counter = Counter(*record["c"])
            self._take(record, at)
        elif kind == "m":
            self._take_meal(record["id"])
        elif kind == "x":
            self.commands.append([record["id"], record["until"]])
        elif kind == "f":
            self.forever += record["crc"]
        elif kind == "g":
            self.gain = record["gain"]

    def _take(self, dose, at):
        self.next_seq = max(self.next_seq, dose["s"] + 1)
        self.last_age = max(self.last_age, dose["g"])
        if dose["s"] > self.received:
            self.index[dose["s"]] = at
        meal = dose["m"]
        if meal is not None:
            self._take_meal(meal)
            if meal.startswith("blind/") and dose["g"] > self.blind_age:
                self.blind_age = dose["g"]
                self.blind_count = int(meal.split("/")[2])

    def _take_meal(self, meal):
        if meal not in self.meals:
            self.meals.append(meal)

    def _records(self):
        """(seq or None, record) for every record of a journal written anew."""
        checkpoint = {
            "k": "c",
            "journal": self.journal_id,
            "next": self.next_seq,
            "received": self.received,
            "counter": self.counter.to_record(),
            "gain": self.gain,
            "blind": [self.blind_age, self.blind_count],
            "age": self.last_age,
        }
        yield None, checkpoint
        yield None, checkpoint
        for meal in self.meals:
            yield None, {"k": "m", "id": meal}
        for command_id, until_ms in self.commands:
            yield None, {"k": "x", "id": command_id, "until": until_ms}
        for at in range(0, len(self.forever), A_RECORD):
            yield None, {"k": "f", "crc": self.forever[at : at + A_RECORD]}
        for seq in sorted(self.index):
            if seq == self.open_seq:  # as an intent, or power lost now would make it a dose that never ran
                record = self.file.value(self.index[seq])
                record["c"] = self.counter.to_record()
            else:
                record = self.dose(seq)
                record["k"] = "n"
            yield seq, record

    def dose(self, seq):
        """A dose that is held, read from flash; None where it is not held. Raises OSError where flash has lost it."""
        at = self.index.get(seq)
        if at is None:
            return None
        if self.unsaved and self.unsaved["s"] == seq:
            return dict(self.unsaved)
        record = self.file.value(at)
        if record.pop("k") == "i" and seq != self.open_seq:
            record["o"] = "interrupted"
            record["w"] = record["x"] = record["d"] = None
        record.pop("c", None)
        return record

    def rewrite(self, now_ms=None, kept_meals=()):
        """Write the journal anew: only doses not received, the meals that could still come again, the commands that
        could still be repeated."""
        if len(self.meals) > KEEP_MEALS:
            old = self.meals[:-KEEP_MEALS]
            self.meals = [meal for meal in old if meal in kept_meals] + self.meals[-KEEP_MEALS:]
        if len(self.commands) > KEEP_COMMANDS:
            old = self.commands[:-KEEP_COMMANDS]
            alive = [c for c in old if now_ms is None or c[1] >= now_ms]
            self.commands = alive + self.commands[-KEEP_COMMANDS:]
        self.index = self.file.rewrite(self._records())
        self.unsaved = None
        self.clean_size = self.file.size
        self.freed = 0

    def mend(self):
        """Bring a dirty journal back in order; False where the flash refuses."""
        if self.file.dirty:
            try:
                self.rewrite()
            except OSError:
                return False
        return True

    def _append(self, record):
        if self.file.dirty or self.file.size > 2 * self.clean_size + LARGEST_GROWTH:
            self.rewrite()
        return self.file.append(record)

    def _room(self):
        if len(self.index) >= MOST_DOSES:
            raise JournalFullError("%d doses wait for the service" % len(self.index))

    def intend(self, dose, counter):
        """Write a dose before the motor moves. Raises OSError, and then nothing may move."""
        self._room()
        record = dict(dose)
        record["k"] = "i"
        record["c"] = counter.to_record()
        at = self._append(record)
        self.counter = counter
        self._take(dose, at)
        self.open_seq = dose["s"]

    def end(self, dose, outcome):
        """Write how a dose went. After an OSError the journal is dirty, and its next rewrite says it."""
        dose["o"] = outcome
        record = dict(dose)
        record["k"] = "n"
        try:
            self.index[dose["s"]] = self._append(record)
        except OSError:
            self.file.dirty = True
            self.unsaved = dose
            raise
        finally:
            self.open_seq = None

    def note(self, dose):
        """Write a dose for which nothing moved."""
        self._room()
        record = dict(dose)
        record["k"] = "n"
        self._take(dose, self._append(record))

    def command(self, command_id, until_ms):
        """Write that a command acts now."""
        if until_ms is None:
            crc = _crc(command_id)
            self._append({"k": "f", "crc": [crc]})
            self.forever.append(crc)
        else:
            self._append({"k": "x", "id": command_id, "until": until_ms})
            self.commands.append([command_id, until_ms])

    def knows_command(self, command_id):
        return _crc(command_id) in self.forever or command_id in [known for known, _ in self.commands]

    def room_for_command(self, until_ms, now_ms):
        """Whether one more command id can be kept: until it expires, or for ever."""
        if until_ms is None:
            return len(self.forever) < MOST_FOREVER
        return len([1 for _, until in self.commands if now_ms is None or until >= now_ms]) < MOST_COMMANDS

    def set_gain(self, gain):
        """Write the gain: [gain_ng, reference_ng, age of the reference]."""
        self._append({"k": "g", "gain": gain})
        self.gain = gain

    def free(self, seq, now_ms, kept_meals):
        """Forget the doses up to this one; rewrite the file once that frees a good part of it."""
        self.received = max(self.received, seq)
        self.next_seq = max(self.next_seq, seq + 1)
        gone = [known for known in self.index if known <= seq and known != self.open_seq]
        for known in gone:
            del self.index[known]
        self.freed += DOSE_SIZE * len(gone)
        if (self.freed > REWRITE_FREED and 2 * self.freed > self.file.size) or self.file.dirty:
            self.rewrite(now_ms, kept_meals)

    def first_held(self):
        """The oldest sequence number still held; the next one to come where none is."""
        return min(self.index) if self.index else self.next_seq


def dose_message(dose, journal_id):
    """A dose as it goes over the wire, the same whenever it is asked for."""
    weighed = dose["w"] is not None and dose["x"] is not None
    return {
        "journal": journal_id,
        "seq": dose["s"],
        "boot": dose["b"],
        "at_ms": dose["a"],
        "uptime_ms": dose["u"],
        "meal": dose["m"],
        "cause": dose["q"],
        "target_g": dose["t"] / 1000000,
        "steps": dose["n"],
        "before_g": dose["w"] / 1000000 if weighed else None,
        "after_g": dose["x"] / 1000000 if weighed else None,
        "sd_g": dose["d"] / 1000000 if weighed else None,
        "temperature_c": None if dose["T"] is None else dose["T"] / 100,
        "outcome": dose["o"],
    }
