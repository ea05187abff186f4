# The only module that touches hardware: an RP2040 board under MicroPython. Another board needs another pins.py with
# the same class. Nothing here has been run on real silicon yet; see daemon/SAFETY.md.
import select
import sys
import time

from machine import Pin, disable_irq, enable_irq

# Wiring, by GPIO number. Inputs are pulled up, and closed to ground when good: a broken wire reads as bad.
PICKUP = 2
RUN_RELAY = 3           # energised: the ignition may fire; at rest it grounds the magneto or opens the battery feed
FUEL_RELAY = 4          # on a driver of its own
INPUTS = {"loop": 6, "shield": 7, "key": 8}
LOAD_DATA = 10          # 24-bit bridge converter with a two-wire output
LOAD_CLOCK = 11

MOST_WAITING = 32       # lines


class Pins:
    def __init__(self):
        self._run = Pin(RUN_RELAY, Pin.OUT, value=0)
        self._fuel = Pin(FUEL_RELAY, Pin.OUT, value=0)
        self._inputs = {name: Pin(number, Pin.IN, Pin.PULL_UP) for name, number in INPUTS.items()}
        self._pickup = Pin(PICKUP, Pin.IN, Pin.PULL_UP)
        self._data = Pin(LOAD_DATA, Pin.IN)
        self._clock = Pin(LOAD_CLOCK, Pin.OUT, value=0)
        self._host = select.poll()
        self._host.register(sys.stdin, select.POLLIN)
        self._room = select.poll()
        self._room.register(sys.stdout, select.POLLOUT)
        self._waiting = []
        self._edge = None

    def now_us(self):
        return time.ticks_us()

    def set_run(self, on):
        self._run.value(on)

    def set_fuel(self, on):
        self._fuel.value(on)

    def inputs(self):
        return [name for name, pin in self._inputs.items() if pin.value() == 0]

    def write(self, line):
        """Write a line when there is room, never wait for it. Beyond a few lines whole ones are dropped."""
        if len(self._waiting) < MOST_WAITING:
            self._waiting.append(line)
        while self._waiting and self._room.poll(0):
            sys.stdout.buffer.write(self._waiting.pop(0))

    def safe(self):
        """Let both relays drop."""
        self._run.value(0)
        self._fuel.value(0)

    def read(self):
        """Give the bytes that have come from the host, at most a few at a time."""
        data = b""
        while len(data) < 64 and self._host.poll(0):
            data += sys.stdin.buffer.read(1)
        return data

    def on_edge(self, edge):
        """Call edge(us) at each falling edge of the pickup, from the hard interrupt."""
        self._edge = edge
        self._pickup.irq(self._interrupt, Pin.IRQ_FALLING, hard=True)

    def _interrupt(self, _pin):
        self._edge(time.ticks_us())

    def _pulse(self):
        """One clock pulse. Such converters switch off when it lasts: no interrupt may come in between."""
        state = disable_irq()
        self._clock.value(1)
        self._clock.value(0)
        enable_irq(state)

    def load_ready(self):
        return self._data.value() == 0

    def read_load(self):
        """Clock out one conversion; None when it is saturated."""
        count = 0
        for _ in range(24):
            self._pulse()
            count = (count << 1) | self._data.value()
        self._pulse()               # the 25th chooses channel and gain for the next conversion
        if count == 0x7FFFFF or count == 0x800000:
            return None
        return count - 0x1000000 if count & 0x800000 else count
