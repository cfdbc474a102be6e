"""What all molds tell is learnt when serving starts, before a page asks for it."""

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import pytest

from inspector.errors import InputError
from inspector.workshop import Workshop
from inspector.workshop.learning_ahead import LearningAhead
from tests.doubles.drawn_engine import DRAWN_ENGINE


@pytest.fixture
def whole(tmp_path: Path) -> Iterator[Workshop]:
    with Workshop.open(tmp_path / "data", engine=DRAWN_ENGINE) as whole:
        whole.add_mold("heron")
        yield whole


@pytest.fixture
def shop(whole: Workshop) -> Workshop:
    """The workshop of the only site, which is what pages ask."""
    return whole.at(1)


def test_who_asks_meanwhile_waits_and_does_not_learn_again(
    whole: Workshop, shop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    learn, learnt = shop.losses.trends, []
    begun, go_on = threading.Event(), threading.Event()

    def slowly(*, now: datetime):
        begun.set()
        assert go_on.wait(30)
        learnt.append(learn(now=now))
        return learnt[-1]

    monkeypatch.setattr(shop.losses, "trends", slowly)
    with LearningAhead(whole), ThreadPoolExecutor() as asking:
        assert begun.wait(30)
        asked = asking.submit(lambda: shop.losses.trends_of_late(now=datetime.now().astimezone()))
        go_on.set()
        assert asked.result(timeout=30) is learnt[0]
    assert len(learnt) == 1


def test_a_log_that_cannot_be_read_ends_nothing(
    whole: Workshop, shop: Workshop, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fails(*, now: datetime):
        raise InputError("The log is held by another program.")

    monkeypatch.setattr(shop.losses, "learn_ahead", fails)
    with LearningAhead(whole):
        pass
    assert "losses are learnt later: The log is held by another program." in caplog.text
