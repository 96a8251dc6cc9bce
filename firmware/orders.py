"""What the service asks for: a plan and a hold, checked field by field, in whole milliseconds and micrograms."""

import binascii
import json

from journal import load_many, save_many
from streaming import UNFIT, Reader

DAY_MS = 86400000
LARGEST_BYTES = 8192
PPM = 1000000
MOST_FLOORS = 8
PLAN = "plan.bin"
MOST_SECONDS = 48  # fallback meals of a day
MEALS_A_RECORD = 4  # with ids of any length a record stays within journal.LARGEST
DAYS_A_RECORD = 16
LATEST_MS = 1 << 45
LARGEST_VERSION = (1 << 53) - 1

# Every field of every message that a device reads.
ARGUMENTS = {"target_g": None, "mass_g": None, "from": None, "to": None, "conductivity_s_per_m": None}
SHAPE = {
    "installation": None,
    "version": None,
    "gain_g_per_step": None,
    "days": [{"start_ms": None, "cap_g": None}],
    "meals": [{"id": None, "at_ms": None, "target_g": None}],
    "fallback": {"daily_g": None, "at_utc_s": [None], "until_ms": None, "blind_days": None},
    "held": None,
    "reduce_to": None,
    "hopper_off": None,
    "journal": None,
    "seq": None,
    "now_ms": None,
    "boot": None,
    "uptime_ms": None,
    "id": None,
    "expires_at_ms": None,
    "do": None,
    "args": ARGUMENTS,
}
SHAPE.update(ARGUMENTS)


def whole(value, least, most):
    """An integer between bounds; anything else is refused (a time must never pass through a float)."""
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise ValueError("expected a whole number from %d to %d" % (least, most))
    return value


def micrograms(value, most_g=1000):
    """Grams from the wire as whole micrograms; negative, absurd or not a number is refused."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= most_g:
        raise ValueError("expected 0 to %d grams" % most_g)
    return int(value * 1000000 + 0.5)


def nanograms(value):
    """Grams per step as whole nanograms, above zero."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value <= 10:
        raise ValueError("expected grams per step")
    return max(1, int(value * 1000000000 + 0.5))


def text(value, most=64):
    """A short string that is not empty: at most so many bytes of UTF-8."""
    if not isinstance(value, str) or not 0 < len(value.encode()) <= most:
        raise ValueError("expected a text of 1 to %d bytes" % most)
    return value


def field(fields, name, check, *bounds):
    """One field of a message, checked. Raises ValueError that names it."""
    if name not in fields:
        raise ValueError("%s: missing" % name)
    try:
        return check(fields[name], *bounds)
    except ValueError as error:
        raise ValueError("%s: %s" % (name, error)) from None


def mark_of(name):
    """A number in place of an installation's name, a meal's or a command's id, where it is only recognised again.

    It has 30 bits of the CRC-32, so that it takes no memory of its own on a 32-bit core. With some 200 ids known, a new
    one passes for one of them once in five million; a meal is missed then, never fed twice.
    """
    return binascii.crc32(name.encode()) & 0x3FFFFFFF


class Meals:
    """The meals of a plan: `times` in milliseconds after base_ms, `marks` of their ids, `targets` in micrograms.

    Lists of small numbers: a hundred meals as objects of their own are more than a board can spare. So are their ids:
    until flash has them they stand in `ids`, as texts of JSON for as many as go into a record, and the meals in the
    order of their message. From then on `ids` is None, and the meals are in order of time.
    """

    def __init__(self):
        self.base_ms = 0
        self.times = []
        self.marks = []
        self.targets = []
        self.ids = []
        self._group = []

    def add(self, at_ms, meal, target):
        """Take the next meal of a message."""
        self.put(at_ms, meal, target)
        self._group.append(meal)
        if len(self._group) == MEALS_A_RECORD:
            self._pack()

    def put(self, at_ms, meal, target):
        """Take the next meal that flash has."""
        if not self.times:
            self.base_ms = at_ms
        self.times.append(at_ms - self.base_ms)
        self.marks.append(mark_of(meal))
        self.targets.append(target)

    def _pack(self):
        self.ids.append(json.dumps(self._group))
        self._group = []

    def groups(self):
        """Yields [at_ms, id, target_ug] of the meals, as many as go into a record."""
        if self._group:
            self._pack()
        place = 0
        for packed in self.ids:
            group = []
            for meal in json.loads(packed):
                group.append([self.base_ms + self.times[place], meal, self.targets[place]])
                place += 1
            yield group

    def settle(self):
        """Flash has the ids: forget them, and order the meals by time, which most are already."""
        self.ids = None
        columns = self.times, self.marks, self.targets
        for last in range(1, len(self.times)):
            place = last
            while place and [column[place] for column in columns] < [column[place - 1] for column in columns]:
                for column in columns:
                    column[place - 1], column[place] = column[place], column[place - 1]
                place -= 1


