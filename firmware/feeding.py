"""When a feeder feeds and when it must not: meals, fallback, the day's cap, holds, and the dose itself."""

from base import MINUTE_MS, Base
from dosing import CHUNK_STEPS, SURE, counted_ug, expected_ug, isqrt, judge, within
from memory import Counter, JournalFullError
from orders import DAY_MS, PPM

GRACE_MS = 10 * MINUTE_MS  # a meal later than this is missed, not fed late
RESET_AGE_MS = 20 * 60 * MINUTE_MS
GONE_UG = 300000  # mass that left between two weighings without a step


class Feeding(Base):
    """The rules around the motor. Whoever fills in `memory`, `plan` and `hold` is feeder.py."""

    def __init__(self, hardware):
        Base.__init__(self, hardware)
        self.memory = None
        self.plan = None
        self.hold = None
        self.dosing = False
        self.stopping = False
        self.conflict = False
        self.damaged_files = hardware.damaged_files
        self.button_held = False
        self.last_mass = None
        self.queue = []

    def _gain(self):
        """[gain, reference, age of the reference] in nanograms per step; the calibrated gain until a plan says else."""
        return self.memory.gain or [self.hw.gain_ng, self.hw.gain_ng, self.age]

    def held(self):
        """Whether nothing may move."""
        return (
            self.hold.held
            or self.hold.reduce_ppm == 0
            or self.button_held
            or self.conflict
            or self.stopping
            or bool(self.damaged_files)
        )

    def _due(self, now):
        """Feed, or record as missed, each meal whose time has come, and each fallback meal after the last."""
        plan = self.plan
        memory = self.memory
        for at_ms, meal, target in plan.meals:
            if at_ms > now:
                break
            if meal not in memory.meals and not (plan.taken_ms is not None and at_ms + GRACE_MS < plan.taken_ms):
                self._meal("plan", at_ms, meal, target, now)
        for at_ms, meal, target in plan.fallback_slots(now):
            if at_ms <= now and meal not in memory.meals:
                self._meal("fallback", at_ms, meal, target, now)

    def _meal(self, cause, at_ms, meal, target, now):
        if now - at_ms <= GRACE_MS:
            self._dose(cause, meal, target)
        else:
            self._note(cause, meal, target, "missed", at_ms)

    def _blind(self):
        """Without any clock: the fallback's food once per 24 hours of counted uptime, for at most `blind_days`."""
        memory = self.memory
        since = max(self.clock_age, memory.blind_age)
        count = memory.blind_count if memory.blind_age > self.clock_age else 0
        if not self.plan.daily_ug or count >= self.plan.blind_days or self.age - since < DAY_MS:
            return
        self._dose("fallback", "blind/%d/%d" % (memory.next_seq, count + 1), self.plan.daily_ug)

    def _budget(self, now):
        """(the counter in force now, what the day's cap leaves in micrograms).

        A counter starts anew with a local day before which, by age, the last dose it counted lies; or without a clock
        24 hours after its first dose. Never twice within 20 hours of age: a clock that leaps must not give a second
        day's food.
        """
        old = self.memory.counter
        if not old.sound():
            self._fault("counter_differs", "")
            return old, 0
        if self.plan is None:
            return old, 0
        if now is None:
            day, cap = 0, self.plan.smallest_cap_ug()
            over = old.first_age is not None and self.age - old.first_age >= DAY_MS
        else:
            day, cap = self.plan.day(now)
            over = day != old.day_ms and (old.last_age is None or now - (self.age - old.last_age) < day)
        if old.used_ug == 0:
            return Counter(day, 0, old.reset_age), cap
        if over:
            # The reset counts from as early as it can have been: so one day's late first dose does not cost the next.
            reset_age = self.age if old.last_age is None else old.last_age
            if old.reset_age is not None:
                reset_age = max(reset_age, old.reset_age + RESET_AGE_MS)
            if reset_age <= self.age:
                return Counter(day, 0, reset_age), cap
        return Counter(
            old.day_ms, old.used_ug, old.reset_age, old.first_age, old.last_age, old.last_ms
        ), cap - old.used_ug

    def _flash_fault(self, what, error):
        full = isinstance(error, JournalFullError)
        self._fault("journal_full" if full else "flash_failed", "%s: %s" % (what, error))

    def _new_dose(self, cause, meal, target):
        now = self.now()
        return {
            "s": self.memory.next_seq,
            "b": self.boot,
            "a": now,
            "u": self.uptime,
            "g": self.age,
            "q": cause,
            "m": meal,
            "t": target,
            "n": 0,
            "w": None,
            "x": None,
            "d": None,
            "T": self.hw.temperature_c100(),
            "o": None,
        }

    def _note(self, cause, meal, target, outcome, at_ms=None):
        """Record a dose for which nothing moves."""
        dose = self._new_dose(cause, meal, target)
        dose["o"] = outcome
        if at_ms is not None:
            dose["a"] = at_ms
        try:
            self.memory.note(dose)
        except OSError as error:
            self._flash_fault("a %s dose" % outcome, error)
            return None
        self.queue.append(dose["s"])
        return dose

    def _dose(self, cause, meal, asked):
        """Give a dose under every rule, and record it. Returns it, or None where flash refused it and nothing moved."""
        if self.held():
            return self._note(cause, meal, asked, "held")
        if cause != "button":
            asked = asked * self.hold.reduce_ppm // PPM
        counter, left = self._budget(self.now())
        gain = self._gain()[0]
        left = min(left, expected_ug(self.hw.most_steps, gain))  # the watchdog must not bite while the motor turns
        target, steps, capped = within(asked, left, gain)
        if steps == 0:
            return self._note(cause, meal, target, "capped" if capped or not self.plan else "ok")
        dose = self._new_dose(cause, meal, target)
        before = self._weigh()
        dose["n"] = steps
        if before is not None:
            dose["w"], dose["d"] = before
        counter.add(counted_ug(target, steps, gain))
        if counter.first_age is None:
            counter.first_age = self.age
        counter.last_age, counter.last_ms = self.age, dose["a"]
        try:
            self.memory.intend(dose, counter)
        except OSError as error:
            self._flash_fault("a dose was not fed", error)
            return None
        self.counted_age = self.age
        self.dosing = True
        try:
            done, stopped = self._turn(steps)
        finally:
            self.dosing = False
        self.last_mass = None
        after = self._weigh()
        dose["n"] = done
        if stopped and done == 0:
            dose["w"] = dose["d"] = None
            outcome = "held"
        elif before is None or after is None:
            dose["w"] = dose["x"] = dose["d"] = None
            outcome = judge(steps, done, stopped, capped, None, None, None, gain)
        else:
            dose["x"] = after[0]
            dose["d"] = isqrt(before[1] * before[1] + after[1] * after[1])
            outcome = judge(steps, done, stopped, capped, before[0], after[0], dose["d"], gain)
            gone = before[0] - after[0] - expected_ug(done, gain)
            if gone > GONE_UG + SURE * dose["d"]:
                self._fault("mass_lost", "%d ug more than the steps of a dose give" % gone)
        try:
            self.memory.end(dose, outcome)
        except OSError as error:
            self._flash_fault("a dose's end", error)
        self.queue.append(dose["s"])
        return dose

    def _turn(self, steps):
        """Step in chunks, looking for a hold between them: (steps made, whether something stopped it)."""
        done = 0
        while done < steps:
            self.hw.pump()
            if self.held():
                return done, True
            wanted = min(CHUNK_STEPS, steps - done)
            made = self.hw.step(wanted)
            done += made
            if made < wanted:
                break
        return done, False

    def _weigh(self):
        """The cell's (mean, deviation) in micrograms, or None; mass that left since the last time is a fault."""
        weight = self.hw.weigh()
        if weight is None:
            self._fault(*self.hw.cell_fault)
            return None
        if self.last_mass is not None and self.last_mass - weight[0] > GONE_UG:
            self._fault("mass_lost", "%d ug" % (self.last_mass - weight[0]))
        self.last_mass = weight[0]
        return weight
