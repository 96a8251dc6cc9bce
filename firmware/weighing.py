"""From a load cell's conversions to a mass and an honest deviation, in whole numbers.

A weighing looks at a window of 64 samples of about 100 ms each (at 80 conversions a second a sample is the mean of
eight). The last 48 give the mean; the 16 before them only show whether the cell still moves after a step: while they
lie beyond what noise explains, 16 more samples are taken, up to a bound. A tail that stays undetected so has decayed by
16 more samples before it can reach the mean. A sample far from the median is dropped.

The deviation is that of the mean. Neighbouring samples are not independent, so their covariances count with them
(initial positive sequence: Geyer, Practical Markov Chain Monte Carlo, Statistical Science 7, 1992, from memory), and it
is widened for the few degrees of freedom that are left (JCGM 101:2008, 6.4.9: the variance of Student's t, from
memory). The zero and the calibrating mass add no part: the first cancels in a difference, the second is common to all.

The cell is a driver: `convert()` gives a signed whole number or None where no conversion came in time; `ceiling` is its
largest value, `rate_hz` its conversions a second, and `least_noise` the counts (root mean square, one conversion) below
which its own noise cannot lie.

One weighing takes 160 samples and 8 failed conversions at most: with 100 ms a sample and a second a failure, 24 s. At
rest it takes 6.4 s, and 9 s on average after a dose.
"""

from array import array

from dosing import isqrt
from journal import load_one, save_one

NAME = "scale.bin"
HEAD = 16
BODY = 48
WINDOW = HEAD + BODY
MOST_SAMPLES = 160
MOST_FAILURES = 8  # conversions that failed or were saturated in one weighing
SAMPLE_HZ = 10
UNITS = 8  # a sample is kept in eighths of a count
FINE_UNITS = 1024  # a mean in 1024ths of that
COUNT = UNITS * FINE_UNITS
OUTLYING = 5  # robust deviations from the median
MOST_DROPPED = 12
MOST_LAG = 7
TILT = BODY * (BODY * BODY - 1) // 3  # the sum of the squares of -47, -45 .. 47
MORE = 1  # times HEAD samples are waited for after the last time that the cell was seen to move
STILL = 2  # deviations of the difference of head and body
FINE = 1000  # a calibrating mass must be known to one part in this
CHECK = 200  # a check mass may differ by one part in this, 0.5 %

FAULTS = {  # those without a detail of their own
    "cell_dead": "the load cell gave no conversions",
    "cell_saturated": "the load cell's conversions are at the end of their range",
    "cell_stuck": "the load cell gives the same count again and again",
    "cell_quiet": "the load cell scatters less than its converter's own noise allows",
    "scale_uncalibrated": "the scale was never calibrated",
    "scale_damaged": "the calibration on flash could not be read; tare and calibrate again",
}
RESTLESS = "the load does not come to rest"


