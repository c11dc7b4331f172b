"""Looking for instruments: the one thing here that sends a broadcast, and only when a person asks for it.

Owns the list of addresses that a VISA library finds, which library that is, and what to check where it finds none.
Asks no instrument anything.
"""

from __future__ import annotations

from twonode.drivers.errors import LinkError
from twonode.drivers.link import Backend, list_addresses, system_visa_library

__all__ = ["NOTHING_FOUND", "find_addresses", "library_words", "usual_backend"]

NOTHING_FOUND: tuple[str, ...] = (
    "The instrument is not in the network, or is reached by a plain socket, which no search finds: look up its "
    "address in its own network menu, `ping` it, then name it, such as TCPIP0::192.168.1.20::5025::SOCKET.",
    "A driver for USB or serial is missing: with a system VISA library its own program must list the instrument; "
    "without one, install twonode's `usb` extra, and on Windows look in the Device Manager: the instrument must stand "
    "there with a WinUSB or libusb driver.",
    "Something else holds it, or you may not use it: close the maker's program; on Linux check that `ls -l "
    "/dev/usbtmc*` shows a device you may read and write (a udev rule gives you the right).",
)
"""The three usual reasons why no instrument is found, each with how to check it."""


def usual_backend() -> Backend:
    """The library that is used where nobody chooses: the system's where there is one, else pyvisa-py."""
    return "system" if system_visa_library() else "python"


def library_words(backend: Backend | None = None) -> str:
    """Which VISA library is used, in words."""
    found = system_visa_library()
    if (backend or usual_backend()) == "python":
        other = f"; the system's is {found}: --visa system" if found else "; the system has no VISA library"
        return f"pyvisa-py (comes with twonode{other})"
    return f"the system's VISA library ({found})" if found else "the system's VISA library, and there is none"


def find_addresses(backend: Backend | None = None) -> tuple[str, ...]:
    """VISA addresses of what answers on this computer's buses and in the local network, sorted.

    backend : see `open_link`. Plain sockets are never among them: they cannot be found by asking around.

    Raises
    ------
    LinkError : the VISA library cannot be used.
    """
    try:
        return list_addresses(backend or usual_backend())
    except Exception as exc:
        raise LinkError(
            f"The VISA library could not look for instruments: {' '.join(str(exc).split())[:160]}",
            "Only addresses you name can be used.",
            "Give the addresses, or try the other library with `--visa python` or `--visa system`.",
        ) from exc
