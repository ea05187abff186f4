"""Drives the firmware's own front end with a scripted world. Runs on CPython and on MicroPython, unchanged."""

import front_end
import link


class Pins:
    """Pins that remember; `t` is the time in microseconds."""

    def __init__(self):
        self.t = 0
        self.sent = []
        self.run = False
        self.fuel = False
        self.run_dropped_at = None
        self.closed = ["loop", "shield"]
        self.meanwhile = []         # what an interrupt does, one at each call of inputs, set_run or write
        self.run_while_writing = []

    def now_us(self):
        return self.t & front_end.MASK

    def interrupt(self):
        if self.meanwhile:
            self.meanwhile.pop(0)()

    def set_run(self, on):
        if on:
            self.interrupt()
        if self.run and not on:
            self.run_dropped_at = self.t
        self.run = on

    def set_fuel(self, on):
        self.interrupt()
        self.fuel = on

    def inputs(self):
        self.interrupt()
        return self.closed

    def write(self, data):
        self.interrupt()
        self.run_while_writing.append(self.run)
        self.sent.append(data)


def pairs(words):
    return dict([tuple(word.split("=")) for word in words])


LIMITS = ("trip_us=12755 cap_us=20000 slow_us=60000 arm_ms=2000 lost_ms=100 still_ms=1000 age_ms=100 lapse_s=120 "
          "shield=1")


class Bench:
    """A front end with a guard that answers, until told otherwise."""

    def __init__(self, start_us=(1 << 30) - 3000000, **settings):
        self.pins = Pins()
        self.pins.t = start_us
        self.front = front_end.FrontEnd(self.pins, "bench", True, **settings)
        self.host_seq = 0
        self.say = "ok"
        self.answering = True
        self.lines = []

    def host(self, words):
        self.front.feed(link.seal("%s %d %s" % (words[0], self.host_seq, words[2:])))
        self.host_seq += 1
        self.collect()

    def collect(self):
        for data in self.pins.sent:
            words = link.unseal(data[:-1])
            self.lines.append(words)
            if words[0] == "S":
                self.last = pairs(words[3:])
                if self.answering:
                    self.front.feed(link.seal("a %d %s %s" % (self.host_seq, words[1], self.say)))
                    self.host_seq += 1
        self.pins.sent = []

    def wait(self, us):
        """Let time pass in steps of a millisecond."""
        until = self.pins.t + us
        while self.pins.t < until:
            self.pins.t = min(until, self.pins.t + 1000)
            self.front.poll(self.pins.now_us())
            self.collect()

    def edge(self, interval_us):
        """Let an edge come after this interval."""
        self.wait(interval_us - 1)
        self.pins.t += 1
        self.front.edge(self.pins.now_us())
        dropped = self.pins.run_dropped_at == self.pins.t
        self.front.poll(self.pins.now_us())
        self.collect()
        return dropped

    def turn(self, interval_us, us):
        """Turn steadily for this long."""
        for _ in range(us // interval_us):
            self.edge(interval_us)

    def state(self):
        return self.last["st"]

    def causes(self):
        return [pairs(words[3:])["why"] for words in self.lines if words[0] == "X"]

    def replies(self):
        return [words[3:] for words in self.lines if words[0] == "R"]

    def ready(self):
        self.wait(50000)
        self.host("l " + LIMITS)
        self.wait(50000)

    def running(self, interval_us=20000):
        self.ready()
        self.host("c allow")
        self.turn(50000, 500000)
        self.turn(interval_us + 1, 3000000)


def scenarios():
    """Give named benches after things have happened to them."""
    out = {}
    for name in ("overspeed", "noise", "double", "lost", "stall", "stop", "guard", "shield", "cap", "slow", "loop"):
        bench = Bench()
        if name == "cap":
            bench.ready()
            bench.host("c allow")
        else:
            bench.running()
        happen(bench, name)
        out[name] = bench
    return out


def happen(bench, name):
    if name == "overspeed":
        for interval in (17000, 14500, 13000, 12754, 12000):
            bench.edge(interval)
    elif name == "noise":
        for interval in (20000, 9000, 11000, 20000, 20000):
            bench.edge(interval)
    elif name == "double":
        for interval in (20000, 3000, 3000, 14000):
            bench.edge(interval)
    elif name == "lost":
        bench.wait(150000)
    elif name == "stall":
        for interval in (25000, 33000, 45000, 62000, 110000):
            bench.edge(interval)
        bench.wait(1500000)
    elif name == "stop":
        bench.say = "stop"
        for interval in (22000, 28000, 40000, 65000, 120000):
            bench.edge(interval)
        bench.wait(1200000)
    elif name == "guard":
        bench.answering = False
        bench.turn(20001, 300000)
    elif name == "shield":
        bench.pins.closed = ["loop"]
        bench.turn(20001, 100000)
    elif name == "cap":
        for interval in (150000, 80000, 40000, 25000, 19000, 19000, 30000, 70000):
            bench.edge(interval)
        bench.wait(1500000)
    elif name == "loop":
        bench.pins.closed = ["shield"]
        bench.wait(20000)
    elif name == "slow":
        bench.turn(40000, 500000)


def trace(bench):
    """Give everything a bench sent, as text."""
    return "\n".join([" ".join(words) for words in bench.lines])


def main():
    for name, bench in sorted(scenarios().items()):
        print(name)
        print(trace(bench))


if __name__ == "__main__":
    main()
