"""The bytes of the stand link: a serial port that never blocks and that nobody else may open."""

import os
import termios
from pathlib import Path
from typing import Final

import serial

from leverarm_daemon.errors import LinkLost

READ_AT_ONCE: Final = 65_536
MOST_WAITING: Final = 4_096
"""Bytes that may wait to be written; more are dropped and counted: an old answer is worth nothing."""


class Port:
    """An open serial port (or pseudo-terminal). Every failure is a LinkLost."""

    def __init__(self, path: str, baud: int) -> None:
        """Open the port in raw mode, locked; raises LinkLost when it is missing, busy or no port at all."""
        name = path.removeprefix("serial://")
        if not Path(name).exists():
            raise LinkLost(f"{name} does not exist")
        try:
            self._serial = serial.Serial(name, baud, timeout=0, exclusive=True)
        except (serial.SerialException, OSError, ValueError) as error:
            raise LinkLost(f"{name}: {error}") from None
        self._wait_for_bytes()
        self._waiting = b""
        self.dropped = 0

    def _wait_for_bytes(self) -> None:
        """Let an empty read mean that the other end is gone, and nothing else: pyserial leaves it ambiguous."""
        settings = termios.tcgetattr(self.fileno())
        settings[6][termios.VMIN] = 1
        termios.tcsetattr(self.fileno(), termios.TCSANOW, settings)

    def fileno(self) -> int:
        """Give the file descriptor to wait on."""
        return int(self._serial.fileno())

    def read(self) -> bytes:
        """Give the bytes that are there, perhaps none; raises LinkLost when the other side is gone."""
        try:
            data = os.read(self.fileno(), READ_AT_ONCE)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise LinkLost(str(error)) from None
        if not data:
            raise LinkLost("the port was closed at the other end")
        return data

    def write(self, data: bytes) -> None:
        """Write now what the port takes; keep a little for the next call, drop the rest and count it."""
        self._waiting += data
        try:
            written = os.write(self.fileno(), self._waiting)
        except BlockingIOError:
            written = 0
        except OSError as error:
            raise LinkLost(str(error)) from None
        self._waiting = self._waiting[written:]
        if len(self._waiting) > MOST_WAITING:
            self.dropped += len(self._waiting)
            self._waiting = b""

    def close(self) -> None:
        """Close the port."""
        self._serial.close()
