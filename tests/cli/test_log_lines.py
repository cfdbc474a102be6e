import json
import logging
import sys

from inspector.cli.log_lines import JsonLine


def line(message, *args, exc_info=None, **extra):
    record = logging.LogRecord("inspector.web", logging.INFO, "", 1, message, args, exc_info)
    vars(record).update(extra)
    return JsonLine().format(record)


def test_a_line_is_one_line_of_json():
    path = "/a\nb\u2028\u009b31m"  # line breaks, and what tells a terminal to do something
    told = line("request", said={"path": path, "status": 200})
    assert told.isascii()
    assert told.isprintable()
    assert json.loads(told) | {"at": ""} == {
        "at": "", "level": "info", "where": "inspector.web", "what": "request", "path": path, "status": 200,
    }  # fmt: skip


def test_a_failure_is_told_in_the_same_line():
    try:
        raise RuntimeError("power cut")
    except RuntimeError:
        told = line("photo %s", "a.jpg", exc_info=sys.exc_info())
    assert "\n" not in told
    assert "RuntimeError: power cut" in json.loads(told)["failure"]
