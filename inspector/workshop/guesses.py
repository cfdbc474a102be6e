"""Who tries passwords has to wait, twice as long after each wrong one; nobody is locked out for good.

Wrong tries are counted for the address that they come from and for the name that they are for. A stranger who guesses
from many addresses so keeps a name waiting, a minute at a time and again after each guess, but not in a browser in
which its owner has signed in before: such a browser has a count of its own (a device cookie, as the OWASP page "Slow
Down Online Guessing Attacks with Device Cookies" describes). A one-time link from a manager is not held up either.
"""

import hashlib
import ipaddress
import logging
import threading
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from inspector import log
from inspector.errors import InspectorError
from inspector.log import WrongGuesses

__all__ = ["Guesses", "Limit", "keys_of"]

_logger = logging.getLogger(__name__)

# The numbers are a balance, no source: a mistyped password costs nothing, a guesser gets some hundred tries a day from
# one address and 1500 against one name, where a password has 12 signs at least.
FREE_TRIES = 5
FREE_TRIES_OF_A_NAME = 10
LONGEST_WAIT_S = 15 * 60.0
LONGEST_WAIT_OF_A_NAME_S = 60.0
FORGOTTEN_AFTER_S = 24 * 3600.0
# What may be remembered at once: about 1 MB. Beyond, the fewest tries are forgotten first.
MOST_REMEMBERED = 10_000


@dataclass(frozen=True, slots=True)
class Limit:
    """What wrong tries are counted by, and how long they make wait."""

    key: tuple[str, str]
    free_tries: int
    longest_wait_s: float

    @property
    def digest(self) -> bytes:
        """A hash of the key: it is kept, and whoever mistook the field may have typed a password as their name."""
        return hashlib.sha256("\0".join(self.key).encode("utf-8", "surrogatepass")).digest()


@dataclass(slots=True)
class _Count:
    tries: int
    last_s: float


class Guesses:
    """The wrong tries of late.

    Parameters
    ----------
    opened : Log, optional
        Where they are kept over a restart; of names and addresses it gets hashes only.
    """

    def __init__(self, opened: log.Log | None = None) -> None:
        self._log = opened
        self._counts: dict[bytes, _Count] = {}
        self._remembered = opened is None
        self._lock = threading.Lock()

    def begin(self, limits: Collection[Limit], *, now_s: float) -> float:
        """Count a try as wrong before it is looked at, so that many at once gain nothing; or say how long to wait.

        Returns
        -------
        wait_s : float
            0 where the try may be looked at. Else it was not counted. [s]
        """
        with self._lock:
            self._remember(now_s)
            wait_s = max(self._wait_s(limit, now_s) for limit in limits)
            if wait_s > 0:
                return wait_s
            for limit in limits:
                count = self._counts.setdefault(limit.digest, _Count(0, now_s))
                count.tries += 1
                count.last_s = now_s
            if len(self._counts) > MOST_REMEMBERED:
                self._forget(now_s)
            self._keep(limits)
            return 0.0

    def was_right(self, limits: Collection[Limit]) -> None:
        """Count a try that has begun as wrong no longer. Earlier ones stay: whose they were is not known."""
        with self._lock:
            for limit in limits:
                count = self._counts.get(limit.digest)
                if count is not None:
                    count.tries = max(0, count.tries - 1)
            self._keep(limits)

    def _remember(self, now_s: float) -> None:
        """Read what was kept before this program was started."""
        if self._remembered or self._log is None:
            return
        since = datetime.fromtimestamp(now_s - FORGOTTEN_AFTER_S, UTC)
        for key, kept in log.list_wrong_guesses(self._log, since=since).items():
            self._counts[key] = _Count(kept.tries, kept.last_at.timestamp())
        self._remembered = True
        with _if_it_can_be():
            log.forget_wrong_guesses(self._log, but=self._counts)

    def _keep(self, limits: Collection[Limit]) -> None:
        if self._log is None:
            return
        counts = {limit.digest: self._counts[limit.digest] for limit in limits if limit.digest in self._counts}
        with _if_it_can_be():
            log.keep_wrong_guesses(
                self._log,
                {
                    key: WrongGuesses(count.tries, datetime.fromtimestamp(count.last_s, UTC))
                    for key, count in counts.items()
                },
            )

    def _wait_s(self, limit: Limit, now_s: float) -> float:
        count = self._counts.get(limit.digest)
        if count is None or count.tries < limit.free_tries:
            return 0.0
        if now_s - count.last_s > FORGOTTEN_AFTER_S:
            del self._counts[limit.digest]
            return 0.0
        pause_s = min(2.0 ** min(count.tries - limit.free_tries, 30), limit.longest_wait_s)
        return max(0.0, count.last_s + pause_s - now_s)

    def _forget(self, now_s: float) -> None:
        lasting = [item for item in self._counts.items() if now_s - item[1].last_s <= FORGOTTEN_AFTER_S]
        lasting.sort(key=lambda item: (item[1].tries, item[1].last_s), reverse=True)
        self._counts = dict(lasting[: MOST_REMEMBERED // 2])
        if self._log is not None:
            with _if_it_can_be():
                log.forget_wrong_guesses(self._log, but=self._counts)


@contextmanager
def _if_it_can_be() -> Iterator[None]:
    """Go on where the disk is full or may only be read: until the next start, memory knows."""
    try:
        yield
    except InspectorError as error:
        _logger.warning("wrong tries at passwords could not be kept: %s", error)


def keys_of(name_key: str, *, address: str, known_browser: str | None) -> tuple[Limit, ...]:
    """What a try is counted by.

    Parameters
    ----------
    name_key : str
        The name that is tried, whether there is such an account or not.
    address : str
        Where the try comes from.
    known_browser : str, optional
        What the browser is known by, if somebody has signed in to this account with it.
    """
    if known_browser is not None:
        return (Limit(("browser", known_browser), FREE_TRIES, LONGEST_WAIT_S),)
    return (
        Limit(("address", _one_household(address)), FREE_TRIES, LONGEST_WAIT_S),
        Limit(("name", name_key), FREE_TRIES_OF_A_NAME, LONGEST_WAIT_OF_A_NAME_S),
    )


def _one_household(address: str) -> str:
    """The address; of IPv6 the first half, since whoever has one address has all of the other half."""
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if parsed.version == 4:
        return str(parsed)
    if parsed.ipv4_mapped is not None:
        return str(parsed.ipv4_mapped)
    return str(ipaddress.ip_network((parsed, 64), strict=False).network_address)
