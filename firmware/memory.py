"""What a feeder must never forget, in one journal: doses, meals fed, commands done, the day's counter, the gain, and
why it has stopped by itself.

Records (key `k`), each a JSON object with short keys to spare the flash:
  c  checkpoint, written twice at the head of the file: the journal's id and everything that is not a list or a dose
  m  marks (orders.mark_of) of meal ids fed or recorded before the checkpoint
  x  a command id that acts now and expires
  f  marks of command ids that have acted and never expire
  g  the gain in force and what bounds its next change
  l  the day's counter with food that left without a step
  r  everything up to this number was received
  s  a stop by itself, or its end (see Stop)
  i  intent: a dose about to be given, with the day's counter as it stands with the dose counted in full
  n  a dose that is complete: how an intent ended, or held, missed, capped to nothing, or copied by a rewrite; with the
     day's counter where the scale showed that more was given than had been counted
A dose is a dict: s seq, b boot, a at_ms, u uptime_ms, g age_ms, q cause, m meal, t target_ug, n steps, w before_ug,
x after_ug, d sd_ug, T hundredths of a degree Celsius, o outcome (None while open), e micrograms it was counted for
before it moved (0: nothing was to move).
An intent without an end is an interrupted dose of unknown size: it keeps its steps, has no weight, stays counted.

Doses stay on flash: in memory there is only where each begins, so that months without the service fit a board.
"""

from dosing import lately_weighed
from journal import Journal
from losses import DAY_MS, Losses, Reference
from orders import mark_of
from places import Places

NAME = "journal.bin"
KEEP_MEALS = 160
MOST_MEALS = 400
KEEP_COMMANDS = 32
MOST_COMMANDS = 64
MOST_FOREVER = 256  # ids that never expire are remembered for ever, by a mark; that of two may be the same: refused
A_RECORD = 40
MOST_DOSES = 1000  # held at once, over two months of 14 meals a day; then nothing is fed until the service has some
REWRITE_FREED = 4096
FURTHEST = 100000  # beyond the last number used, even where some were lost
DOSE_SIZE = 400  # about what a dose takes on flash, its intent apart
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

    def copy(self):
        return Counter(*self.to_record())

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


class Stop:
    """Why the feeder has stopped by itself: the fault's code (None: it has not), whether a hold has begun since, and
    what is told of it. It ends when such a hold is released, or with a new calibration."""

    def __init__(self, code=None, seen=False, detail=""):
        self.code = code
        self.seen = seen
        self.detail = detail

    def to_record(self):
        return [self.code, self.seen, self.detail]


