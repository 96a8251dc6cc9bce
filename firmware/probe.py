"""The control logic of a probe of conductivity and temperature: when it measures, what it sends, what it keeps.

Portable, and called like a feeder: the owner calls `tick()` again within the milliseconds it returns, `on_connect()`,
`on_disconnect()`, `on_message(tail, payload)`, and `on_delivered(token)` when the broker has acknowledged a pack, all
from one thread. Everything else lies behind one seam object, the hardware:

  device facts    firmware, board (short texts); excitation_uv, reference_ohm (see sensing.py), full_uv (the converter
                  tells no larger voltage from it); ticks_period, damaged_files and watchdog_bit as a feeder has them
  time            ticks_ms(): a wrapping counter; now_ms(): UNIX milliseconds, or None without a clock
  sensors         temperature_c100(): hundredths of a degree, or None where the thermometer gave no valid answer;
                  converter_uv(): microvolts of the conversions of one short excitation, or None
  flash           read(name, at, size), append(name, data), replace(name, parts): see journal.py and backlog.py
  link            publish(tail, fields, retained) and publish("samples", the pack's bytes, False, token): True, and then
                  the link has it until the broker does, over any number of connections; room(): how many more
                  messages may be under way
  random_id(), restart()

A sample is the median of three excitations' conversions, sent at once. What is not acknowledged waits in memory, and
from five samples on in the backlog: a power cut costs the last five at most. Samples leave in order, a pack at a time.
"""

from backlog import Backlog, placed
from base import Base
from journal import load_one, save_one
from orders import DAY_MS, decode, field, text, whole
from packs import MOST_SAMPLES, pack
from sensing import Calibration, assess, conductance_ns, is_plausible_temperature, standard_us_per_m

EXCITATIONS = 3
BATCH = 5  # samples in memory before flash is written
MOST_IN_MEMORY = 60  # where flash refuses them
LIKELY_AFTER = 3  # samples in a row before a sensor's fault is told; then once a day while it lasts
PATIENCE_MS = 10000  # without a clock: after a connect, samples wait that long for the answer to the hello
LONGEST_WAIT_MS = 1000
SOON_MS = 50  # between looks for an acknowledgement while the backlog is being delivered
MOST_COMMANDS = 32

PROBE_FAULTS = {
    "thermometer_dead": "the thermometer gave no valid answer three times in a row",
    "thermometer_implausible": "a temperature no aquarium has, three times in a row; it is not sent",
    "converter_dead": "the converter gave nothing three times in a row",
    "converter_saturated": "the converter is at its end: conductivity beyond its range; only the voltage is sent",
    "converter_noisy": "one measurement's conversions scatter too much; only the voltage is sent",
    "probe_dry": "next to no current: the probe is out of the water or not connected; only the voltage is sent",
    "probe_shorted": "the probe conducts like a wire; only the voltage is sent",
    "sensor_calibration_damaged": "the calibration on flash could not be read; only the voltage is sent",
    "backlog_damaged": "records of the backlog could not be read; the samples in them are lost",
    "backlog_thinned": "the network was away for so long that not every sample was kept",
    "samples_lost": "samples of an earlier start without a clock could not be placed in time",
}


