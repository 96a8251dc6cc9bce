"""Food that left the hopper without a step, as far as the cell shows it beyond doubt.

Two comparisons of every weighing: with the last one, where little time has passed and a sudden loss stands out; and
with one of up to a day ago, where a slow trickle has added up. What a dose took, or is counted for where it was not
weighed, is taken off both. The doubt of a difference is four standard deviations of: both weighings, the zero's wander
with time, and its shift with temperature. Food that was added only moves the references.

Masses in micrograms, deviations too, temperatures in hundredths of a degree (None: unknown), ages in milliseconds.
"""

from dosing import SURE, isqrt

# 30 mg per root of a day: what the service's books expect of a cell's creep, damp and wires (judgement, as there).
WANDER_UG2_PER_DAY = 30000**2
# 0.02 % of a 500 g cell's range in 10 K, as data sheets of such cells state it (from memory): 10 mg/K.
SHIFT_UG_PER_C100 = 100
UNKNOWN_C100 = 500  # a change of temperature that nobody measured: 5 K (judgement)
DAY_MS = 86400000
FAR_MS = DAY_MS  # how old the older reference may become
LEAST_UG = 10000  # beyond the doubt; a smaller loss is waited for until it has grown


class Reference:
    """A weighing that later ones are compared with."""

    def __init__(self, mass, deviation, c100, age):
        self.mass = mass
        self.deviation = deviation
        self.c100 = c100
        self.age = age

    def to_record(self):
        return [self.mass, self.deviation, self.c100, self.age]

    def doubt(self, deviation, c100, age):
        """What a difference from this weighing may be without that anything left or came."""
        passed = max(0, age - self.age)
        shift = UNKNOWN_C100 if c100 is None or self.c100 is None else c100 - self.c100
        variance = self.deviation**2 + deviation**2
        variance += WANDER_UG2_PER_DAY * (passed // 1000) // (DAY_MS // 1000) + (SHIFT_UG_PER_C100 * shift) ** 2
        return SURE * isqrt(variance)


class Losses:
    """What the last weighings say; `near` is put on flash with the doses up to `seq`, and given back after a start."""

    def __init__(self, near=None, seq=0):
        self.near = self.far = near
        self.seq = seq

    def forget(self):
        """Whoever handles the hopper changes its mass: begin anew with the next weighing."""
        self.near = self.far = None

    def look(self, mass, deviation, c100, age):
        """Take a weighing. Returns the least that has left without a step, 0 for nothing that is beyond doubt."""
        now = Reference(mass, deviation, c100, age)
        found = 0
        renew = self.far is None or age - self.far.age >= FAR_MS
        for reference in (self.near, self.far):
            if reference is not None:
                gone = reference.mass - mass
                doubt = reference.doubt(deviation, c100, age)
                if gone - doubt >= LEAST_UG:
                    found = max(found, gone - doubt)
                renew = renew or gone < -doubt
        self.near = now
        if found or renew:
            self.far = now
        return found

    def was_off(self, off_ms, since_age):
        """The age has grown by time without power, which lay before the age `since_age`, that of the start: weighings
        of after the start are no older for it."""
        for reference in (self.near,) if self.far is self.near else (self.near, self.far):
            if reference is not None and reference.age >= since_age:
                reference.age += off_ms

    def dosed(self, seq, before, after, deviation, c100, age, counted):
        """A dose has moved. before, after: masses, None where the cell gave none; counted: what it is counted for."""
        self.seq = seq
        taken = counted if before is None or after is None else before - after
        if self.far is not None:
            self.far = Reference(self.far.mass - taken, self.far.deviation, self.far.c100, self.far.age)
        if after is not None:
            self.near = Reference(after, deviation, c100, age)
        elif self.near is not None:
            self.near = Reference(self.near.mass - taken, self.near.deviation, self.near.c100, self.near.age)
        if self.far is None:
            self.far = self.near
