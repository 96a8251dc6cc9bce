"""When a feeder feeds and when it must not: meals, fallback, the day's cap, holds, stops, and the dose itself."""

from base import MINUTE_MS, Base
from dosing import CHUNK_STEPS, SURE, counted_ug, expected_ug, isqrt, judge, least_gain_ng, within
from memory import Counter, JournalFullError, Stop
from orders import DAY_MS, PPM, mark_of

GRACE_MS = 10 * MINUTE_MS  # a meal later than this is missed, not fed late
RESET_AGE_MS = 20 * 60 * MINUTE_MS
CEILING_UG = 5000000  # a day's, above every plan, where the settings name none
UNWEIGHED_MS = 7 * DAY_MS  # so long a feeder goes on without the scale
MOST_OVERS = 2  # doses in a row that gave too much


class Feeding(Base):
    """The rules around the motor. Whoever fills in `memory`, `plan` and `hold` is feeder.py."""

    def __init__(self, hardware):
        Base.__init__(self, hardware)
        self.ceiling_ug = getattr(hardware, "ceiling_ug", CEILING_UG)
        self.memory = None
        self.plan = None
        self.hold = None
        self.dosing = False
        self.turned = 0  # steps of the dose under way
        self.stopping = False
        self.damaged_files = hardware.damaged_files
        self.button_held = False
        self.unread_hold = False  # one has come that there was no memory for
        self.refused = None  # what topic a message had that was refused and not told yet

    def _advance(self):
        start_age = self.age - self.uptime
        now = Base._advance(self)
        off_ms = self.age - self.uptime - start_age
        if off_ms:
            self.memory.losses.was_off(off_ms, start_age)
        return now

    def _gain(self):
        """[gain, reference, age of the reference] in nanograms per step; the calibrated gain until a plan says else."""
        return self.memory.gain or [self.hw.gain_ng, self.hw.gain_ng, self.age]

    def held(self):
        """Whether nothing may move."""
        return (
            self.hold.held
            or self.hold.reduce_ppm == 0
            or self.button_held
            or self.unread_hold
            or self.memory.stop.code is not None
            or self.stopping
            or bool(self.damaged_files)
        )

    def _stop(self, code, detail):
        """Feed nothing until a person or a new calibration says otherwise. The first reason stays, each is told; one
        that ends by itself gives way."""
        known = self.memory.stop.code
        if known == code:
            self._fault(code, detail)
        else:
            self._tell(code, detail)
        if known is None or known == "stopped_unweighed":
            self._set_stop(Stop(code, False, detail))

    def _set_stop(self, stop):
        try:
            self.memory.set_stop(stop)
        except OSError as error:
            self._flash_fault("a stop", error)  # the next rewrite of the journal has it

    def _due(self, now):
        """Feed, or record as missed, each meal whose time has come, and each fallback meal after the last."""
        plan = self.plan
        memory = self.memory
        meals = plan.meals
        for place in range(len(meals.times)):
            at_ms, mark = meals.base_ms + meals.times[place], meals.marks[place]
            if at_ms > now:
                break
            if mark not in memory.meals and not (plan.taken_ms is not None and at_ms + GRACE_MS < plan.taken_ms):
                try:
                    meal = plan.meal_id(self.hw, mark)
                except (ValueError, TypeError, IndexError) as error:
                    self._fault("plan_damaged", "a meal: %s" % error)
                    return
                self._meal("plan", at_ms, meal, meals.targets[place], now)
        for at_ms, meal, target in plan.fallback_slots(now):
            if at_ms <= now and mark_of(meal) not in memory.meals:
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
            day, cap = 0, min(self.ceiling_ug, self.plan.smallest_cap_ug())
            over = old.first_age is not None and self.age - old.first_age >= DAY_MS
        else:
            day, cap = self.plan.day(now)
            cap = min(cap, self.ceiling_ug)
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
            "e": 0,
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
        return dose

    def _dose(self, cause, meal, asked):
        """Give a dose under every rule, and record it. Returns it, or None where flash refused it and nothing moved."""
        if self.memory.stop.code == "stopped_unweighed":
            self._weigh()  # which ends the stop where the scale works again
        if not self.held():
            if cause != "button":
                asked = asked * self.hold.reduce_ppm // PPM
            if self._allowed(asked)[2] == 0:
                return self._nothing(cause, meal, asked)
            before = self._weigh()  # which may show that food has left, and so use up the day's cap or stop the feeder
            if before is None:
                self._unweighed()
        if self.held():
            return self._note(cause, meal, asked, "held")
        counter, target, steps, capped = self._allowed(asked)
        if steps == 0:
            return self._nothing(cause, meal, asked)
        return self._move(cause, meal, before, counter, target, steps, capped)

    def _move(self, cause, meal, before, counter, target, steps, capped):
        """A dose of some steps; before: the scale's word, or None."""
        gain = self._gain()[0]
        dose = self._new_dose(cause, meal, target)
        dose["n"] = steps
        dose["e"] = counted_ug(target, steps, gain)
        if before is not None:
            dose["w"], dose["d"] = before
        self._count(counter, dose["e"])
        try:
            self.memory.intend(dose, counter)
        except OSError as error:
            self._flash_fault("a dose was not fed", error)
            return None
        self.counted_age = self.age
        try:
            outcome, more = self._give(dose, steps, capped, gain)
        except Exception as error:
            self.memory.losses.dosed(dose["s"], before and before[0], None, None, dose["T"], self.age, dose["e"])
            self._break_off(dose)
            self._fault("program_error", "a dose: %r" % error)
            return self.memory.dose(dose["s"])
        try:
            self.memory.end(dose, outcome, more)
        except OSError as error:
            self._flash_fault("a dose's end", error)
        if self.memory.overs[0] >= MOST_OVERS:
            self._stop("stopped_over", "%d doses in a row gave clearly too much" % self.memory.overs[0])
        return dose

    def _break_off(self, dose):
        """A dose has ended in an error: it is told as interrupted, with the steps that it may have made."""
        dose["n"] = self.turned
        dose["w"] = dose["x"] = dose["d"] = None
        try:
            self.memory.end(dose, "interrupted")
        except Exception:
            self.memory.abandon()  # then it stays an intent without an end, which says the same

    def _allowed(self, asked):
        """(the counter in force now, micrograms, steps, whether the cap left less) for what is asked.

        Steps are reckoned with what the doses weighed lately gave at least, whatever the plan's gain says.
        """
        counter, left = self._budget(self.now())
        gain = max(self._gain()[0], least_gain_ng(self.memory.lately))
        left = min(left, expected_ug(self.hw.most_steps, gain))  # the watchdog must not bite while the motor turns
        target, steps, capped = within(asked, left, gain)
        return counter, target, steps, capped

    def _nothing(self, cause, meal, asked):
        """A dose of no steps."""
        _, target, _, capped = self._allowed(asked)
        return self._note(cause, meal, target, "capped" if capped or not self.plan else "ok")

    def _count(self, counter, mass_ug):
        """Put a mass that leaves, or has left, to the day's counter."""
        counter.add(mass_ug)
        if counter.first_age is None:
            counter.first_age = self.age
        counter.last_age, counter.last_ms = self.age, self.now()

    def _give(self, dose, steps, capped, gain):
        """Turn the motor and weigh: (how it went, the day's counter where more left than it has, else None)."""
        before = None if dose["w"] is None else (dose["w"], dose["d"])
        self.dosing = True
        self.turned = 0
        try:
            done, stopped = self._turn(steps)
        finally:
            self.dosing = False
        after = self.hw.weigh()
        if after is None:
            self._fault(*self.hw.cell_fault)
        dose["n"] = done
        counted = dose["e"]
        self.memory.losses.dosed(
            dose["s"],
            before and before[0],
            after and after[0],
            after and after[1],
            dose["T"],
            self.age,
            counted if done else 0,
        )
        if stopped and done == 0:
            dose["w"] = dose["d"] = None
            return "held", None
        if before is None or after is None:
            dose["w"] = dose["x"] = dose["d"] = None
            return judge(steps, done, stopped, capped, None, None, None, gain), None
        dose["x"] = after[0]
        dose["d"] = isqrt(before[1] * before[1] + after[1] * after[1])
        outcome = judge(steps, done, stopped, capped, before[0], after[0], dose["d"], gain)
        more = before[0] - after[0] - SURE * dose["d"] - counted
        if more <= 0:
            return outcome, None
        counter = self.memory.counter.copy()
        counter.add(more)
        return outcome, counter

    def _turn(self, steps):
        """Step in chunks, looking for a hold between them: (steps made, whether something stopped it).

        Nothing moves before all that had arrived was looked through: a hold may stand behind it.
        """
        done = 0
        while done < steps:
            if self.hw.pump() is False or self.held():
                return done, True
            wanted = min(CHUNK_STEPS, steps - done)
            self.turned += wanted  # in case that it breaks off in an error
            made = self.hw.step(wanted)
            done += made
            self.turned = done
            if made < wanted:
                break
        return done, False

    def _weigh(self):
        """The cell's (mean, deviation) in micrograms, or None; food that has left without a step counts and stops."""
        weight = self.hw.weigh()
        if weight is None:
            self._fault(*self.hw.cell_fault)
            return None
        if self.memory.stop.code == "stopped_unweighed":
            self._set_stop(Stop())
        losses = self.memory.losses
        if self.button_held or self.hold.hopper_off:
            losses.forget()  # a person is at the hopper
            return weight
        lost = losses.look(weight[0], weight[1], self.hw.temperature_c100(), self.age)
        if lost:
            counter = self._budget(self.now())[0].copy()
            self._count(counter, lost)
            self._fault("mass_lost", "%d ug at least" % lost)
            try:
                self.memory.lose(counter)
            except OSError as error:
                self._flash_fault("lost food", error)
            self.counted_age = self.age
            self._stop("stopped_loss", "%d ug at least left without a step" % lost)
        return weight

    def _unweighed(self):
        """Where no dose was weighed for too long, feed no more until the scale gives a weight again."""
        if self.age - self.memory.weighed_age >= UNWEIGHED_MS:
            self._stop("stopped_unweighed", "no dose was weighed for %d days" % (UNWEIGHED_MS // DAY_MS))
