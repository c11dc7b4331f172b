"""Looking for instruments: the one thing here that sends a broadcast, and only when a person asks for it.

Owns the list of addresses that a VISA library finds. Asks none of them anything.
"""

from __future__ import annotations

from twonode.drivers.errors import LinkError
from twonode.drivers.link import Backend, _resource_manager, system_visa_library

__all__ = ["find_addresses"]


def find_addresses(backend: Backend | None = None) -> tuple[str, ...]:
    """VISA addresses of what answers on this computer's buses and in the local network, sorted.

    backend : see `open_link`. Plain sockets are never among them: they cannot be found by asking around.

    Raises
    ------
    LinkError : the VISA library cannot be used.
    """
    if backend is None:
        backend = "system" if system_visa_library() else "python"
    try:
        return tuple(sorted(_resource_manager(backend).list_resources("?*::INSTR")))
    except Exception as exc:
        raise LinkError(
            f"The VISA library could not look for instruments: {' '.join(str(exc).split())[:160]}",
            "Only addresses you name can be used.",
            "Give the addresses, or try the other library with `--visa python` or `--visa system`.",
        ) from exc
