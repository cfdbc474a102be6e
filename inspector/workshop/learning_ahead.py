"""What all molds of a site tell, learnt before anybody asks: a page of the day does not wait for it."""

import logging
import threading
from datetime import datetime
from types import TracebackType
from typing import Self

from inspector.errors import InspectorError
from inspector.workshop.workshop import Workshop

__all__ = ["LearningAhead"]

# `Losses.trends_of_late` gives what was worked out within the hour.
_EVERY_S = 1800.0

_logger = logging.getLogger(__name__)


class LearningAhead:
    """A thread that learns from the log when it is entered, and every half an hour until it is left.

    Parameters
    ----------
    whole : Workshop
        An open workshop, with all its sites: pages ask that of their own.
    """

    def __init__(self, whole: Workshop) -> None:
        self._whole = whole
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._learn, name="learning", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let it finish what it is at."""
        self._closing.set()
        self._thread.join()

    def _learn(self) -> None:
        while True:
            try:
                for site in self._whole.sites.list():
                    self._whole.at(site.id).losses.learn_ahead(now=datetime.now().astimezone())
            except InspectorError as failure:  # the log cannot be read just now: whoever asks is told
                _logger.warning("losses are learnt later: %s", failure)
            if self._closing.wait(_EVERY_S):
                return