class Memory:
    """The journal's content, read back at start. Every method that changes it returns after the flash has it."""

    def __init__(self, flash, new_id, age_ms):
        self.file = Journal(flash, NAME)
        self.journal_id = None
        self.next_seq = 1
        self.received = 0
        self.places = Places()  # seq -> offset of the record that says most about this dose
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
        self.lately = []  # [seq, steps, micrograms that left, deviation] of the last doses that were weighed
        self.weighed_age = 0  # when a dose was last weighed
        self.overs = [0, 0]  # how many doses in a row gave too much; seq of the last one that was judged
        self.stop = Stop()
        self.losses = Losses()
        self.intent_seq = 0  # while records are read: the dose whose intent was the last one
        self.gaps = False  # doses may be missing since the journal was damaged; numbers above may have been used
        for at, record in self.file.load():
            self._replay(at, record)
        self.lost = self.file.damaged or (self.journal_id is None and self.file.size > 0)
        self.gaps = self.gaps or self.lost
        if self.journal_id is None:
            # A new flash, or both checkpoints gone: then the numbers that follow belong to a new journal.
            self.journal_id = new_id
            self.next_seq = 1
            self.places = Places()
            self.file.dirty = True
        if self.file.damaged:
            self.next_seq += 1  # what cannot be read may be a dose that was told: its number must not be used again
        if self.lost or not self.counter.sound():
            reset_age = max(age_ms, self.last_age)
            self.counter = Counter(self.counter.day_ms, FULL_UG, reset_age, reset_age, reset_age)
        if self.losses.near is not None:
            self.losses.near.age -= DAY_MS  # nobody knows how long this start has taken, nor what the cell did
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
            self.lately = record["lately"]
            self.weighed_age = record["weighed"]
            self.overs = record["overs"]
            self.stop = Stop(*record["stop"])
            self.gaps = record["gaps"]
            self.losses = Losses(record["near"] and Reference(*record["near"]), record["near_seq"])
        elif kind in ("i", "n"):
            if "c" in record:
                self.counter = Counter(*record["c"])
            self._take(record, at)
            self._replay_weights(record)
        elif kind == "m":
            self.meals += record["marks"]
        elif kind == "x":
            self.commands.append([record["id"], record["until"]])
        elif kind == "f":
            self.forever += record["marks"]
        elif kind == "g":
            self.gain = record["gain"]
        elif kind == "r":
            self.received = max(self.received, record["seq"])
            self.places.forget(record["seq"], None)
        elif kind == "l":
            self.counter = Counter(*record["c"])
        elif kind == "s":
            self._set_stop(Stop(*record["stop"]))

    def _take(self, dose, at):
        self.next_seq = max(self.next_seq, dose["s"] + 1)
        self.last_age = max(self.last_age, dose["g"])
        if dose["s"] > self.received:
            self.places.put(dose["s"], at)
        meal = dose["m"]
        if meal is not None:
            self._take_meal(meal)
            if meal.startswith("blind/") and dose["g"] > self.blind_age:
                self.blind_age = dose["g"]
                self.blind_count = int(meal.split("/")[2])

    def _judged(self, dose):
        """What the weights of a dose say beyond itself; once for each dose, also where records are read again."""
        seq = dose["s"]
        if not dose["e"] or seq <= self.overs[1] or dose["w"] is None or dose["x"] is None:
            return False
        self.overs = [self.overs[0] + 1 if dose["o"] == "over" else 0, seq]
        self.weighed_age = max(self.weighed_age, dose["g"])
        self.lately = lately_weighed(self.lately, seq, dose["n"], dose["w"] - dose["x"], dose["d"])
        return True

    def _replay_weights(self, dose):
        """What a dose did to the scale, once for each: its intent as if it had given all, its end as it was weighed."""
        self._judged(dose)
        losses = self.losses
        seq, counted = dose["s"], dose["e"]
        if not counted or seq < losses.seq or (seq == losses.seq and seq != self.intent_seq):
            return
        intent = dose["o"] is None
        before, near = dose["w"], losses.near
        if intent and before is not None:
            losses.near = Reference(before - counted, dose["d"], dose["T"], dose["g"])
        elif intent and near is not None:
            near.mass -= counted
        elif before is not None and dose["x"] is not None:
            losses.near = Reference(dose["x"], dose["d"], dose["T"], dose["g"])
        elif not dose["n"] and near is not None and seq == self.intent_seq:
            near.mass += counted
        losses.far = losses.near
        losses.seq = seq
        self.intent_seq = seq if intent else 0

    def _set_stop(self, stop):
        if stop.code is None:
            self.overs = [0, self.overs[1]]
        self.stop = stop

    def _take_meal(self, meal):
        mark = mark_of(meal)
        if mark not in self.meals:
            self.meals.append(mark)
            if len(self.meals) > MOST_MEALS:  # where hundreds of doses wait, the older ones' meals cannot come again
                self.meals = self.meals[-KEEP_MEALS:]

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
            "lately": self.lately,
            "weighed": self.weighed_age,
            "overs": self.overs,
            "stop": self.stop.to_record(),
            "gaps": self.gaps,
            "near": self.losses.near and self.losses.near.to_record(),
            "near_seq": self.losses.seq,
        }
        yield None, checkpoint
        yield None, checkpoint
        for at in range(0, len(self.meals), A_RECORD):
            yield None, {"k": "m", "marks": self.meals[at : at + A_RECORD]}
        for command_id, until_ms in self.commands:
            yield None, {"k": "x", "id": command_id, "until": until_ms}
        for at in range(0, len(self.forever), A_RECORD):
            yield None, {"k": "f", "marks": self.forever[at : at + A_RECORD]}
        for seq in self.places.numbers():
            if seq == self.open_seq:  # as an intent, or power lost now would make it a dose that never ran
                record = self.file.value(self.places.get(seq))
                record["c"] = self.counter.to_record()
            else:
                record = self.dose(seq)
                record["k"] = "n"
            yield seq, record

    def dose(self, seq):
        """A dose that is held, read from flash; None where it is not held. Raises OSError where flash has lost it."""
        at = self.places.get(seq)
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
        fresh = Places()
        self.file.rewrite(self._records(), fresh.put)
        self.places = fresh
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
        if len(self.places) >= MOST_DOSES:
            raise JournalFullError("%d doses wait for the service" % len(self.places))

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

    def end(self, dose, outcome, counter=None):
        """Write how a dose went; counter: the day's, where more has to be counted than before it moved. After an
        OSError the journal is dirty, and its next rewrite says it."""
        dose["o"] = outcome
        record = dict(dose)
        record["k"] = "n"
        if counter is not None:
            record["c"] = counter.to_record()
            self.counter = counter
        self._judged(dose)
        try:
            at = self._append(record)  # which may write the journal anew, with new places
            self.places.put(dose["s"], at)
        except OSError:
            self.file.dirty = True
            self.unsaved = dose
            raise
        finally:
            self.open_seq = None

    def abandon(self):
        """A dose has broken off in a way that nobody expected: it stays an intent without an end."""
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
            mark = mark_of(command_id)
            self._append({"k": "f", "marks": [mark]})
            self.forever.append(mark)
        else:
            self._append({"k": "x", "id": command_id, "until": until_ms})
            self.commands.append([command_id, until_ms])

    def knows_command(self, command_id):
        return mark_of(command_id) in self.forever or command_id in [known for known, _ in self.commands]

    def room_for_command(self, until_ms, now_ms):
        """Whether one more command id can be kept: until it expires, or for ever."""
        if until_ms is None:
            return len(self.forever) < MOST_FOREVER
        return len([1 for _, until in self.commands if now_ms is None or until >= now_ms]) < MOST_COMMANDS

    def set_gain(self, gain):
        """Write the gain: [gain_ng, reference_ng, age of the reference]."""
        self._append({"k": "g", "gain": gain})
        self.gain = gain

    def lose(self, counter):
        """Write the day's counter with food that left without a step."""
        self.counter = counter
        self._append({"k": "l", "c": counter.to_record()})

    def set_stop(self, stop):
        """Write that the feeder has stopped by itself, that a hold has begun since, or that the stop is over."""
        self._set_stop(stop)
        self._append({"k": "s", "stop": stop.to_record()})

    def free(self, seq, now_ms, kept_meals):
        """Forget the doses up to this one; rewrite the file once that frees a good part of it.

        Raises ValueError for a number that was never used here. Where doses were lost with a damaged journal it may
        have been: then numbers go on above it, and what is held is offered once more.
        """
        if seq >= self.next_seq:
            if not self.gaps or seq >= self.next_seq + FURTHEST:
                raise ValueError("seq: expected %d at most, the last one used" % (self.next_seq - 1))
            self.next_seq = seq + 1
            self.gaps = False
            self.rewrite(now_ms, kept_meals)
            return
        self.gaps = False
        self.received = max(self.received, seq)
        gone = self.places.forget(seq, self.open_seq)
        self.freed += DOSE_SIZE * gone
        if (self.freed > REWRITE_FREED and 2 * self.freed > self.file.size) or self.file.dirty:
            self.rewrite(now_ms, kept_meals)
        elif gone:
            self._append({"k": "r", "seq": seq})  # or they would be offered again after the next start

    def first_held(self):
        """The oldest sequence number still held; the next one to come where none is."""
        first = self.places.after(-1)
        return self.next_seq if first is None else first


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
