"""What the service asks for: a plan and a hold, checked field by field, in whole milliseconds and micrograms."""

import json

DAY_MS = 86400000
LARGEST_BYTES = 8192
PPM = 1000000


def whole(value, least, most):
    """An integer between bounds; anything else is refused (a time must never pass through a float)."""
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise ValueError("expected a whole number")
    return value


def micrograms(value, most_g=1000):
    """Grams from the wire as whole micrograms; negative, absurd or not a number is refused."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= most_g:
        raise ValueError("expected grams")
    return int(value * 1000000 + 0.5)


def nanograms(value):
    """Grams per step as whole nanograms, above zero."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value <= 10:
        raise ValueError("expected grams per step")
    return max(1, int(value * 1000000000 + 0.5))


def text(value, most=64):
    """A short string that is not empty: at most so many bytes of UTF-8."""
    if not isinstance(value, str) or not 0 < len(value.encode()) <= most:
        raise ValueError("expected a short text")
    return value


def decode(payload):
    """A JSON object from a message's bytes; ValueError where it is none, or larger than the contract allows."""
    if len(payload) > LARGEST_BYTES:
        raise ValueError("larger than 8 KiB")
    try:
        value = json.loads(payload)
    except (ValueError, RuntimeError):  # RuntimeError: nested too deeply
        value = None
    if not isinstance(value, dict):
        raise ValueError("not a JSON object")
    return value


class Plan:
    """A plan: days (start_ms, cap_ug), meals (at_ms, id, target_ug) in order of time, and the fallback.

    taken_ms is when it came, None where no clock was set: a meal that was over by then was never this plan's to feed.
    """

    def __init__(self, fields, taken_ms):
        self.taken_ms = taken_ms
        self.installation = text(fields["installation"], 128)
        self.version = whole(fields["version"], 1, (1 << 53) - 1)
        gain = fields.get("gain_g_per_step")
        self.gain_ng = None if gain is None else nanograms(gain)
        self.days = sorted([(whole(day["start_ms"], 0, 1 << 45), micrograms(day["cap_g"])) for day in fields["days"]])
        if not self.days:
            raise ValueError("a plan without days")
        self.meals = sorted(
            [
                (whole(meal["at_ms"], 0, 1 << 45), text(meal["id"]), micrograms(meal["target_g"]))
                for meal in fields["meals"]
            ]
        )
        fallback = fields.get("fallback") or {}
        self.daily_ug = micrograms(fallback.get("daily_g") or 0)
        self.at_utc_s = sorted([whole(second, 0, 86400) for second in fallback.get("at_utc_s") or []])
        self.until_ms = whole(fallback.get("until_ms") or 0, 0, 1 << 45)
        self.blind_days = whole(fallback.get("blind_days") or 0, 0, 366)

    def known(self, fields):
        """Of a plan's fields those that are used: what is worth keeping on flash."""
        kept = {}
        for name in ("installation", "version", "gain_g_per_step", "fallback"):
            kept[name] = fields.get(name)
        kept["days"] = [{"start_ms": day["start_ms"], "cap_g": day["cap_g"]} for day in fields["days"]]
        kept["meals"] = [
            {"id": meal["id"], "at_ms": meal["at_ms"], "target_g": meal["target_g"]} for meal in fields["meals"]
        ]
        return kept

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
        if self.meals:
            return self.meals[0][2]
        return self.daily_ug // max(1, len(self.at_utc_s))

    def last_meal_ms(self):
        """When the meals run out; the time of issue for a plan without any."""
        return self.meals[-1][0] if self.meals else self.days[0][0] - 1

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


class Hold:
    """The hold in force. `floors`: the largest version seen of each installation; only it or a later one releases."""

    def __init__(self, installation="", version=0, held=False, reduce_ppm=PPM, floors=None):
        self.installation = installation
        self.version = version
        self.held = held
        self.reduce_ppm = reduce_ppm
        self.floors = floors or {}

    def to_record(self):
        return [self.installation, self.version, self.held, self.reduce_ppm, self.floors]

    def same_as(self, other):
        return self.to_record()[:4] == other.to_record()[:4]

    def inherit(self, older):
        """Take over what an older hold knew of versions; of four installations at most."""
        known = dict(older.floors)
        if len(known) > 3:
            known = {}
        if self.installation:
            known[self.installation] = max(self.version, older.floors.get(self.installation, 0))
        self.floors = known


def read_hold(fields):
    """A Hold from a message. Whatever else is wrong with it, `held: true` is understood."""
    held = fields.get("held")
    if not isinstance(held, bool):
        raise ValueError("held is neither true nor false")
    try:
        installation = text(fields["installation"], 128)
        version = whole(fields["version"], 1, (1 << 53) - 1)
        reduce_to = fields.get("reduce_to")
        reduce_ppm = PPM if reduce_to is None else micrograms(reduce_to, 1)
    except (ValueError, KeyError, TypeError):
        if not held:
            raise
        return Hold("", 0, True)
    return Hold(installation, version, held, reduce_ppm)
