"""The program's log on stderr, one line of JSON for each thing that happened, as supervisors collect it."""

import json
import logging
from datetime import UTC, datetime

__all__ = ["JsonLine", "tell_what_happens"]


class JsonLine(logging.Formatter):
    """A log record as one line of JSON: when, how grave, where, what, and what else is said with it."""

    def format(self, record: logging.LogRecord) -> str:
        """Write one line, whatever line breaks are in what it tells."""
        line = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "where": record.name,
            "what": record.getMessage(),
            **getattr(record, "said", {}),
        }
        if record.exc_info:
            line["failure"] = self.formatException(record.exc_info)
        return json.dumps(line)  # in ASCII: no control sign reaches a terminal, no line separator ends the line


def tell_what_happens() -> None:
    """Have all that the program says to its log from now on written to stderr, a line of JSON each."""
    handler = logging.StreamHandler()
    handler.setFormatter(JsonLine())
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)
    logging.getLogger("inspector").setLevel(logging.INFO)
