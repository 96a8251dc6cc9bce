"""Updates over the air: fetch a new set of modules piece by piece, verify it, try it, keep it or go back.

What the service offers (`down/update`) is signed with the device's own key: HMAC-SHA256 (RFC 2104) over the device's
name, the program, the firmware's version, a counter that only grows, and size and SHA-256 of the list of files. The
list names every file with its size and SHA-256; so nothing that the key has not signed is ever started, whoever runs
the broker. (A public-key signature would keep the signing key off the device, but it needs big numbers, which Python
on a small core multiplies for many seconds.)

The device asks for pieces (`up/fetch`) and writes each where it belongs in the folder that is not in force. That
folder's manifest goes first and comes last, so an unfinished set is no set. Nothing is remembered but the offer: how
far the fetching is stands on flash as the files themselves, each read back and verified before it counts, again after
every restart. Then starter.py is told to try the set, and the board starts anew. The set is proven when the service
has been heard (`heard()`) and it has run for PROOF_MS; where nothing was heard for TRIAL_MS, or it ended twice before,
the one before runs again. State files stand at the root and are no part of a set.

`Updater` does nothing by itself. Its owner calls `tick(uptime, quiet_ms, connected)` from its loop and never during a
dose, `on_message(tail, payload)` for `down/update` and `down/piece`, and `heard()`. Whatever goes wrong in here ends an
update and nothing else. The platform, beside read, append and replace of journal.py:

  files    size(name), names(folder), make(folder), remove(name), free_bytes(): see files.py
  power    optional battery_ok(): whether there is enough for writing flash and starting anew
  trial    optional proof_ms, in place of PROOF_MS
"""

import binascii
import hashlib
import sys

import starter
from journal import load_one, save_one
from streaming import Reader

OFFER = "update.bin"
TAILS = ("update", "piece")
SHAPE = {"program": None, "firmware": None, "counter": None, "size": None, "sha256": None, "mac": None}
SHAPE.update({"file": None, "at": None, "data": [None]})  # type: ignore[dict-item]
LARGEST_LIST = 8192
LONGEST = 64  # of a text
QUIET_MS = 300000  # nothing is done so shortly before a meal
TRIAL_MS = 3600000
PROOF_MS = 600000
AGAIN_MS = 60000  # after flash has refused something, or memory
WAIT_MS = 1000

UPDATE_FAULTS = {
    "update_done": "a new firmware has proven itself and is in force",
    "update_failed": "an update was refused or failed; the firmware before it runs on",
}


def hmac_sha256(key, message):
    """HMAC with SHA-256 (RFC 2104)."""
    if len(key) > 64:
        key = hashlib.sha256(key).digest()
    key = key + bytes(64 - len(key))
    inner = hashlib.sha256(bytes([byte ^ 0x36 for byte in key]))
    inner.update(message)
    outer = hashlib.sha256(bytes([byte ^ 0x5C for byte in key]))
    outer.update(inner.digest())
    return outer.digest()


def signed_bytes(device, offer):
    """What an offer's signature is made of: a line for each field."""
    lines = ("tareline update 1", device, offer["program"], offer["firmware"], str(offer["counter"]))
    return "\n".join(lines + (str(offer["size"]), offer["sha256"], "")).encode("utf-8")


def _text(fields, name):
    found = fields[name]
    if not isinstance(found, str) or not 0 < len(found) <= LONGEST or "\n" in found:
        raise ValueError("%s: expected a text of 1 to %d characters in one line" % (name, LONGEST))
    return found


def _whole(fields, name, least, most):
    found = fields[name]
    if isinstance(found, bool) or not isinstance(found, int) or not least <= found <= most:
        raise ValueError("%s: expected a whole number from %d to %d" % (name, least, most))
    return found


def read_offer(fields):
    """The fields of `down/update`, checked. Raises ValueError, KeyError or TypeError."""
    return {
        "counter": _whole(fields, "counter", 1, (1 << 53) - 1),
        "program": _text(fields, "program"),
        "firmware": _text(fields, "firmware"),
        "size": _whole(fields, "size", 1, LARGEST_LIST),
        "sha256": _text(fields, "sha256"),
        "mac": _text(fields, "mac"),
    }