def _grams(ug):
    return "%d.%03d g" % (ug // 1000000, ug % 1000000 // 1000)


def _rounded(numerator, denominator):
    """The nearest whole number of a fraction."""
    if denominator < 0:
        numerator, denominator = -numerator, -denominator
    return (2 * numerator + denominator) // (2 * denominator)


def mark_outlying(samples, marks):
    """Mark with 1 each sample far from the median, with 0 all others. Returns how many were marked.

    Far is beyond OUTLYING times 1.4826 median absolute deviations (the factor that makes it the standard deviation of
    a normal scatter), and two counts. More than MOST_DROPPED are no outliers: then none is marked.
    """
    count = len(samples)
    ordered = sorted(samples)
    median = (ordered[(count - 1) // 2] + ordered[count // 2]) // 2
    for i in range(count):
        ordered[i] = abs(samples[i] - median)
    ordered.sort()
    limit = max(OUTLYING * 14826 * ordered[count // 2] // 10000, 2 * UNITS)
    dropped = 0
    for i in range(count):
        marks[i] = 1 if abs(samples[i] - median) > limit else 0
        dropped += marks[i]
    if dropped > MOST_DROPPED:
        for i in range(count):
            marks[i] = 0
        dropped = 0
    return dropped


def variance_of_mean(deviations, count):
    """(variance of the mean of correlated samples, variance of one sample); both times count squared.

    deviations: count times each sample's distance from the mean, 0 for one that was dropped; count: those not dropped.
    """
    size = len(deviations)
    scatter = 0
    for i in range(size):
        scatter += deviations[i] * deviations[i]
    total = -scatter
    last = None
    lag = 0
    while lag < MOST_LAG:
        pair = 0
        for k in range(lag, lag + 2):
            for i in range(size - k):
                pair += deviations[i] * deviations[i + k]
        if lag and pair <= 0:
            break
        if last is not None:
            pair = min(pair, last)
        last = pair
        total += 2 * pair
        lag += 2
    total = max(total, scatter // 3)
    # What the mean took from each of these lags, and Student's widening for the count / lags degrees of freedom left.
    # The search for the last positive pair makes the sum too large as well: with three quarters of it the interval is
    # what it says (found on simulated cells, tests/sim/test_weighing_quality.py).
    lags = 2 * lag - 1
    return 3 * total // (4 * (count - lags) * (count - 2 * lags)), scatter // (count - 1)


class Scale:
    """A calibrated load cell. `fault` is None or the code of what is wrong, `detail` its text. between: called after
    each sample, since a weighing takes seconds."""

    def __init__(self, cell, flash, between=None):
        self.cell = cell
        self.between = between
        self.flash = flash
        self.fault = None
        self.detail = ""
        self._samples = array("i", [0] * WINDOW)
        self._marks = bytearray(WINDOW)
        self._failed = self._saturated = 0
        self._moving = False
        kept, self._damaged = load_one(flash, NAME)
        # zero and span in fine units, None before the first; mass_ug belongs to the span; fresh: tared since.
        self._state = kept or {"zero": None, "span": None, "mass_ug": 0, "check_ug": 0, "fresh": False}

    @property
    def calibration(self):
        """A short text: what the scale was calibrated with."""
        state = self._state
        if self._damaged:
            return "damaged"
        if state["span"] is None:
            return "none"
        text = "%s = %d counts" % (_grams(state["mass_ug"]), _rounded(state["span"], COUNT))
        if state["check_ug"]:
            text += ", checked at %s" % _grams(state["check_ug"])
        return text

    def weigh(self):
        """(mean, standard deviation of the mean) in micrograms above the tare, or None; then `fault` says why."""
        reading = self._read()
        if reading is None:
            return None
        state = self._state
        if self._damaged:
            return self._refuse("scale_damaged")
        if state["span"] is None or state["zero"] is None:
            return self._refuse("scale_uncalibrated")
        mean, deviation = reading
        return self._ug(mean), max(1, -(-deviation * state["mass_ug"] // abs(state["span"])))

    def tare(self):
        """Let the present load count as nothing; a calibration may follow. False where the cell gives no weight or
        does not come to rest. Raises OSError where flash refuses it; nothing has changed then."""
        reading = self._read()
        if reading is None:
            return False
        if self._moving:
            self._refuse("calibration_refused", RESTLESS)
            return False
        self._keep({"zero": reading[0], "fresh": True})
        return True

    def calibrate(self, mass_ug):
        """The first mass after a tare sets the span; a second one at another load is a check.

        Returns False where the cell gives no weight, or where the mass is not believed: without a tare before it, not
        at rest, lost in noise, or, for a check mass, near the first one or more than 0.5 % from what the scale shows;
        `detail` says which. A refused mass leaves the calibration as it was. Raises OSError where flash refuses it;
        nothing has changed then.
        """
        reading = self._read()
        if reading is None:
            return False
        objection = self._objection(mass_ug, reading[0], reading[1])
        if objection:
            self._refuse("calibration_refused", objection)
            return False
        if self._first():
            span = reading[0] - self._state["zero"]
            self._keep({"span": span, "mass_ug": mass_ug, "check_ug": 0, "fresh": False})
        else:
            self._keep({"check_ug": mass_ug})
        return True

    def _first(self):
        return self._state["fresh"] or self._state["span"] is None

    def _objection(self, mass_ug, mean, deviation):
        """What speaks against this calibrating or check mass; "" for nothing."""
        state = self._state
        if mass_ug <= 0 or self._damaged or state["zero"] is None:
            return "tare the empty scale first, then give it a mass"
        if self._moving:
            return RESTLESS
        if abs(mean - state["zero"]) < FINE * deviation:
            return "%s does not stand out of the noise" % _grams(mass_ug)
        if self._first():
            return ""
        if 5 * abs(mass_ug - state["mass_ug"]) < state["mass_ug"]:
            return "a check mass must differ from the first by a fifth; to begin again, tare"
        shown = self._ug(mean)
        return "%d ug shown for %d ug" % (shown, mass_ug) if CHECK * abs(shown - mass_ug) > mass_ug else ""

    def _ug(self, mean):
        state = self._state
        return _rounded((mean - state["zero"]) * state["mass_ug"], state["span"])

    def _keep(self, changes):
        state = dict(self._state)
        if self._damaged:
            state["span"] = None
        state.update(changes)
        save_one(self.flash, NAME, state)
        self._state = state
        self._damaged = False

    def _refuse(self, code, detail=""):
        self.fault = code
        self.detail = detail or FAULTS[code]

    def _sample(self):
        """One sample of about 100 ms, or None with the fault told."""
        group = max(1, self.cell.rate_hz // SAMPLE_HZ)
        total = 0
        done = 0
        while done < group:
            counts = self.cell.convert()
            if counts is None:
                self._failed += 1
                if self._failed > MOST_FAILURES:
                    return self._refuse("cell_dead")
                continue
            if not -self.cell.ceiling <= counts < self.cell.ceiling:
                self._saturated += 1
                if self._saturated > MOST_FAILURES:
                    return self._refuse("cell_saturated")
            total += counts
            done += 1
        return total * UNITS // group

    def _fill(self, start):
        for i in range(start, WINDOW):
            sample = self._sample()
            if sample is None:
                return False
            self._samples[i] = sample
            if self.between:
                self.between()
        return True

    def _read(self):
        """(mean, standard deviation of the mean) in fine units when the cell stands still, or None with the fault."""
        self.fault = None
        self.detail = ""
        self._failed = self._saturated = 0
        taken = WINDOW
        if not self._fill(0):
            return None
        more = 0
        while True:
            mean, variance, step = self._judge()
            if self.fault:
                return None
            more = MORE if self._moving else more - 1
            if more < 0 or taken >= MOST_SAMPLES:
                break
            for i in range(WINDOW - HEAD):
                self._samples[i] = self._samples[i + HEAD]
            if not self._fill(WINDOW - HEAD):
                return None
            taken += HEAD
        if self._moving:
            variance += step * step
        return mean, isqrt(variance)

    def _judge(self):
        """(mean, variance of the mean, head's mean less body's), in fine units; sets `_moving`, or the fault."""
        samples = self._samples
        marks = self._marks
        jumps = 0
        for i in range(1, WINDOW):
            jump = samples[i] - samples[i - 1]
            jumps += jump * jump
        group = max(1, self.cell.rate_hz // SAMPLE_HZ)
        if jumps == 0:
            self._refuse("cell_stuck")
        elif jumps * group < 2 * (WINDOW - 1) * (self.cell.least_noise * UNITS) ** 2:
            self._refuse("cell_quiet")
        mark_outlying(samples, marks)
        head = body = head_count = 0
        for i in range(WINDOW):
            if not marks[i]:
                if i < HEAD:
                    head += samples[i]
                    head_count += 1
                else:
                    body += samples[i]
        count = WINDOW - sum(marks) - head_count
        deviations = [0 if marks[i] else count * samples[i] - body for i in range(HEAD, WINDOW)]
        variance, scatter = variance_of_mean(deviations, count)
        # A steady movement must not pass for noise, and so hide itself: it is taken out of what explains a step.
        tilt = sum([(2 * i - BODY + 1) * deviations[i] for i in range(BODY)])
        for i in range(BODY):
            deviations[i] -= (2 * i - BODY + 1) * tilt // TILT
        level = variance_of_mean(deviations, count)[0]
        if 4 * scatter * group < (count * UNITS) ** 2:
            # No noise carries a mean across the steps of whole counts.
            level = max(level, (count * UNITS) ** 2 // 12)
            variance = max(variance, level)
        variance = variance * FINE_UNITS * FINE_UNITS // (count * count)
        level = level * FINE_UNITS * FINE_UNITS // (count * count)
        mean = _rounded(body * FINE_UNITS, count)
        # A head of which most is far off is on the way to the body, however the rest of it looks.
        step = _rounded(head * FINE_UNITS, head_count) - mean if head_count else 0
        explained = STILL * STILL * level * (head_count + count)
        self._moving = head_count < HEAD // 2 or step * step * head_count > explained
        return mean, variance, step
