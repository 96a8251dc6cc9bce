"""The control logic of a feeder with a weighed hopper: when it feeds, when it must not, and what it says about it.

Portable: the same file runs on a board and inside the simulator. `Feeder` does nothing by itself. Its owner calls
`tick()` again within the milliseconds it returns, `on_connect()`, `on_disconnect()`, `on_message(tail, payload)`,
`press()` and `long_press()`, all from one thread. Everything else lies behind one seam object, the hardware:

  device facts    firmware, board, calibration (short texts), gain_ng (nanograms per step by calibration),
                  ticks_period (where ticks_ms wraps), most_steps (of one dose, so that it ends before the watchdog's
                  time), ceiling_ug (of a day, above every plan; 5 g where it is missing),
                  damaged_files (names of own files that failed their check at start), watchdog_bit (whether the
                  watchdog caused this start)
  time            ticks_ms(): a wrapping counter; now_ms(): UNIX milliseconds, or None without a clock
  feeding         weigh(): (mean, standard deviation of the mean) in micrograms, or None where the cell gives no weight,
                  and then cell_fault is the fault's (code, detail);
                  step(n): turns the auger, returns the steps made (fewer: it stalled);
                  temperature_c100(): hundredths of a degree Celsius at the cell, or None
  set-up          tare() and calibrate(mass_ug): True, or False where the cell does not allow it; restart()
  flash           read(name, at, size), append(name, data), replace(name, parts): see journal.py
  link            publish(tail, fields, retained): False where it can't be kept; room(): how many more messages may be
                  under way;
                  pump(): called between chunks of steps, hands over holds that have arrived; False where more has come
                  than could be looked through: then the motor must not turn
  random_id()     a short random text

Masses are whole micrograms and times whole milliseconds inside; `age` is explained in base.py.
"""

from base import MINUTE_MS
from dosing import OUTCOMES
from feeding import MOST_OVERS, Feeding
from journal import load_one, save_one
from memory import Memory, Stop, dose_message
from orders import (
    DAY_MS,
    LARGEST_VERSION,
    PLAN,
    Hold,
    Plan,
    decode,
    field,
    load_plan,
    mark_of,
    micrograms,
    read_hold,
    text,
    whole,
)

WEIGHT_EVERY_MS = 60 * MINUTE_MS
RESEND_FIRST_MS = 5 * MINUTE_MS
RESEND_LAST_MS = 60 * MINUTE_MS
LONGEST_WAIT_MS = 1000
GREETED_MS = 2000  # after a connect nothing takes long: the answer to the hello must be taken while it is fresh
ASK_AGAIN_MS = 5 * MINUTE_MS
MOST_LEFT = 8  # installations whose plans were in force before; more of them take turns for sure
MOST_ASKED = 8  # ranges of doses asked for again


def _read_arguments(do, fields):
    """A command's values, checked; they stand in `args` or beside it."""
    args = fields.get("args")
    if isinstance(args, dict):
        fields = dict(fields)
        fields.update(args)
    if do == "dispense":
        return (field(fields, "target_g", micrograms),)
    if do == "calibrate":
        return (field(fields, "mass_g", micrograms),)
    if do == "resend":
        return field(fields, "from", whole, 0, LARGEST_VERSION), field(fields, "to", whole, 0, LARGEST_VERSION)
    if do in ("tare", "restart"):
        return ()
    raise ValueError("unknown command")