class _Entries:
    """What days and meals become as they are read: a day (start_ms, cap_ug), a meal one of `meals`."""

    def __init__(self):
        self.meals = Meals()

    def take(self, name, value):
        if not isinstance(value, dict):
            raise ValueError("%s: expected objects" % name)
        try:
            if name == "days":
                return field(value, "start_ms", whole, 0, LATEST_MS), field(value, "cap_g", micrograms)
            at_ms = field(value, "at_ms", whole, 0, LATEST_MS)
            meal = field(value, "id", text)
            self.meals.add(at_ms, meal, field(value, "target_g", micrograms))
        except ValueError as error:
            raise ValueError("%s.%s" % (name, error)) from None
        return None


def decode(payload):
    """A message's fields, of those in SHAPE, from its bytes or from a list of pieces of them. The list is emptied: what
    has been read makes room for what becomes of it.

    Days are tuples, and meals are Meals. Raises ValueError for what is no JSON object, larger than the contract allows,
    or has a day or a meal that is none.
    """
    pieces = payload if isinstance(payload, list) else [payload]
    if sum([len(piece) for piece in pieces]) > LARGEST_BYTES:
        raise ValueError("larger than 8 KiB")
    entries = _Entries()
    reader = Reader(SHAPE, entries.take)
    while pieces:
        reader.feed(pieces.pop(0))
    fields = reader.result()
    if isinstance(fields.get("meals"), list):
        if len(fields["meals"]) != len(entries.meals.times):
            raise ValueError("meals: expected one list")
        fields["meals"] = entries.meals
    return fields


def _ordered(entries, name):
    if not isinstance(entries, list):
        raise ValueError("%s: expected a list" % name)
    entries.sort()
    return entries


