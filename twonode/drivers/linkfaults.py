"""What can go wrong on a link, in our words.

Owns the translation of what VISA libraries, sockets and drivers below them raise. Plain errors of sockets (refused,
reset, broken pipe) come through pyvisa-py as they are; what comes through a VISA library is told by its code.
"""

from __future__ import annotations

from twonode.drivers.errors import LinkError, ReplyError, ReplyTimeout
from twonode.drivers.wire import Closed, Late, Short, TooLong

__all__ = ["translated"]


def translated(exc: Exception, *, called: str, resource: str, text: str) -> LinkError | ReplyError:
    """Our error for what a VISA library, a socket or a driver below it raised.

    called : the instrument at the beginning of a sentence. text : what it was asked.
    """
    if isinstance(exc, Late) or "VI_ERROR_TMO" in str(exc):
        return ReplyTimeout(
            f"{called} did not answer {text!r} in time.",
            "The connection was closed, so that a late reply cannot be taken for the next one.",
            "Check that the instrument is on and not waiting for its own keys; then try again.",
        )
    if isinstance(exc, TooLong):
        return ReplyError(
            f"{called} answered {text!r} with a line that does not end.",
            "Nothing sensible can be read from it; the connection was closed.",
            "Check the port number: a prompt or web port does not speak SCPI.",
        )
    if isinstance(exc, Short):
        return ReplyError(
            f"{called} answered {text!r} with a message that ends too early.",
            "Part of the reply is missing; the connection was closed.",
            "Repeat the measurement; if it stays, the command profile does not suit this instrument.",
        )
    if isinstance(exc, ConnectionRefusedError):
        return LinkError(
            f"Nothing listens at {resource}.",
            "The computer there refused the connection.",
            "Check the address and port, and that remote control over the network is on.",
        )
    if isinstance(exc, (Closed, ConnectionError)) or "VI_ERROR_CONN_LOST" in str(exc):
        return LinkError(
            f"{called} closed the connection while {text!r} was being asked.",
            "Its reply, if any, is lost.",
            "Check the cable and that no other program uses the instrument; then try again.",
        )
    return _cannot_reach(resource, exc)


def _cannot_reach(name: str, exc: Exception) -> LinkError:
    reason = " ".join(str(exc).split()) or type(exc).__name__
    lowered = reason.lower()
    if "INV_RSRC_NAME" in reason or "invalid resource name" in lowered or "could not parse" in lowered:
        return LinkError(
            f"{name!r} is no instrument address.",
            "It must be written as VISA does.",
            "For example TCPIP0::192.168.1.20::5025::SOCKET, TCPIP0::192.168.1.20::inst0::INSTR, "
            "USB0::0x1234::0x5678::SERIAL::0::INSTR, ASRL3::INSTR (COM3) or ASRL/dev/ttyUSB0::INSTR.",
        )
    if isinstance(exc, (ValueError, ImportError)) and ("usb" in lowered or "serial" in lowered):
        return LinkError(
            f"{name} cannot be opened: {reason[:160]}",
            "USB and serial instruments need drivers that are not installed.",
            "Install twonode with its `usb` extra, or use the instrument's network connection.",
        )
    return LinkError(
        f"{name} cannot be reached: {reason[:160]}",
        "Nothing can be measured without it.",
        "Check address, cable and power, and that no other program uses the instrument.",
    )