class Feeder(Feeding):
    """One feeder. See the module's own text for the calls and the seam."""

    def __init__(self, hardware):
        Feeding.__init__(self, hardware)
        self.connected = False
        self.pressed = False
        self.foreign_hold = None
        self.holds_kept = True
        self.left = []  # marks of the installations whose plans were in force before this one's
        self.offered = 0  # the doses up to this one have been offered on this connection
        self.asked = []  # [first, last] of doses asked for again
        self.sent_at = 0
        self.resend_ms = RESEND_FIRST_MS
        self.weight_due = MINUTE_MS  # time for the link to come up first
        self.weight_told = False
        self.ask_at = None  # when to say hello again, for what there was no memory for
        self.memory = Memory(hardware, hardware.random_id(), self.age)
        self.age = max(self.age, self.memory.last_age)
        counter = self.memory.counter
        if counter.last_age is not None:
            self.counted_age = counter.last_age
            if counter.last_ms is not None and counter.last_age > self.clock_age:
                self.clock_age, self.wall = counter.last_age, counter.last_ms
        if self.memory.lost:
            self._fault("journal_damaged", "")
        if self.damaged_files:
            self._fault("firmware_damaged", ", ".join(self.damaged_files))
        if hardware.watchdog_bit:
            self._fault("watchdog_restart", "")
        stop = self.memory.stop
        if stop.code is None and self.memory.overs[0] >= MOST_OVERS:  # power went before the stop was written
            self._stop("stopped_over", "%d doses in a row gave clearly too much" % self.memory.overs[0])
        elif stop.code is not None:
            self._fault(stop.code, stop.detail)
        self.plan, self.left, damaged = load_plan(hardware)
        if damaged:
            self._fault("plan_damaged", "")
        self.hold = self._load_hold()
        kept, damaged = load_one(hardware, "button.bin")
        self.button_held = damaged or bool(kept)
        if damaged:
            self._tell("button_hold", "what flash had of it could not be read")

    # What flash holds besides the journal

    def _load_hold(self):
        kept, damaged = load_one(self.hw, "hold.bin")
        if kept is not None:
            try:
                hold = Hold(*kept)
                hold.floor("")
                return hold
            except (ValueError, TypeError):
                damaged = True
        if damaged:
            self._fault("hold_damaged", "")
            floors, _ = load_one(self.hw, "floors.bin")
            return Hold("", 0, True, floors=floors)
        return Hold()

    # The owner's calls

    def tick(self):
        """Do what is due. Returns milliseconds until the next call at the latest."""
        now = self._advance()
        if self.refused is not None:
            self._refuse(MemoryError())
        if not self.memory.mend():
            self._fault("flash_failed", "the journal could not be rewritten")
        if not self.holds_kept:
            self._keep_holds()
        if self.pressed:
            self.pressed = False
            portion = self.plan.portion_ug() if self.plan else 0
            self._dose("button", None, portion)
        if self.plan:
            if now is None:
                self._blind()
            else:
                self._due(now)
        self._keep_time()
        if self.uptime >= self.weight_due:
            self.weight_due = self.uptime + WEIGHT_EVERY_MS
            self._look_at_scale()
        if self.connected:
            self._talk()
        return self._wait_ms()

    def press(self):
        """A short press of the button: one portion at the next tick, under the same rules as any other."""
        self.pressed = True

    def long_press(self):
        """A long press of the button: feeding is held until the next one, whatever the service says."""
        self._advance()
        self.button_held = not self.button_held
        self._hold_changed(self.button_held)
        self._tell("button_hold" if self.button_held else "button_release", "")
        self._keep_holds()

    def on_connect(self):
        """The link is up and subscribed: say who and how, and offer every dose that was not received."""
        self._advance()
        self.connected = True
        if not self.weight_told:
            self.weight_due = self.uptime + GREETED_MS
        self.hw.publish("status", {"online": True}, True)
        self._hello()
        self._applied()
        self._offer_all()

    def on_disconnect(self):
        self.connected = False

    def on_message(self, tail, payload):
        """Handle a message from `down/`. Returns False where it must be given again later (a dose is under way)."""
        if self.dosing and tail != "hold":
            return False
        try:
            self._advance()
            if payload is None:
                raise MemoryError("there was no memory for it")
            self._handle(tail, decode(payload))
        except Exception as error:
            # Whatever it was: the message is done with, or it would come again at every start, for ever.
            self.unread_hold = tail == "hold" and isinstance(error, MemoryError)
            self.refused = tail
            if tail in ("plan", "hold") and isinstance(error, MemoryError):
                self.ask_at = self.uptime + ASK_AGAIN_MS
            try:
                self._refuse(error)
            except MemoryError:
                pass  # at the next tick
        return True

    def _handle(self, tail, fields):
        if tail == "plan":
            self._on_plan(fields)
        elif tail == "hold":
            self._on_hold(read_hold(fields))
        elif tail == "received":
            self._on_received(field(fields, "journal", text), field(fields, "seq", whole, 0, LARGEST_VERSION))
        elif tail == "time":
            self._take_time(fields)
            self._advance()
        elif tail == "command":
            self._on_command(fields)

    def _refuse(self, error):
        """Tell that a message could not be taken. A hold that there was no memory for may have said held: it does."""
        if self.unread_hold:
            self._on_hold(Hold("", 0, True))
            self.unread_hold = False
        what = error if isinstance(error, ValueError) else repr(error)
        self._fault(
            "flash_failed" if isinstance(error, OSError) else "message_refused", "down/%s: %s" % (self.refused, what)
        )
        self.refused = None

    # Orders

    def _on_plan(self, fields):
        plan = Plan(fields, self.now())
        left = self.left
        if self.plan:
            if plan.installation == self.plan.installation:
                if plan.version <= self.plan.version:
                    return
            else:
                if mark_of(plan.installation) in left or len(left) >= MOST_LEFT:
                    self._stop("two_installations", plan.installation)
                    return
                left = left + [mark_of(self.plan.installation)]
                self._fault("other_installation", plan.installation)
            now = self.now()
            if now is not None:
                self._due(now)  # what the old plan had due by now is its own to feed or to miss
        plan.save(self.hw, left)
        self.plan = plan
        self.left = left
        self._take_gain(plan.gain_ng)
        if self.foreign_hold and self.foreign_hold.installation == plan.installation:
            hold, self.foreign_hold = self.foreign_hold, None
            self._on_hold(hold)
        self._applied()

    def _on_hold(self, hold):
        known = self.hold
        floor = known.floor(hold.installation)
        own = self.plan.installation if self.plan else known.installation
        if hold.held:
            if known.held and hold.installation == known.installation and hold.version <= known.version:
                return
        else:
            if hold.version < floor:
                return
            if known.installation and hold.installation not in (known.installation, own):
                # Another installation may stop feeding at any time, but let it go on only once its plan is in force.
                self.foreign_hold = hold
                known.floors = known.floors_with(hold.installation, hold.version, own)
                self._keep_holds()
                return
            if hold.same_as(known):
                return
        if hold.held:
            self.foreign_hold = None  # a release of before this hold does not end it
        hold.floors = known.floors_with(hold.installation, hold.version, own)
        self.hold = hold
        self._keep_holds()
        if not hold.held or hold.version > floor:  # a hold of before that comes once more has not begun now
            self._hold_changed(hold.held)
        self._applied()

    def _hold_changed(self, held):
        """A hold has begun or is over: a stop ends with the release of a hold that has begun after it."""
        stop = self.memory.stop
        if stop.code is None or stop.code == "stopped_unweighed":
            return
        if held and not stop.seen:
            self._set_stop(Stop(stop.code, True, stop.detail))
        elif not held and stop.seen:
            self._set_stop(Stop())
            self.memory.losses.forget()
            self.weight_due = self.uptime
            if stop.code == "two_installations":
                self._choose(self.hold.installation)

    def _choose(self, installation):
        """A person has let feeding go on by this installation: its plan is the one to follow from now on."""
        self.left = [mark for mark in self.left if mark != mark_of(installation)]
        if self.plan and installation and self.plan.installation != installation:
            self.hw.replace(PLAN, [])
            self.left = self.left[-(MOST_LEFT - 1) :] + [mark_of(self.plan.installation)]
            self.plan = None
        elif self.plan:
            self.plan.save(self.hw, self.left)
        self.hello_at = None  # which has the service send its plan once more

    def _keep_holds(self):
        """Put the holds on flash; obeyed at once all the same, and where flash refuses, tried again at every tick."""
        self.holds_kept = False
        try:
            # Kept twice: where the hold itself is damaged, an old release must not end it.
            save_one(self.hw, "floors.bin", self.hold.floors)
            save_one(self.hw, "hold.bin", self.hold.to_record())
            save_one(self.hw, "button.bin", self.button_held)
            self.holds_kept = True
        except OSError as error:
            self._fault("flash_failed", "a hold: %s" % error)

    def _take_gain(self, gain_ng):
        """Bound what the service has learned: 20 % from the gain of a day ago, half to double the calibrated one."""
        current, reference, since = self._gain()
        if gain_ng is None or gain_ng == current:
            return
        if self.age - since >= DAY_MS:
            reference, since = current, self.age
        calibrated = self.hw.gain_ng
        if abs(gain_ng - reference) * 5 > reference or not calibrated <= 2 * gain_ng <= 4 * calibrated:
            self._fault("gain_refused", "%d ng per step against %d" % (gain_ng, reference))
            return
        self.memory.set_gain([gain_ng, reference, since])
        self.hello_at = None

    def _on_received(self, journal, seq):
        memory = self.memory
        if journal != memory.journal_id:
            return
        if memory.received < seq < memory.next_seq:
            self.resend_ms = RESEND_FIRST_MS
            self.sent_at = self.uptime
        memory.free(seq, self.now(), self.plan.meals.marks if self.plan else ())

    def _on_command(self, fields):
        command_id = field(fields, "id", text)
        do = fields.get("do")
        until = fields.get("expires_at_ms")
        if until is not None:
            field(fields, "expires_at_ms", whole, 0, LARGEST_VERSION)
        now = self.now()
        refused = self._refusal(command_id, do, until, now)
        values = None
        if refused is None:
            try:
                values = _read_arguments(do, fields)
            except (ValueError, KeyError, TypeError) as error:
                refused = "not understood: %s" % error
        if refused is not None:
            self._reply(command_id, False, refused, None)
            return
        if do != "resend":  # which may act again: the same doses come once more
            self.memory.command(command_id, until)  # first the note that it acts, then the act
        if do == "restart":
            self._reply(command_id, True, "restarting", None)
            self.stopping = True
            self.hw.restart()
            return
        if do == "dispense":
            ok, detail, result = self._dispense(values[0])
        elif do == "resend":
            ok, detail, result = self._resend(values[0], values[1])
        elif do == "tare":
            ok, detail, result = self._set_up(self.hw.tare())
        else:
            ok, detail, result = self._set_up(self.hw.calibrate(values[0]))
        self._reply(command_id, ok, detail, result)

    def _refusal(self, command_id, do, until, now):
        """Why a command must not act, or None."""
        if self.memory.knows_command(command_id):
            return "this command has acted already"
        if until is not None and now is None:
            return "no clock: a command that expires is not obeyed"
        if until is not None and now >= until:
            return "expired"
        if do != "resend" and not self.memory.room_for_command(until, now):
            return "no room to remember one more command that has not expired, or never does"
        return None

    def _dispense(self, target):
        dose = self._dose("command", None, target)
        if dose is None:
            return False, "flash refused the dose; nothing moved", None
        outcome = dose["o"]
        result = {"seq": dose["s"], "outcome": outcome, "steps": dose["n"]}
        return dose["n"] > 0, "%s: %s" % (outcome, OUTCOMES[outcome]), result

    def _resend(self, first, last):
        places = self.memory.places
        held = 0
        seq = places.after(first - 1)
        while seq is not None and seq <= last:
            held += 1
            seq = places.after(seq)
        if held and [first, last] not in self.asked:
            self.asked = self.asked[-(MOST_ASKED - 1) :] + [[first, last]]
        result = {"held": held, "journal_from": self.memory.first_held(), "journal_to": self.memory.next_seq - 1}
        return bool(held), "%d doses held of those asked for" % held, result

    def _set_up(self, done):
        self.memory.losses.forget()
        self.weight_due = self.uptime
        if done and self.memory.stop.code is not None:
            self._set_stop(Stop())
        self.hello_at = None
        return done, self.hw.calibration if done else "the cell does not allow it now", None

    # Talking

    def _talk(self):
        if self._hello_due():
            self._hello()
        while self.faults and self.hw.room() > 0 and self.hw.publish("fault", self.faults[0], False):
            self.faults.pop(0)
        waiting = self._next_to_tell() is not None
        if not waiting and len(self.memory.places) and self.uptime - self.sent_at >= self.resend_ms:
            self.resend_ms = min(2 * self.resend_ms, RESEND_LAST_MS)
            self._offer_all()
        if self.ask_at is not None and self.uptime >= self.ask_at:
            self.ask_at = None
            self.hello_at = None  # which has the service send its plan once more
        if self.memory.file.dirty:
            return  # a dose goes out only as flash has it: it must read the same after a power cut
        while self.hw.room() > 0:
            seq = self._next_to_tell()
            if seq is None:
                return
            if self.asked:
                self.asked[0][0] = seq + 1
            else:
                self.offered = seq
            try:
                dose = self.memory.dose(seq)
            except OSError as error:
                self._fault("flash_failed", "a dose: %s" % error)
                continue
            if dose is not None:
                self.hw.publish("dose", dose_message(dose, self.memory.journal_id), False)
                self.sent_at = self.uptime

    def _next_to_tell(self):
        """The number of the dose to offer next: of those asked for, then of those not offered yet; None: all are."""
        while self.asked:
            seq = self.memory.places.after(self.asked[0][0] - 1)
            if seq is not None and seq <= self.asked[0][1]:
                return seq
            self.asked.pop(0)
        return self.memory.places.after(self.offered)

    def _offer_all(self):
        self.offered = 0

    def _hello(self):
        more = {
            "journal": self.memory.journal_id,
            "journal_from": self.memory.first_held(),
            "journal_to": self.memory.next_seq - 1,
            "gain_g_per_step": self._gain()[0] / 1000000000,
            "calibration": self.hw.calibration,
        }
        self._greet("feeder", more)

    def _applied(self):
        if self.connected:
            self.hw.publish(
                "applied",
                {
                    "boot": self.boot,
                    "plan_version": self.plan.version if self.plan else 0,
                    "hold_version": self.hold.version,
                },
                True,
            )

    def _look_at_scale(self):
        """Weigh, which shows food that leaves without a step; tell it where somebody listens."""
        weight = self._weigh()
        self.weight_told = self.connected and self.hw.room() > 0
        if weight is None or not self.weight_told:
            return
        fields = self._stamp()
        fields["mass_g"] = weight[0] / 1000000
        fields["sd_g"] = weight[1] / 1000000
        temperature = self.hw.temperature_c100()
        fields["temperature_c"] = None if temperature is None else temperature / 100
        self.hw.publish("weight", fields, False)

    def _reply(self, command_id, ok, detail, result):
        # Also before the link is up: a command that waited at the broker comes before the subscription is confirmed.
        self.hw.publish("reply", {"id": command_id, "ok": ok, "detail": detail, "result": result}, False)

    def quiet_ms(self):
        """Milliseconds until the next meal of the plan or of its fallback, None where none is known."""
        now = self.last_now
        if now is None or not self.plan:
            return None
        passed_ms = now - self.plan.meals.base_ms
        for after_ms in self.plan.meals.times:
            if after_ms > passed_ms:
                return after_ms - passed_ms
        due = [at_ms - now for at_ms, _, _ in self.plan.fallback_slots(now) if at_ms > now]
        return min(due) if due else None

    def _wait_ms(self):
        """Until something is due: the next meal, or a second at most."""
        quiet = self.quiet_ms()
        return LONGEST_WAIT_MS if quiet is None else min(LONGEST_WAIT_MS, quiet)