class Probe(Base):
    """One probe. See the module's own text for the calls and the seam.

    settings: sample_s, seconds between samples, 5 to 3600 (60). Raises ValueError for another.
    """

    def __init__(self, hardware, settings):
        Base.__init__(self, hardware)
        self.sample_ms = 1000 * whole(settings.get("sample_s", 60), 5, 3600)
        self.sample_due = 0
        self.connected = False
        self.connected_at = 0
        self.offset = None  # UNIX milliseconds minus uptime, once this boot has known the time
        self.fresh = []  # samples in memory, later than any on flash; their times are UNIX times once offset is known
        self.flying = None  # (token, number of samples from memory, offset in the backlog) of what is under way
        self.token = 0
        self.ailing = {}  # code -> [samples in a row, uptime when it was told]
        if hardware.damaged_files:
            self._fault("firmware_damaged", ", ".join(hardware.damaged_files))
        if hardware.watchdog_bit:
            self._fault("watchdog_restart", "")
        self.calibration = self._load_calibration()
        self.commands = load_one(hardware, "commands.bin")[0] or []
        self.backlog = Backlog(hardware, self.boot)
        try:
            self.backlog.load()
        except OSError as error:
            self._fault("flash_failed", "the backlog: %s" % error)
        if self.backlog.damaged:
            self._fault("backlog_damaged", "")

    def _load_calibration(self):
        kept, damaged = load_one(self.hw, "sensor.bin")
        if kept is not None:
            try:
                return Calibration(kept["points"])
            except (ValueError, KeyError, TypeError):
                damaged = True
        if damaged:
            self._fault("sensor_calibration_damaged", "")
        return None

    def _fault(self, code, detail):
        Base._fault(self, code, detail or PROBE_FAULTS.get(code, ""))

    # The owner's calls

    def tick(self):
        """Do what is due. Returns milliseconds until the next call at the latest."""
        self._look()
        if self.uptime >= self.sample_due:
            self.sample_due += (self.uptime - self.sample_due) // self.sample_ms * self.sample_ms + self.sample_ms
            self._sample()
            if len(self.fresh) >= BATCH:
                self._put_away()
        if self.connected:
            self._talk()
        delivering = self.connected and self.backlog.waits()
        return min(SOON_MS if delivering else LONGEST_WAIT_MS, self.sample_due - self.uptime)

    def on_connect(self):
        """The link is up and subscribed: say who and how."""
        self._look()
        self.connected = True
        self.connected_at = self.uptime
        self.hw.publish("status", {"online": True}, True)
        self._hello()

    def on_disconnect(self):
        self.connected = False

    def on_delivered(self, token):
        """The broker has this pack. Nothing follows from a token whose samples have moved: they are sent once more."""
        if self.flying is None or token != self.flying[0]:
            return
        _, count, behind = self.flying
        self.flying = None
        if count:
            self.fresh = self.fresh[count:]
            return
        try:
            self.backlog.delivered(behind)
        except OSError as error:
            self._fault("flash_failed", "the backlog: %s" % error)

    def on_message(self, tail, payload):
        """Handle a message from `down/`. A probe takes the time and commands; what else comes is for feeders."""
        try:
            self._look()
            if tail == "time":
                self._take_time(decode(payload))
                self._look()
            elif tail == "command":
                self._on_command(decode(payload))
        except OSError as error:
            self._fault("flash_failed", "down/%s: %s" % (tail, error))
        except Exception as error:  # whatever it was: the message is done with, or it would come again for ever
            try:
                what = error if isinstance(error, ValueError) else repr(error)
                self._fault("message_refused", "down/%s: %s" % (tail, what))
            except MemoryError:
                pass
        return True

    # Time

    def _look(self):
        """Count the time that has passed; once the clock is known, this boot's samples have their times."""
        now = self._advance()
        if now is None:
            return
        if self.offset is None:
            self.fresh = placed(self.fresh, now - self.uptime)
        self.offset = now - self.uptime

    # Measuring

    def _measure(self):
        """(median in microvolts or None, fault code or None) of a few excitations."""
        values = []
        for _ in range(EXCITATIONS):
            values += self.hw.converter_uv() or ()
        return assess(values, self.hw.excitation_uv, self.hw.full_uv)

    def _conductance(self, voltage):
        return conductance_ns(voltage, self.hw.excitation_uv, self.hw.reference_ohm)

    def _sample(self):
        temperature = self.hw.temperature_c100()
        self._ail("thermometer_dead", temperature is None)
        implausible = temperature is not None and not is_plausible_temperature(temperature)
        self._ail("thermometer_implausible", implausible)
        if implausible:
            temperature = None
        voltage, code = self._measure()
        for known in ("converter_dead", "converter_saturated", "converter_noisy", "probe_dry", "probe_shorted"):
            self._ail(known, code == known)
        conductivity = None
        if code is None and self.calibration:
            conductivity = max(0, self.calibration.conductivity_us_per_m(self._conductance(voltage)))
        if temperature is None and voltage is None:
            return
        self._look()  # measuring takes a while
        time_ms = self.uptime if self.offset is None else self.uptime + self.offset
        if len(self.fresh) >= MOST_IN_MEMORY:
            self.fresh = self.fresh[1::2]
            self.flying = None
        self.fresh.append((time_ms, temperature, conductivity, voltage))

    def _ail(self, code, bad):
        """Tell a sensor's fault when it has lasted, once a day, and no single bad answer."""
        if not bad:
            self.ailing.pop(code, None)
            return
        state = self.ailing.setdefault(code, [0, None])
        state[0] += 1
        if state[0] >= LIKELY_AFTER and (state[1] is None or self.uptime - state[1] >= DAY_MS):
            state[1] = self.uptime
            self._fault(code, "")

    def _put_away(self):
        """Samples from memory to flash, those under way first, so that their acknowledgement frees them there."""
        under_way = self.flying[1] if self.flying else 0
        try:
            for count in (under_way, len(self.fresh) - under_way):
                if not count:
                    continue
                if self.backlog.add(self.fresh[:count], self.offset is not None, self.offset):
                    self.flying = None  # the file was rewritten: offsets in it mean something else now
                self.fresh = self.fresh[count:]
                if count == under_way and self.flying and self.flying[1]:
                    self.flying = (self.flying[0], 0, self.backlog.data_end)
        except OSError as error:
            self.flying = None
            self._fault("flash_failed", "the backlog: %s" % error)

    # Commands

    def _on_command(self, fields):
        command_id = field(fields, "id", text)
        do = fields.get("do")
        until = fields.get("expires_at_ms")
        if until is not None:
            field(fields, "expires_at_ms", whole, 0, (1 << 53) - 1)
        refused = self._refusal(command_id, until)
        if refused is None and do not in ("calibrate", "restart"):
            refused = "a probe knows calibrate and restart"
        if refused is not None:
            self._reply(command_id, False, refused, None)
            return
        # First the note that it acts, then the act.
        commands = self.commands + [[command_id, until]]
        save_one(self.hw, "commands.bin", commands)
        self.commands = commands
        if do == "restart":
            self._put_away()
            self._reply(command_id, True, "restarting", None)
            self.hw.restart()
            return
        try:
            ok, detail, result = True, "calibrated", self._calibrate(fields)
        except (ValueError, KeyError, TypeError) as error:
            ok, detail, result = False, str(error), None
        self._reply(command_id, ok, detail, result)

    def _refusal(self, command_id, until):
        """Why a command must not act, or None. Ids are kept until they expire; those that never do, as room allows."""
        now = self.now()
        if command_id in [known for known, _ in self.commands]:
            return "this command has acted already"
        if until is not None and now is None:
            return "no clock: a command that expires is not obeyed"
        if until is not None and now >= until:
            return "expired"
        if len(self.commands) >= MOST_COMMANDS:
            alive = [c for c in self.commands if c[1] is not None and (now is None or c[1] >= now)]
            if len(alive) >= MOST_COMMANDS:
                return "too many commands that have not expired"
            endless = [c for c in self.commands if c[1] is None]
            self.commands = endless[len(endless) + len(alive) + 1 - MOST_COMMANDS :] + alive
        return None

    def _calibrate(self, fields):
        """Take what is measured now as a potassium-chloride standard's, given by its conductivity at 25 degC."""
        args = fields.get("args")
        value = args.get("conductivity_s_per_m") if isinstance(args, dict) else None
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.001 <= value <= 20:
            raise ValueError("conductivity_s_per_m: expected 0.001 to 20, the standard's value at 25 degC")
        temperature = self.hw.temperature_c100()
        if temperature is None:
            raise ValueError("the thermometer gives no temperature")
        true = standard_us_per_m(int(value * 1000000 + 0.5), temperature)
        voltage, code = self._measure()
        if code is not None:
            raise ValueError(PROBE_FAULTS[code])
        measured = self._conductance(voltage)
        known = self.calibration
        calibration = known.with_point(true, measured) if known else Calibration([(true, measured)])
        save_one(self.hw, "sensor.bin", {"points": calibration.points})
        self.calibration = calibration
        self.hello_at = None
        return {
            "cell_constant_per_m": calibration.cell_per_km() / 1000,
            "points": len(calibration.points),
            "temperature_c": temperature / 100,
        }

    # Talking

    def _talk(self):
        if self._hello_due():
            self._hello()
        while self.faults and self.hw.room() > 0 and self.hw.publish("fault", self.faults[0], False):
            self.faults.pop(0)
        if self.offset is None and self.uptime - self.connected_at < PATIENCE_MS:
            return
        if self.flying is None and self.hw.room() > 0:
            try:
                self._send()
            except OSError as error:
                self._fault("flash_failed", "the backlog: %s" % error)

    def _send(self):
        """The next pack: from the backlog as long as it holds any, then from memory."""
        count, behind = 0, 0
        if self.backlog.waits():
            samples, boot, behind = self.backlog.peek(self.offset, MOST_SAMPLES)
            if not samples:
                self.backlog.delivered(behind)  # nothing that can be placed is left
                return
        else:
            if self.backlog.size:
                self._finish_backlog()
            if not self.fresh:
                return
            samples = self.fresh[:MOST_SAMPLES]
            boot = self.boot if self.offset is None else ""
            count = len(samples)
        payload = pack(samples, boot, self.uptime) if boot else pack(samples)
        self.token += 1
        if self.hw.publish("samples", payload, False, self.token):
            self.flying = (self.token, count, behind)

    def _finish_backlog(self):
        """Everything on flash is delivered: say what was left out, and begin anew."""
        lost, stride = self.backlog.lost, self.backlog.stride
        self.backlog.clear()
        if lost:
            self._fault("samples_lost", "%d samples of an earlier start without a clock: their time is unknown" % lost)
        if stride > 1:
            self._fault("backlog_thinned", "the network was away for long: one sample in %d was kept" % stride)

    def _hello(self):
        self._greet("probe", {"calibration": self._calibration_text()})

    def _calibration_text(self):
        if self.calibration is None:
            return "none"
        cell = self.calibration.cell_per_km()
        return "%d points, cell %d.%03d per m" % (len(self.calibration.points), cell // 1000, cell % 1000)

    def _reply(self, command_id, ok, detail, result):
        # Also before the link is up: a command that waited at the broker comes before the subscription is confirmed.
        self.hw.publish("reply", {"id": command_id, "ok": ok, "detail": detail, "result": result}, False)