def _is_calm(quiet_ms):
    """Whether no meal is due soon."""
    left = quiet_ms()
    return left is None or left >= QUIET_MS


class Updater:
    """See the module's own text. tails: what it takes of `down/`.

    settings: device, and key (hexadecimal) where updates are taken. program: the module that the sets start.
    running: the folder in force or on trial, None on a device that does not run from a set.
    publish(tail, fields, retained): as the link has it; tell(code, detail): a fault; restart(): asks for a start anew.
    """

    tails = TAILS

    def __init__(self, settings, program, running, platform, publish, tell, restart):
        self.device = settings["device"]
        self.key = binascii.unhexlify(settings.get("key") or "")
        self.program = program
        self.running = running
        self.flash = platform
        self.publish = publish
        self.tell = tell
        self.restart = restart
        self.battery_ok = getattr(platform, "battery_ok", None)
        self.proof_ms = getattr(platform, "proof_ms", PROOF_MS)
        self.record = starter.load(platform)
        self.on_trial = running is not None and self.record["trial"] == running
        self.passed_over = not self.on_trial and self.record["trial"] is not None
        self.connected = False
        self.has_heard = False
        self.uptime = 0
        self.resume_at = 0
        self.wait_ms = WAIT_MS
        self.refused = None  # (signature, counter, why) of an offer that was refused in this boot
        self.why = None  # what an update that can't be installed fails of
        self.offer = None
        self.offer_kept = False
        self.firmware = ""  # what is on trial
        self.install = None
        self.told_state = None
        if not self.record["told"]:
            self._tell_result()
        self._resume()

    def _resume(self):
        """Go on with what was begun before this start."""
        kept, _ = load_one(self.flash, OFFER)
        if kept is None:
            return
        try:
            offer = read_offer(kept)
        except (ValueError, KeyError, TypeError):
            return
        if offer["counter"] == self.record["counter"]:
            self.firmware = offer["firmware"]
        elif offer["counter"] > self.record["counter"] and self._why_not(offer) is None:
            self._begin(offer, True)

    # The owner's calls

    def heard(self):
        """The service, or for a probe the broker, has acknowledged something: this firmware can be reached."""
        self.has_heard = True

    def on_message(self, tail, payload):
        """Take `down/update` or `down/piece`, a list of pieces of its bytes. What can't be taken is told and forgotten:
        it comes again."""
        try:
            reader = Reader(SHAPE, None)
            for data in payload:
                reader.feed(data)
            fields = reader.result()
            if tail == "update":
                self._on_offer(read_offer(fields))
            elif self.install is not None:
                self.install.take(fields)
        except OSError as error:
            self.tell("flash_failed", "down/%s: %s" % (tail, error))
        except Exception as error:
            self.tell("message_refused", "down/%s: %r" % (tail, error))

    def tick(self, uptime, quiet_ms, connected):
        """Do one small step; returns for how many milliseconds there is no need for another.

        quiet_ms(): until the next meal, None where none is known; connected: whether the link is up.
        """
        self.uptime = uptime
        if connected and not self.connected:
            self.told_state = None
            if self.install is not None:
                self.install.ask_again()
        self.connected = connected
        self.wait_ms = WAIT_MS
        try:
            self._settle()
            if uptime < self.resume_at:
                pass
            elif self.on_trial:
                self._prove(quiet_ms)
            elif self.passed_over:
                if uptime >= TRIAL_MS and _is_calm(quiet_ms):  # flash refused to count the trial's start: try it again
                    self.restart()
            elif self.offer is not None and self.why is not None:
                self._fail()
            elif self.offer is not None and _is_calm(quiet_ms) and (self.battery_ok is None or self.battery_ok()):
                self._work()
        except OSError as error:
            self.tell("flash_failed", "an update: %s" % error)
            self._rest()
        except MemoryError:
            self._rest()
        except Exception as error:
            self.why = "an error that nobody expected: %r" % error
            self._rest()
        if connected:
            self._say()
        return self.wait_ms

    # Orders

    def _why_not(self, offer):
        """Why an offer is not taken, or None."""
        if self.running is None:
            return "this device does not run from a set of modules"
        if not self.key:
            return "this device has no key for updates"
        mac = binascii.hexlify(hmac_sha256(self.key, signed_bytes(self.device, offer))).decode()
        different = len(mac) ^ len(offer["mac"])
        for one, two in zip(mac, offer["mac"]):  # noqa: B905 - MicroPython's zip has no `strict`
            different |= ord(one) ^ ord(two)
        if different:
            return "it is not signed with this device's key"
        if offer["program"] != self.program:
            return "it is for %s, and this is %s" % (offer["program"], self.program)
        return None

    def _on_offer(self, offer):
        if self.install is not None and offer["counter"] == self.offer["counter"]:
            self.install.ask_again()  # whoever offers it again may have been away
        known = max(self.record["counter"], self.offer["counter"] if self.offer else 0)
        if offer["counter"] <= known or (self.refused and offer["mac"] == self.refused[0]):
            return
        why = self._why_not(offer)
        if why is not None:
            self.refused = offer["mac"], offer["counter"], "%s: %s" % (offer["firmware"], why)
            self.tell("update_failed", self.refused[2])
            return
        self._begin(offer, False)

    def _begin(self, offer, kept):
        self.offer = offer
        self.offer_kept = kept
        self.refused = self.why = self.install = None

    def _rest(self):
        """Begin anew in a minute."""
        self.install = None
        self.resume_at = self.uptime + AGAIN_MS

    def _work(self):
        """One step of the installation, and the last: try what is complete."""
        if not self.offer_kept:
            save_one(self.flash, OFFER, self.offer)
            self.offer_kept = True
        if self.install is None:
            from install import Install  # takes memory only while it is needed

            folder = starter.other(self.running)
            self.install = Install(self.flash, self.offer, self.program, folder, self.publish)
        install = self.install
        if not install.complete:
            self.wait_ms = install.step(self.uptime, self.connected)
            self.why = install.why
            return
        self._keep(starter.on_trial(self.record, install.folder, self.offer["counter"]))
        self.offer = self.install = None
        self.restart()

    def _fail(self):
        """Give an offer up for good."""
        record = dict(self.record)
        record["counter"], record["told"] = self.offer["counter"], False
        record["result"] = ["update_failed", "%s: %s" % (self.offer["firmware"], self.why)]
        self._keep(record)
        self.offer = self.why = self.install = None
        self._tell_result()

    def _keep(self, record):
        starter.save(self.flash, record)
        self.record = record

    def _tell_result(self):
        code, detail = self.record["result"]
        self.tell(code, detail or UPDATE_FAULTS.get(code, ""))

    # On trial

    def _prove(self, quiet_ms):
        if self.has_heard and self.uptime >= self.proof_ms:
            self._keep(starter.on_proof(self.record, self.firmware))
            self.on_trial = False
            self._tell_result()
        elif not self.has_heard and self.uptime >= TRIAL_MS and _is_calm(quiet_ms):
            self._keep(starter.on_return(self.record, "nothing was heard of the service for an hour"))
            self.on_trial = False
            self.restart()

    def _settle(self):
        """Note on flash that the service has been told how the last change went."""
        if self.has_heard and not self.record["told"] and not self.on_trial and self.uptime >= self.resume_at:
            record = dict(self.record)
            record["told"] = True
            self._keep(record)

    # Talking

    def _state(self):
        """(state, the counter it belongs to, detail)."""
        if self.offer is not None:
            complete = self.install is not None and self.install.complete
            return "ready" if complete else "fetching", self.offer["counter"], self.offer["firmware"]
        if self.refused is not None:
            return "failed", self.refused[1], self.refused[2]
        counter, result = self.record["counter"], self.record["result"]
        if self.record["trial"] is not None:
            return "trial", counter, ""
        if result is None:
            return "idle", counter, ""
        return "done" if result[0] == "update_done" else "failed", counter, result[1]

    def _say(self):
        state = self._state()
        if state == self.told_state:
            return
        fields = {
            "program": self.program if self.running is not None and self.key else None,
            "mpy": getattr(sys.implementation, "_mpy", 0) & 0xFF,
            "counter": state[1],
            "state": state[0],
            "detail": state[2],
        }
        if self.publish("update", fields, True):
            self.told_state = state
