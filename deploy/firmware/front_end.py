# The front end: times every pickup edge, decides overspeed by itself, and energises the run relay only while its
# own checks hold and the guard answers. Runs on MicroPython and CPython; pins.py is the only way to the outside.
#
# Times are microseconds that wrap at 2**30, so that they stay small whole numbers on a microcontroller.
import array

import link
import readings
import tables

FIRMWARE = "0.1.0"
MASK = (1 << 30) - 1            # device clock, and the largest whole number that needs no heap
RING = 64                       # edges that wait for the main loop
STATUS_US = 20000
TEMPS_US = 250000
SHIELD_US = 20000               # the shield switch may bounce this long
NEVER_MS = 9999                 # shown when no answer has come yet

NONE, OVERSPEED, IMPLAUSIBLE, CAPPED = 0, 1, 2, 3       # what the edge handler decided


class FrontEnd:
    def __init__(self, pins, name, simulated=False, load_hz=80, temps=("head", "drum"),
                 inputs=("loop", "shield", "key"), pulses_per_rev="1", reset="power"):
        self._pins = pins
        self._hello_words = "v=%d stand=%s fw=%s wrap=30 ppr=%s load=%d temps=%s inputs=%s outputs=run,fuel" % (
            link.VERSION, name, FIRMWARE, pulses_per_rev, load_hz, ",".join(temps), ",".join(inputs))
        self._simulated = simulated
        self._readings = readings.Readings(1 if load_hz <= 100 else 10, MASK)
        self._reset_reason = reset
        self._seq = 0
        self._line = b""
        self.state = tables.HELD
        self.causes = []
        self.limits = None
        self._limits_crc = 0
        self._inputs = pins.inputs()
        self._prepare_edges()
        self._prepare_host()

    def _prepare_edges(self):
        self._times = array.array("i", [0] * RING)
        self._numbers = array.array("i", [0] * RING)
        self._in = 0
        self._out = 0
        self.edges = 0              # all since the start
        self.odd = 0                # intervals that no engine can make
        self._odd_in_row = 0
        self._aside_us = 0          # the edge that was set aside last
        self._odd_us = [0, 0]       # when the last two came
        self._last_us = 0           # last edge that counted
        self._interval = MASK       # last interval that counted, and the one before it
        self._before = MASK
        self._armed = False         # running by itself
        self._still = True
        self._fast = False
        self._fast_us = 0
        self._verdict = NONE
        self._verdict_us = 0
        self._verdict_interval = 0
        self._trip_us = 0
        self._cap_us = 0
        self._slow_us = 0

    def _prepare_host(self):
        self._outbox = []
        self._say = None
        self._acked = -1
        self._sent_seqs = [-2] * 32     # the last status lines, to know the age of an answer
        self._sent_us = [0] * 32
        self._sent_next = 0
        self._acked_us = 0
        self._allowed_us = 0
        self._status_us = 0
        self._temps_us = 0
        self._shield_us = 0
        self._booted = False

    # --- pickup: called from the interrupt, with the heap locked ------------------------------------

    def edge(self, us):
        """Note an edge and decide at once. Allocates nothing."""
        self.edges = (self.edges + 1) & MASK
        self._still = False
        after = (self._in + 1) & (RING - 1)
        if after != self._out:              # a full ring loses the line, as its number will show, not the decision
            self._times[self._in] = us
            self._numbers[self._in] = self.edges
            self._in = after
        interval = (us - self._last_us) & MASK
        if self._armed and self._is_odd(interval):
            from_aside = (us - self._aside_us) & MASK
            if self._odd_in_row == 0 or self._is_odd(from_aside):
                self._note_odd(us, interval)
                return
            interval = from_aside       # what was set aside was the crank, and the edge before it noise
        self._odd_in_row = 0
        previous = self._interval
        self._before = previous
        self._interval = interval
        self._last_us = us
        if interval >= self._slow_us:
            self._armed = self._fast = False
        # a cord pull is uneven, so before the engine runs by itself one short interval decides nothing
        if interval < self._trip_us and (self._armed or previous < self._trip_us):
            self._decide(OVERSPEED, us, interval)
        elif interval < self._cap_us and previous < self._cap_us and self.state == tables.START_ALLOWED:
            self._decide(CAPPED, us, interval)

    def _is_odd(self, interval):
        """Tell whether a flywheel cannot have changed speed so much within one interval; a stall may."""
        if interval < (self._interval >> 2) * 3:
            return True
        return interval < self._slow_us and interval > self._interval + (self._interval >> 1)

    def _note_odd(self, us, interval):
        self.odd = (self.odd + 1) & MASK
        self._odd_in_row += 1
        self._aside_us = us
        within_1_s = self.odd > 2 and ((us - self._odd_us[0]) & MASK) < 1000000
        self._odd_us[0] = self._odd_us[1]
        self._odd_us[1] = us
        if self._odd_in_row > 1 or within_1_s:
            self._decide(IMPLAUSIBLE, us, interval)
        if interval > self._interval:       # an edge was missed: measure anew from here
            self._last_us = us

    def _decide(self, verdict, us, interval):
        """Drop the relay now; the main loop tells why."""
        live = self.state == tables.RUNNING or self.state == tables.START_ALLOWED
        if self._verdict == NONE and (live or self.state == tables.STOPPING):
            self._pins.set_run(False)
            self._verdict = verdict
            self._verdict_us = us
            self._verdict_interval = interval

    def load(self, us, count):
        """Take a load-cell conversion; None when it failed."""
        line = self._readings.load(us, count)
        if line:
            self._send("L", line[0], line[1])

    def temp(self, us, name, reading):
        """Take a temperature in hundredths of a degree Celsius, or the name of a fault."""
        self._readings.temp(us, name, reading)

    # --- main loop -------------------------------------------------------------------------------

    def poll(self, us):
        """Do what is due: first decide and drive the relays, then write. Call it at least every 5 ms.

        An edge may come at any moment in here, also after `us` was read.
        """
        if not self._booted:
            self._booted = True
            self._send_hello(us, self._reset_reason)
        self._inputs = self._pins.inputs()
        self._send_edges()
        self._act_on_edges(us)
        self._watch_engine(us)
        self._watch_inputs(us)
        self._watch_host(us)
        self._drive()
        if ((us - self._status_us) & MASK) >= STATUS_US:
            self._send_status(us)
        if ((us - self._temps_us) & MASK) >= TEMPS_US:
            self._temps_us = us
            temps = self._readings.temps(us)
            if temps:
                self._send("T", us, temps)
        self._flush()

    def _send_edges(self):
        while self._out != self._in:
            us, number = self._times[self._out], self._numbers[self._out]
            self._out = (self._out + 1) & (RING - 1)
            self._send("E", us, str(number))

    def _act_on_edges(self, us):
        verdict = self._verdict
        if verdict == NONE:
            return
        self._verdict = NONE
        at, interval = self._verdict_us, self._verdict_interval
        if verdict == OVERSPEED:
            self._trip(us, "overspeed", at, interval, self._trip_us)
        elif verdict == IMPLAUSIBLE:
            self._trip(us, "speed-implausible", at, interval, self._interval)
        elif self.state == tables.START_ALLOWED:        # it may have become running since: then no cap holds
            self._note_cause(us, "start-cap", at, interval, self._cap_us)
            self._move(us, tables.CAP)

    def _watch_engine(self, us):
        silence = self._silence(us)
        self._watch_pickup(us, silence)
        if self._interval >= self._slow_us:
            self._fast = self._armed = False
        elif not self._fast:
            self._fast = True
            self._fast_us = us
        elif ((us - self._fast_us) & MASK) >= self._limit("arm_ms") * 1000:
            self._armed = True
            if self._interval >= self._slow_us:         # a slow edge came just now
                self._armed = False
        if self._still or silence >= self._limit("still_ms") * 1000:
            self._still = True          # until the next edge, however often the clock wraps
            self._interval = self._before = MASK
            self._armed = self._fast = False
            self._move(us, tables.STILL)
        else:
            self._allowed_us = us       # somebody pulls the cord, or it runs
        waited = (us - self._allowed_us) & MASK
        if self.state == tables.START_ALLOWED and waited >= self._limit("lapse_s") * 1000000:
            self._note_cause(us, "start-lapsed", us, self._limit("lapse_s"), self._limit("lapse_s"))
            self._move(us, tables.LAPSE)

    def _watch_pickup(self, us, silence):
        """Trip when the pickup falls silent at speed; a stall slows down first, which is told apart."""
        fast = max(self._interval, self._before) < self._slow_us // 3 * 2
        longest = max(3 * self._interval, self._limit("lost_ms") * 1000)
        if fast and silence > longest and self.state != tables.HELD:
            self._trip(us, "pickup-lost", us, silence, longest)

    def _silence(self, us):
        """Give the time since the last edge that counted; none when it came after `us` was read."""
        silence = (us - self._last_us) & MASK
        return 0 if silence > MASK >> 1 else silence

    def _watch_inputs(self, us):
        if "loop" not in self._inputs and self.state in tables.IGNITION_LIVE:
            self._note_cause(us, "stop-loop", us, 0, 0)
            self._move(us, tables.STOP)
        if self._limit("shield") == 0 or "shield" in self._inputs:
            self._shield_us = us
            if self._armed and self.state == tables.START_ALLOWED and self._say == "ok":
                self._move(us, tables.SHUT)
        elif self.state == tables.RUNNING and ((us - self._shield_us) & MASK) >= SHIELD_US:
            self._trip(us, "shield-open", us, 0, 0)

    def _watch_host(self, us):
        if self._age_ms(us) >= NEVER_MS:
            self._acked = -1            # too long ago to tell by a clock that wraps
        if self.state in tables.IGNITION_LIVE and self._age_ms(us) > self._limit("age_ms"):
            self._trip(us, "guard-silent", us, self._age_ms(us), self._limit("age_ms"))
        if self._say == "stop":
            if self.state in tables.IGNITION_LIVE:
                self._note_cause(us, "asked", us, 0, 0)
            self._move(us, tables.STOP)
        elif self._say not in (None, "ok", "capped"):     # the id of a cause, known here or not
            self._trip(us, self._say, us, 0, 0)

    def _drive(self):
        """Set both outputs from the state; nothing else may energise them."""
        live = self.state in tables.IGNITION_LIVE and self._verdict == NONE and "loop" in self._inputs
        self._pins.set_run(live)
        self._pins.set_fuel(live)
        if self._verdict != NONE:           # the interrupt decided while this went on: its word stands
            self._pins.set_run(False)

    # --- states ----------------------------------------------------------------------------------

    def _move(self, us, step):
        after = tables.AFTER[self.state][step]
        if after >= 0:
            self.state = after
            self._drive()
            self._send_status(us)

    def _trip(self, us, cause, at, value, limit):
        if self.state != tables.TRIPPED and tables.AFTER[self.state][tables.TRIP] >= 0:
            self.causes = []
        elif cause in self.causes:
            return
        self._note_cause(us, cause, at, value, limit)
        self._move(us, tables.TRIP)

    def _note_cause(self, us, cause, at, value, limit):
        if cause not in self.causes:
            self.causes.append(cause)
            self._send("X", us, "why=%s order=%d at=%d value=%d limit=%d" % (
                cause, len(self.causes), at, value, limit))

    def _limit(self, name):
        return self.limits[name] if self.limits else 0

    def _age_ms(self, us):
        return NEVER_MS if self._acked < 0 else min(((us - self._acked_us) & MASK) // 1000, NEVER_MS)

    # --- the host's lines -------------------------------------------------------------------------

    def feed(self, data):
        """Take bytes from the host."""
        self._line += data
        while True:
            end = self._line.find(b"\n")
            if end < 0:
                break
            words = link.unseal(self._line[:end])
            self._line = self._line[end + 1:]
            if words and len(words) > 2:
                self._obey(words)
        if len(self._line) > link.MAX_LINE:
            self._line = b""
        self._flush()

    def _obey(self, words):
        us = self._pins.now_us()
        kind, seq, rest = words[0], words[1], words[2:]
        if kind == "a" and len(rest) == 2 and rest[1]:
            self._take_answer(rest[0], rest[1])
        elif kind == "l":
            self._reply(us, seq, self._take_limits(rest))
        elif kind == "c" and rest[0] == "hello":
            self._send_hello(us, "-")
        elif kind == "c" and rest[0] == "allow":
            self._reply(us, seq, self._allow(us))
        elif kind == "c" and rest[0] == "reset":
            self._reply(us, seq, self._reset(us))
        else:
            self._reply(us, seq, "unknown")

    def _take_answer(self, ack, say):
        seq = link.whole(ack)
        if seq < 0 or seq not in self._sent_seqs:
            return
        sent_us = self._sent_us[self._sent_seqs.index(seq)]
        if self._acked not in self._sent_seqs or ((sent_us - self._acked_us) & MASK) < MASK >> 1:     # not an older one
            self._acked = seq
            self._acked_us = sent_us
            self._say = say

    def _take_limits(self, words):
        """Take new limits; give the reason why not, or an empty text."""
        read = link.read_limits(words)
        if read is None:
            return "bad-limits"
        if self.state != tables.HELD and (self.limits is None or link.looser(self.limits, read[0])):
            return "not-held"
        self.limits, self._limits_crc = read
        self._trip_us = self.limits["trip_us"]
        self._cap_us = self.limits["cap_us"]
        self._slow_us = self.limits["slow_us"]
        return ""

    def _allow(self, us):
        if self.state != tables.HELD:
            return "not-held"
        if self.limits is None:
            return "no-limits"
        if not self._still:
            return "still-turning"
        if "loop" not in self._inputs:
            return "stop-loop"
        if self._age_ms(us) > self.limits["age_ms"] or self._say not in ("ok", "capped"):
            return "guard-says-no"
        self.causes = []
        self._allowed_us = us
        self._move(us, tables.ALLOW)
        return ""

    def _reset(self, us):
        if self.state != tables.TRIPPED:
            return "not-tripped"
        if not self._still:
            return "still-turning"
        if "loop" not in self._inputs:
            return "stop-loop"
        if self._say not in ("ok", "capped", "stop") or self._age_ms(us) > self._limit("age_ms"):
            return "guard-says-no"
        self.causes = []
        self._move(us, tables.RESET)
        return ""

    def _reply(self, us, seq, why):
        self._send("R", us, "%s no %s" % (seq, why) if why else "%s yes" % seq)

    def _send(self, kind, us, fields):
        """Put a line into the outbox; it is written once everything is decided."""
        self._outbox.append(link.seal("%s %d %d %s" % (kind, self._seq, us, fields)))
        self._seq = (self._seq + 1) % link.SEQ_MODULUS

    def _flush(self):
        while self._outbox:
            self._pins.write(self._outbox.pop(0))

    def _send_hello(self, us, reset):
        self._send("H", us, "%s reset=%s sim=%d" % (self._hello_words, reset, 1 if self._simulated else 0))

    def _send_status(self, us):
        self._status_us = us
        self._sent_seqs[self._sent_next] = self._seq
        self._sent_us[self._sent_next] = us
        self._sent_next = (self._sent_next + 1) % len(self._sent_seqs)
        inputs = ",".join(sorted(self._inputs)) or "-"
        outputs = "run,fuel" if self.state in tables.IGNITION_LIVE else "-"
        self._send("S", us, "st=%s why=%s in=%s out=%s lim=%08x ack=%s age=%d n=%d odd=%d" % (
            tables.STATES[self.state], self.causes[0] if self.causes else "-", inputs, outputs, self._limits_crc,
            "-" if self._acked < 0 else str(self._acked), self._age_ms(us), self.edges, self.odd))
