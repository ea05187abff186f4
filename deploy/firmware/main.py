# Started by MicroPython at power-on.
import front_end
import machine
import micropython
import pins

NAME = "bench-one"
PULSES_PER_REV = "1"
LOAD_HZ = 80

RESETS = {machine.PWRON_RESET: "power", machine.WDT_RESET: "watchdog"}


def main():
    micropython.kbd_intr(-1)                    # a stray byte from the host must not end the program
    board = pins.Pins()
    try:
        run(board)
    finally:
        board.safe()


def run(board):
    front = front_end.FrontEnd(
        board, NAME, load_hz=LOAD_HZ, temps=(), pulses_per_rev=PULSES_PER_REV,
        reset=RESETS.get(machine.reset_cause(), "soft"))
    board.on_edge(front.edge)
    watchdog = machine.WDT(timeout=1000)        # a hung loop restarts the board, and the relay drops
    while True:
        watchdog.feed()
        front.poll(board.now_us())
        front.feed(board.read())
        if board.load_ready():
            front.load(board.now_us(), board.read_load())


main()
