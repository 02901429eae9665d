"""A serial port opened the way the links need it, and in plain words why it could not be.

In: the port of a car sheet, an error of pyserial. Out: an open port, a sentence for a person. Opening raises one of
`PORT_ERRORS`, of which pyserial and the drivers under it use several for one and the same event.
"""

from __future__ import annotations

import contextlib
import errno
from typing import Any

import serial
from serial.tools import list_ports

from ingest.sheet_link import SerialPort

_termios_errors: tuple[type[Exception], ...] = ()
try:
    import termios
except ImportError:  # not on this system
    pass
else:
    _termios_errors = (termios.error,)  # no OSError, and raised as it is when a port vanishes while being opened

# TypeError: pyserial uses a file descriptor that it has set to None. ValueError: a baud rate the driver refuses.
PORT_ERRORS: tuple[type[Exception], ...] = (serial.SerialException, OSError, TypeError, ValueError, *_termios_errors)

_READ_TIMEOUT_S = 0.1  # how soon a reader notices that it shall stop
_ABSENT = frozenset({errno.ENOENT, errno.ENODEV, errno.ENXIO})
_FORBIDDEN = frozenset({errno.EACCES, errno.EPERM})
_TAKEN = frozenset({errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY})
_MOST_PORTS_NAMED = 6  # more do not fit the line they are shown on


def open_port(port: SerialPort, write_timeout_s: float | None = None) -> serial.Serial:
    """Open a port; what the driver had received before is thrown away by that.

    `exclusive` locks out every other program that asks for it too; one that does not ask can still take bytes away.
    The terminal-ready line (DTR) is left as opening sets it, on: some boards send nothing without it. Others restart
    when it comes on, and then lose about a second at each opening; switching it off afterwards would not help them.

    Parameters
    ----------
    port : SerialPort
        Name and baud.
    write_timeout_s : float or None
        How long a write may wait for the driver; None for ever.
    """
    opened = serial.Serial()
    opened.port = port.port
    opened.baudrate = port.baud
    opened.timeout = _READ_TIMEOUT_S
    opened.write_timeout = write_timeout_s
    opened.exclusive = True
    opened.open()
    # Some adapters otherwise hold bytes back for 16 ms. Most ports don't have it, which is no fault.
    with contextlib.suppress(*PORT_ERRORS, AttributeError, NotImplementedError):
        opened.set_low_latency_mode(True)
    return opened


def close_port(port: serial.Serial | None) -> None:
    """Close a port that may be gone already."""
    if port is not None:
        with contextlib.suppress(*PORT_ERRORS):
            port.close()


def why_not_open(port: str, error: Exception) -> str:
    """Return one sentence: why `port` could not be opened, and what to look at."""
    number = _number(error)
    if number in _ABSENT or "FileNotFoundError" in str(error):
        return f"no such port {port}; plugged in? known ports: {_known_ports()}"
    if number in _TAKEN or (number is None and "PermissionError" in str(error)):  # the latter is Windows
        return f"another program has {port} open"
    if number in _FORBIDDEN:
        return f"no permission on {port}; is the user in the group that owns it (often dialout)?"
    if number == errno.ENOTTY or "Could not configure port" in str(error):
        return f"{port} is not a serial port, or one that does not work ({error})"
    return f"can't open {port} ({error})"


def why_lost(port: str, error: Exception) -> str:
    """Return one sentence: how the connection through `port` ended."""
    return f"lost {port}; unplugged? ({error})"


def _number(error: Exception) -> int | None:
    number: Any = getattr(error, "errno", None)
    if number is None and error.args:
        number = error.args[0]  # termios.error
    return number if isinstance(number, int) else None


def _known_ports() -> str:
    try:
        names = sorted(str(known.device) for known in list_ports.comports())
    except PORT_ERRORS:
        names = []
    if not names:
        return "none"
    more = f" and {len(names) - _MOST_PORTS_NAMED} more" if len(names) > _MOST_PORTS_NAMED else ""
    return ", ".join(names[:_MOST_PORTS_NAMED]) + more
