"""What a feeder must never forget, in one journal: doses, meals fed, commands done, the day's counter, the gain.

Records (key `k`), each a JSON object with short keys to spare the flash:
  c  checkpoint, written twice at the head of the file: the journal's id and everything that is not a dose
  i  intent: a dose about to be given, with the day's counter as it stands with the dose counted in full
  e  end: how that dose went
  n  a dose that is complete in itself: held, missed, capped to nothing, or copied by a rewrite
  x  a command id that acts now
  g  the gain in force and what bounds its next change
A dose is a dict: s seq, b boot, a at_ms, u uptime_ms, g age_ms, q cause, m meal, t target_ug, n steps, w before_ug,
x after_ug, d sd_ug, T hundredths of a degree Celsius, o outcome (None while open).
An intent without an end is an interrupted dose of unknown size: it keeps its steps, loses its weight, stays counted.
"""

from journal import Journal

NAME = "journal.bin"
KEEP_MEALS = 128
KEEP_COMMANDS = 64
MOST_COMMANDS = 256
REWRITE_FREED = 4096
LARGEST_GROWTH = 16384
FULL_UG = 1 << 60  # a counter nobody can trust any more: nothing is fed until its next reset


class Counter:
    """What counts against the day's cap: the day's start (0: without a clock), micrograms used, the age of the last
    reset (None: never) and the age of the first dose counted (None: none yet)."""

    def __init__(self, day_ms=0, used_ug=0, reset_age=None, first_age=None):
        self.day_ms = day_ms
        self.used_ug = used_ug
        self.reset_age = reset_age
        self.first_age = first_age

    def to_record(self):
        return [self.day_ms, self.used_ug, self.reset_age, self.first_age]