class Plan:
    """A plan: days (start_ms, cap_ug), meals, and the fallback.

    fields: as decode gives them; without them it is empty, for `load_plan`. taken_ms is when it came, None where no
    clock was set: a meal that was over by then was never this plan's to feed.
    """

    def __init__(self, fields=None, taken_ms=None):
        self.taken_ms = taken_ms
        self.days = []
        self.meals = Meals()
        self.daily_ug = self.until_ms = self.blind_days = 0
        self.at_utc_s = []
        if fields is not None:
            self._read(fields)

    def _read(self, fields):
        self.installation = field(fields, "installation", text, 128)
        self.version = field(fields, "version", whole, 1, LARGEST_VERSION)
        gain = fields.get("gain_g_per_step")
        self.gain_ng = None if gain is None else field(fields, "gain_g_per_step", nanograms)
        self.days = _ordered(fields.get("days"), "days")
        if not self.days:
            raise ValueError("days: expected one at least")
        self.meals = fields.get("meals")
        if not isinstance(self.meals, Meals):
            raise ValueError("meals: expected a list")
        fallback = fields.get("fallback")
        if fallback is UNFIT:
            raise ValueError("fallback: expected an object")
        fallback = fallback or {}
        try:
            self.daily_ug = micrograms(fallback.get("daily_g") or 0)
            seconds = fallback.get("at_utc_s")
            self.at_utc_s = [whole(s, 0, 86400) for s in _ordered([] if seconds is None else seconds, "at_utc_s")]
            if len(self.at_utc_s) > MOST_SECONDS:
                raise ValueError("at_utc_s: expected %d at most" % MOST_SECONDS)
            self.until_ms = whole(fallback.get("until_ms") or 0, 0, LATEST_MS)
            self.blind_days = whole(fallback.get("blind_days") or 0, 0, 366)
        except (ValueError, TypeError) as error:
            raise ValueError("fallback: %s" % error) from None

    def save(self, flash, left):
        """Keep it on flash, record by record. left: marks of the installations that were left before this one."""
        groups = _kept_meals(flash) if self.meals.ids is None else self.meals.groups()
        save_many(flash, PLAN, self._records(left, groups))
        self.meals.settle()

    def _records(self, left, groups):
        yield ["head", self.installation, self.version, self.gain_ng, self.taken_ms, left]
        yield ["fallback", self.daily_ug, self.at_utc_s, self.until_ms, self.blind_days]
        for at in range(0, len(self.days), DAYS_A_RECORD):
            yield ["days", self.days[at : at + DAYS_A_RECORD]]
        for group in groups:
            yield ["meals", group]

    def meal_id(self, flash, mark):
        """The id of the meal with this mark. Raises ValueError where flash does not have it any more."""
        for group in _kept_meals(flash):
            for _, meal, _ in group:
                if mark_of(meal) == mark:
                    return meal
        raise ValueError("a meal's id is missing")

    def day(self, now_ms):
        """(start_ms, cap_ug) of the day that holds this instant.

        Beyond the last day listed, days of 24 hours follow it under its cap. Before the first one (a clock that lags
        the service's by a little around midnight) the first one counts.
        """
        found = self.days[0]
        for day in self.days:
            if day[0] <= now_ms:
                found = day
        if found is self.days[-1] and now_ms >= found[0]:
            return found[0] + (now_ms - found[0]) // DAY_MS * DAY_MS, found[1]
        return found

    def smallest_cap_ug(self):
        """The cap that holds whatever day it is."""
        return min([cap for _, cap in self.days])

    def portion_ug(self):
        """What a press of the button asks for: the size of the first meal, or else of a fallback meal."""
        if self.meals.targets:
            return self.meals.targets[0]
        return self.daily_ug // max(1, len(self.at_utc_s))

    def last_meal_ms(self):
        """When the meals run out; the time of issue for a plan without any."""
        meals = self.meals
        return meals.base_ms + meals.times[-1] if meals.times else self.days[0][0] - 1

    def fallback_slots(self, now_ms):
        """(at_ms, id, target_ug) of the fallback meals of yesterday and today (UTC) that this plan allows.

        They begin on the local day after the last meal's: that day had its food.
        """
        if not self.daily_ug or not self.at_utc_s:
            return []
        last_ms = self.last_meal_ms()
        slots = []
        for number in (now_ms // DAY_MS - 1, now_ms // DAY_MS):
            for second in self.at_utc_s:
                at_ms = number * DAY_MS + second * 1000
                if last_ms < at_ms < self.until_ms and self.day(at_ms)[0] != self.day(last_ms)[0]:
                    slots.append((at_ms, "fallback/%d/%d" % (number, second), self.daily_ug // len(self.at_utc_s)))
        return slots


def _kept_meals(flash):
    for record in load_many(flash, PLAN):
        if record[0] == "meals":
            yield record[1]


def load_plan(flash):
    """What `Plan.save` has kept: (the plan or None, marks of installations left, whether the file cannot be read)."""
    plan = Plan()
    left = []
    complete = 0
    try:
        for record in load_many(flash, PLAN):
            if record[0] == "head":
                plan.installation, plan.version, plan.gain_ng, plan.taken_ms, left = record[1:]
                complete += 1
            elif record[0] == "fallback":
                plan.daily_ug, plan.at_utc_s, plan.until_ms, plan.blind_days = record[1:]
                complete += 1
            elif record[0] == "days":
                plan.days += [tuple(day) for day in record[1]]
            else:
                for at_ms, meal, target in record[1]:
                    plan.meals.put(at_ms, meal, target)
    except (ValueError, TypeError, IndexError, KeyError):
        return None, [], True
    if not complete and not plan.days:
        return None, [], False
    if complete != 2 or not plan.days:
        return None, [], True
    plan.meals.settle()
    return plan, left, False


class Hold:
    """The hold in force. `floors`: [mark of an installation, the largest version seen of it], the latest heard last;
    only that version or a later one releases. hopper_off: a person has taken the hopper off the cell."""

    def __init__(self, installation="", version=0, held=False, reduce_ppm=PPM, floors=None, hopper_off=False):
        self.installation = installation
        self.version = version
        self.held = held
        self.reduce_ppm = reduce_ppm
        self.floors = floors or []
        self.hopper_off = hopper_off

    def to_record(self):
        return [self.installation, self.version, self.held, self.reduce_ppm, self.floors, self.hopper_off]

    def same_as(self, other):
        mine, others = self.to_record(), other.to_record()
        return mine[:4] == others[:4] and self.hopper_off == other.hopper_off

    def floor(self, installation):
        """The largest version seen of this installation."""
        mark = mark_of(installation)
        for known, version in self.floors:
            if known == mark:
                return version
        return 0

    def floors_with(self, installation, version, kept):
        """The floors with one more version seen, of eight installations; never forgotten: `kept` and this one."""
        mark = mark_of(installation)
        floors = [entry for entry in self.floors if entry[0] != mark]
        if installation:
            floors.append([mark, max(version, self.floor(installation))])
        while len(floors) > MOST_FLOORS:
            floors.pop(1 if floors[0][0] == mark_of(kept) else 0)
        return floors


def read_hold(fields):
    """A Hold from a message. Whatever else is wrong with it, `held: true` is understood."""
    held = fields.get("held")
    if not isinstance(held, bool):
        raise ValueError("held: expected true or false")
    try:
        installation = field(fields, "installation", text, 128)
        version = field(fields, "version", whole, 1, LARGEST_VERSION)
        reduce_to = fields.get("reduce_to")
        reduce_ppm = PPM if reduce_to is None else field(fields, "reduce_to", micrograms, 1)
    except ValueError:
        if not held:
            raise
        return Hold("", 0, True)
    return Hold(installation, version, held, reduce_ppm, None, fields.get("hopper_off") is True)
