"""The pages for a telephone in the same network, only where the user asks for it: which address, and what it means.

The pages answer at this one address beside the computer's own; not at all that it may have. Only addresses of local
networks are taken: at a public one everybody could knock.
"""

import ipaddress
import socket

from taptest.errors import StorageError

ELSEWHERE = ("192.0.2.1", 9)
"""An address that belongs to nobody (RFC 5737). Nothing is sent to it: the system is only asked from which of its own
addresses it would be reached."""

WHO = (
    "The address works once, for one telephone; but nothing is encrypted on the way. Everybody in that network who "
    "listens in can see and change all visits: use it in a network whose users you trust, and stop taptest when you "
    "are done."
)
NO_MICROPHONE = (
    "Browsers give no microphone to such pages: the telephone shows and steers a round, and this computer listens."
)


def network_address(wished: str = "") -> str:
    """Return this computer's address in its local network; `wished` names it where there are several.

    Raises `StorageError` where there is none that may be used.
    """
    text = wished.strip() or _usual()
    try:
        address = ipaddress.IPv4Address(text)
    except ValueError as error:
        raise StorageError(
            f"“{text[:60]}” is not an address of a local network, such as 192.168.1.20. "
            "Name this computer's own address after --network, or leave it out to have it looked up."
        ) from error
    if address.is_loopback or address.is_unspecified or address.is_multicast or address.is_link_local:
        raise StorageError(
            f"{address} is not an address where another device can find this computer. "
            "Join a network first, or name this computer's address in it after --network."
        )
    if address.is_global:
        raise StorageError(
            f"{address} is a public address: anyone could connect to it, not only your network, so the pages are "
            "not opened at it. Name this computer's address in a local network after --network."
        )
    return str(address)


def _usual() -> str:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(ELSEWHERE)
            return str(asking.getsockname()[0])
        except OSError as error:
            raise StorageError(
                f"This computer is not on a network ({error}). Join one, or start the pages without --network."
            ) from error


def code_lines(address: str) -> str:
    """Return an address as a square code (ISO/IEC 18004) in lines of block letters, for a telephone's camera."""
    import io

    import segno

    out = io.StringIO()
    segno.make_qr(address, error="l").terminal(out=out, compact=True)
    return out.getvalue()