class Memory:
    """The journal's content, read back at start. Every method that changes it returns after the flash has it."""

    def __init__(self, flash, new_id, age_ms):
        self.file = Journal(flash, NAME)
        self.journal_id = None
        self.next_seq = 1
        self.received = 0
        self.doses = {}
        self.meals = []
        self.commands = []
        self.counter = Counter()
        self.gain = None
        self.blind_age = 0
        self.blind_count = 0
        self.last_age = 0
        self.freed = 0
        self.clean_size = 0
        for record in self.file.load():
            self._replay(record)
        self.lost = self.file.damaged or (self.journal_id is None and self.file.size > 0)
        if self.journal_id is None:
            # A new flash, or both checkpoints gone: then the numbers that follow belong to a new journal.
            self.journal_id = new_id
            self.next_seq = 1
            self.doses = {}
            self.file.dirty = True
        if self.lost:
            self.counter.used_ug = FULL_UG
            self.counter.reset_age = self.counter.first_age = max(age_ms, self.last_age)
        for dose in self.doses.values():
            if dose["o"] is None:
                dose["o"] = "interrupted"
                dose["w"] = dose["x"] = dose["d"] = None
                self.file.dirty = True
        self.mend()

    def _replay(self, record):
        kind = record.pop("k")
        if kind == "c":
            self.journal_id = record["journal"]
            self.next_seq = max(self.next_seq, record["next"])
            self.received = record["received"]
            self.meals = record["meals"]
            self.commands = record["commands"]
            self.counter = Counter(*record["counter"])
            self.gain = record["gain"]
            self.blind_age, self.blind_count = record["blind"]
            self.last_age = record["age"]
        elif kind in ("i", "n"):
            counter = record.pop("c", None)
            if counter:
                self.counter = Counter(*counter)
            self._take(record)
        elif kind == "e" and record["s"] in self.doses:
            self.doses[record["s"]].update(record)
        elif kind == "x":
            self._take_command(record["id"], record["until"])
        elif kind == "g":
            self.gain = record["gain"]

    def _take(self, dose):
        self.next_seq = max(self.next_seq, dose["s"] + 1)
        self.last_age = max(self.last_age, dose["g"])
        if dose["s"] > self.received:
            self.doses[dose["s"]] = dose
        meal = dose["m"]
        if meal is not None and meal not in self.meals:
            self.meals.append(meal)
        if meal is not None and meal.startswith("blind/") and dose["g"] > self.blind_age:
            self.blind_age = dose["g"]
            self.blind_count = int(meal.split("/")[2])

    def _take_command(self, command_id, until_ms):
        if command_id not in [known for known, _ in self.commands]:
            self.commands.append([command_id, until_ms])

    def _records(self):
        checkpoint = {
            "k": "c",
            "journal": self.journal_id,
            "next": self.next_seq,
            "received": self.received,
            "meals": self.meals,
            "commands": self.commands,
            "counter": self.counter.to_record(),
            "gain": self.gain,
            "blind": [self.blind_age, self.blind_count],
            "age": self.last_age,
        }
        records = [checkpoint, checkpoint]
        for seq in sorted(self.doses):
            dose = dict(self.doses[seq])
            if dose["o"] is None:  # still open: as an intent, or power lost now would make it a dose that never ran
                dose["k"] = "i"
                dose["c"] = self.counter.to_record()
            else:
                dose["k"] = "n"
            records.append(dose)
        return records

    def rewrite(self, now_ms=None, kept_meals=()):
        """Write the journal anew: only doses not received, the meals that could still come again, the commands that
        could still be repeated."""
        if len(self.meals) > KEEP_MEALS:
            old = self.meals[:-KEEP_MEALS]
            self.meals = [meal for meal in old if meal in kept_meals] + self.meals[-KEEP_MEALS:]
        if len(self.commands) > KEEP_COMMANDS:
            old = self.commands[:-KEEP_COMMANDS]
            alive = [c for c in old if c[1] is not None and (now_ms is None or c[1] >= now_ms)]
            self.commands = alive + self.commands[-KEEP_COMMANDS:]
        self.file.rewrite(self._records())
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
        self.file.append(record)

    def intend(self, dose, counter):
        """Write a dose before the motor moves. Raises OSError, and then nothing may move."""
        record = dict(dose)
        record["k"] = "i"
        record["c"] = counter.to_record()
        self._append(record)
        self.counter = counter
        self._take(dose)

    def end(self, dose, outcome):
        """Write how a dose went. After an OSError the dose is complete in memory and the journal dirty."""
        dose["o"] = outcome
        record = {"k": "e"}
        for key in ("s", "n", "w", "x", "d", "T", "o"):
            record[key] = dose[key]
        try:
            self._append(record)
        except OSError:
            self.file.dirty = True
            raise

    def note(self, dose):
        """Write a dose for which nothing moved."""
        record = dict(dose)
        record["k"] = "n"
        self._append(record)
        self._take(dose)

    def command(self, command_id, until_ms):
        """Write that a command acts now."""
        self._append({"k": "x", "id": command_id, "until": until_ms})
        self._take_command(command_id, until_ms)

    def knows_command(self, command_id):
        return command_id in [known for known, _ in self.commands]

    def room_for_command(self, now_ms):
        """Whether one more command id can be kept until it expires."""
        alive = [until for _, until in self.commands if until is not None and (now_ms is None or until >= now_ms)]
        return len(alive) < MOST_COMMANDS

    def set_gain(self, gain):
        """Write the gain: [gain_ng, reference_ng, age of the reference]."""
        self._append({"k": "g", "gain": gain})
        self.gain = gain

    def free(self, seq, now_ms, kept_meals):
        """Forget the doses up to this one; rewrite the file once that frees a good part of it."""
        self.received = max(self.received, seq)
        self.next_seq = max(self.next_seq, seq + 1)
        gone = [known for known in self.doses if known <= seq and self.doses[known]["o"] is not None]
        for known in gone:
            del self.doses[known]
        self.freed += 300 * len(gone)
        if (self.freed > REWRITE_FREED and 2 * self.freed > self.file.size) or self.file.dirty:
            self.rewrite(now_ms, kept_meals)

    def first_held(self):
        """The oldest sequence number still held; the next one to come where none is."""
        return min(self.doses) if self.doses else self.next_seq


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
