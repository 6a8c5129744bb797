"""Where the pages are served: addresses, the certificate, and what the terminal says of it."""

import ipaddress
import os
import socket
import ssl
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from tracker.errors import InputError
from tracker.service import NewCode
from web import words
from web.access import LOOPBACK, Door, bracketed


@dataclass(frozen=True, slots=True)
class Serving:
    """Where the pages are to be served.

    Attributes
    ----------
    host : str
        An address of this machine, or ``localhost``.
    port : int
        0 takes a free one.
    names : tuple of str
        Names under which other machines know this one.
    certificate, key : Path or None
        PEM files; with both, connections are encrypted.
    """

    host: str = "127.0.0.1"
    port: int = 8000
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None

    @property
    def address(self) -> str:
        """The address to bind, as digits."""
        host = "127.0.0.1" if self.host == "localhost" else self.host.strip("[]")
        try:
            return str(ipaddress.ip_address(host))
        except ValueError:
            raise InputError(
                f"{self.host} is not an address.",
                hint="Give this machine's own in digits, or 0.0.0.0 for all; names go to --name.",
            ) from None

    @property
    def is_shared(self) -> bool:
        """True when other machines can reach the pages."""
        return not ipaddress.ip_address(self.address).is_loopback

    @property
    def is_secure(self) -> bool:
        """True when connections are encrypted."""
        return self.certificate is not None

    @property
    def scheme(self) -> str:
        """With which addresses begin."""
        return "https" if self.is_secure else "http"

    def door(self) -> Door:
        """Return the door that belongs to it."""
        own = tuple(name.lower().rstrip(".") for name in self.names)
        return Door((*LOOPBACK, *own), is_shared=self.is_shared, is_secure=self.is_secure)

    def check_certificate(self) -> None:
        """Look whether certificate and key can be used, before anything is served.

        Raises
        ------
        InputError
        """
        if (self.certificate is None) != (self.key is None):
            raise InputError(
                "A certificate and its key belong together.", hint="Give --certificate and --key."
            )
        if self.certificate is None or self.key is None:
            return

        def locked() -> str:
            raise InputError(
                f"{self.key} is locked by a pass phrase.",
                hint="Give a key without one, readable by this account only.",
            )

        for path in (self.certificate, self.key):
            if not os.access(path, os.R_OK) or not path.is_file():
                raise InputError(f"{path} can't be read.", hint="Give a PEM file.")
        try:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(self.certificate, self.key, password=locked)
        except ssl.SSLError:
            raise InputError(
                f"{self.certificate} and {self.key} are no certificate with its key.",
                hint="Both are PEM files; the certificate comes first in its file.",
            ) from None

    @contextmanager
    def listening(self) -> Iterator[list[socket.socket]]:
        """Listen; besides on another address of this machine, always on its loopback as well.

        The page with the codes is shown there only.

        Raises
        ------
        InputError
            The address is not this machine's own, or the port is taken.
        """
        with ExitStack() as opened:
            found = [opened.enter_context(_listener(self.address, self.port))]
            if self.is_shared and not ipaddress.ip_address(self.address).is_unspecified:
                port = found[0].getsockname()[1]
                loopback = "::1" if ":" in self.address else "127.0.0.1"
                found.append(opened.enter_context(_listener(loopback, port)))
            yield found

    def lines(self, port: int, codes: Sequence[NewCode], closed: str = "") -> list[str]:
        """Return what the terminal says.

        Parameters
        ----------
        port : int
        codes : sequence of NewCode
        closed : str
            Until when pairing is closed; empty while it is open.
        """
        version6 = ":" in self.address
        here = bracketed(self.address)
        if self.is_shared:
            here = "[::1]" if version6 else "127.0.0.1"
        said = [f"The pages are at {self.scheme}://{here}:{port}/  (Ctrl+C ends)"]
        if not self.is_shared:
            return said
        places = self.names or _own_addresses(self.address)
        said += [f"Other devices open {self.scheme}://{place}:{port}/pair" for place in places]
        for code in codes:
            what = {"theatre": "brings pictures, agrees the plan", "look": "Glance and Review only"}
            said.append(f"    {code.role:8} {code.shown}   {what[code.role]}")
        if codes:
            until = words.minute(codes[0].until)
            said.append(f"Each lets one device in, until {until}. More: Devices on this machine's ")
            said[-1] += "own page, or tracker pair."
        if closed:
            said.append(
                f"Pairing is closed until {closed} after wrong codes; tracker pair opens it."
            )
        if not self.is_secure:
            said.append(
                "The connection is not encrypted: who listens on this network can act as a paired "
                "device. Give --certificate and --key."
            )
        return said


def _listener(address: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            listener.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        listener.bind((address, port))
    except OSError:
        listener.close()
        raise InputError(
            f"Port {port} of {address} is taken, or the address is not this machine's.",
            hint="Give another one with --port or --host.",
        ) from None
    return listener


def _own_addresses(address: str) -> list[str]:
    """Return under which addresses others may reach what is bound to this one."""
    if not ipaddress.ip_address(address).is_unspecified:
        return [bracketed(address)]
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    try:
        found = socket.getaddrinfo(socket.gethostname(), None, family, socket.SOCK_STREAM)
    except OSError:
        found = []
    places = {str(one[4][0]) for one in found}
    own = sorted(bracketed(place) for place in places)
    return [one for one in own if one not in ("", "127.0.0.1", "127.0.1.1", "[::1]")] or ["HOST"]
