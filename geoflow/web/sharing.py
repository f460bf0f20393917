"""What a phone on the local network may see: one sheet, behind a one-time code; nothing can be sent or changed."""

from __future__ import annotations

import hmac
import io
import ipaddress
import secrets
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from geoflow.base.errors import UsageError

__all__ = ["Door", "Share", "SharedSheet", "Standing", "local_address"]

# No letter or digit that is taken for another.
_LETTERS: Final = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
_LONG: Final = 8
_MOST_TRIES: Final = 5
_CODE_LASTS: Final = 600.0
_PHONE_LASTS: Final = 12 * 3600.0
_MOST_PHONES: Final = 8
_NOWHERE: Final = "192.0.2.1"  # RFC 5737: an address that nobody has; only the way to it is asked, nothing is sent

Standing = Literal["open", "used", "locked", "expired", "ended"]


@dataclass(frozen=True, slots=True)
class SharedSheet:
    """A sheet, and what it belongs to in words."""

    html: bytes
    of: str


def local_address(wanted: str | None = None) -> str:
    """Return the address of this machine that phones on its network reach it by.

    Parameters
    ----------
    wanted : str or None
        One of its own addresses; None: the one it would reach others by.

    Raises
    ------
    UsageError
        If there is no network, or the address is none of a local network.
    """
    if wanted is None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            try:
                probe.connect((_NOWHERE, 9))
                wanted = str(probe.getsockname()[0])
            except OSError as problem:
                raise UsageError(
                    "this machine is on no network, so no phone could reach it",
                    where="--share",
                    cure="join the phone's network, or start without --share and send the sheet as a file",
                ) from problem
    try:
        address = ipaddress.IPv4Address(wanted)
    except ValueError as problem:
        raise UsageError(
            f"'{wanted}' is no address of this machine", where="--share-on", cure="name it like 192.168.1.20"
        ) from problem
    if not address.is_private or address.is_unspecified:
        raise UsageError(
            f"{wanted} is no address of a local network, and the whole internet might reach it",
            where="--share-on",
            cure="name this machine's address on the local network, like 192.168.1.20",
        )
    return str(address)


class Share:
    """The sheet that is shared, its code, and the phones that gave it.

    Parameters
    ----------
    clock : callable
        Gives seconds that only grow.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._phones: dict[str, float] = {}
        self._standing: Standing = "open"
        self.sheet: SharedSheet | None = None
        self.new_code()

    def new_code(self) -> str:
        """Make a new code in place of the one before; phones that are in stay in."""
        with self._lock:
            self._code = "".join(secrets.choice(_LETTERS) for _ in range(_LONG))
            self._made, self._tries, self._standing = self._clock(), 0, "open"
            return self.code

    @property
    def code(self) -> str:
        """The code in two groups of four, as it is read out."""
        return f"{self._code[:4]}-{self._code[4:]}"

    @property
    def standing(self) -> Standing:
        """Whether the code lets a phone in, or why it does not."""
        if self._standing == "open" and self._clock() - self._made > _CODE_LASTS:
            return "expired"
        return self._standing

    @property
    def minutes_left(self) -> int:
        """Whole minutes that the code counts for yet."""
        return max(0, round((_CODE_LASTS - (self._clock() - self._made)) / 60.0))

    @property
    def phones(self) -> int:
        """How many phones are in."""
        now = self._clock()
        return sum(now - since <= _PHONE_LASTS for since in self._phones.values())

    def admit(self, typed: str) -> str | None:
        """Let a phone in that gives the code, once; None where it is wrong or does not count any more.

        Parameters
        ----------
        typed : str
            As a person typed it.

        Returns
        -------
        str or None
            What the phone has to show from now on.
        """
        given = "".join(letter for letter in typed.upper()[:40] if letter.isalnum()).encode("utf-8", "replace")
        with self._lock:
            # Compared in any case, in a time that tells nothing.
            right = hmac.compare_digest(given, self._code.encode())
            if self.standing != "open":
                return None
            if not right:
                self._tries += 1
                if self._tries >= _MOST_TRIES:
                    self._standing = "locked"
                return None
            self._standing = "used"
            token = secrets.token_urlsafe(24)
            self._phones[token] = self._clock()
            for surplus in sorted(self._phones, key=lambda one: self._phones[one])[:-_MOST_PHONES]:
                del self._phones[surplus]
            return token

    def knows(self, token: str) -> bool:
        """Whether a phone is in.

        Parameters
        ----------
        token : str
            What it shows.
        """
        with self._lock:
            found = [since for known, since in self._phones.items() if hmac.compare_digest(known, token)]
            return any(self._clock() - since <= _PHONE_LASTS for since in found)

    def end(self) -> None:
        """Show nothing any more, send every phone out, and let no code count."""
        with self._lock:
            self._phones, self.sheet, self._standing = {}, None, "ended"


@dataclass(frozen=True, slots=True)
class Door:
    """Where phones come in.

    Attributes
    ----------
    share : Share
        What is shared.
    address : str
        Of this machine on the local network.
    port : int
        Listened on there.
    """

    share: Share
    address: str
    port: int

    @property
    def place(self) -> str:
        """What a person types into the phone's browser."""
        return f"http://{self.address}:{self.port}/"

    @property
    def scanned(self) -> str:
        """The same with the code behind a #, which a browser sends to nobody."""
        return f"{self.place}#{self.share.code}"

    def squares(self) -> tuple[str, ...]:
        """Give the rows of the QR code of it, 1 for dark."""
        import segno

        return tuple("".join(map(str, row)) for row in segno.make_qr(self.scanned, error="m").matrix)

    def printed(self) -> str:
        """Give the QR code in letters for a terminal."""
        import segno

        out = io.StringIO()
        segno.make_qr(self.scanned, error="m").terminal(out, compact=True)
        return out.getvalue()
